"""Wiggle tests and lasting power on the simulator, in virtual time."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from bench.events import Changed
from bench.link.inprocess import InProcessLink
from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault, Scenario
from bench.results import Run, StepResult
from bench.safety import GuardedBoard
from bench.sequences import Heard, Typed, gently, run_power, run_wiggle
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import STARTED, YES, NarrowBoard, Session, on_simulator

Script = Callable[[asyncio.Task[Run], Typed], Any]


def with_faults(scenario: str, *faults: InjectedFault) -> Scenario:
    """A shipped scenario with these faults and no others."""
    return replace(load_scenario(scenario), faults=faults)


def opening(place: str, at_s: float, for_s: float) -> InjectedFault:
    return InjectedFault("open", place, at_s=at_s, until_s=at_s + for_s)


async def _watch_in(session: Session, typed: Typed, **options: Any) -> Run:
    board = NarrowBoard(InProcessLink("sim:", session.board, asyncio.get_running_loop().time), key=7)
    board.lacks = session.lacks
    heard, profile = Heard(), gently(session.scenario.profile, options.get("only"))
    options = {"answers": YES, "tell": session.events.append, **options}
    async with GuardedBoard(board, profile, notice=session.notices.append, on_event=heard.take) as guard:
        return await run_wiggle(
            guard,
            profile,
            heard=heard,
            store=session.store,
            run_id="run-1",
            now=lambda: STARTED,
            typed=typed,
            **options,
        )


async def _power_in(session: Session, typed: Typed, **options: Any) -> Run:
    board = NarrowBoard(InProcessLink("sim:", session.board, asyncio.get_running_loop().time), key=7)
    profile = session.scenario.profile
    options = {"answers": YES, "tell": session.events.append, **options}
    async with GuardedBoard(board, profile, notice=session.notices.append) as guard:
        return await run_power(
            guard, profile, store=session.store, run_id="run-1", now=lambda: STARTED, typed=typed, **options
        )


def _play(session: Session, work: Callable[..., Any], script: Script | None, options: dict[str, Any]) -> Session:
    async def main() -> None:
        typed = Typed()
        task = asyncio.get_running_loop().create_task(work(session, typed, **options))
        if script is None:
            await task
        else:
            await script(task, typed)
            await asyncio.wait({task})

    run_virtual(main())
    return session


def wiggle(scenario: str | Scenario, script: Script | None = None, *, board: Any = None, **options: Any) -> Session:
    """A whole wiggle test; ``script`` acts beside it."""
    session = on_simulator(scenario)
    session.board = board or session.board
    return _play(session, _watch_in, script, options)


def power(scenario: str | Scenario, script: Script | None = None, **options: Any) -> Session:
    """Lasting power; ``script`` acts beside it."""
    return _play(on_simulator(scenario), _power_in, script, options)


def result(session: Session) -> StepResult:
    """The one step."""
    (step,) = session.run.steps
    return step


def values(session: Session) -> dict[str, float | None]:
    return {value.name: value.value for value in result(session).values}


def changes(session: Session, circuit: str) -> list[tuple[str, float]]:
    """What was told of a circuit, with the board's time."""
    return [(e.what, e.board_s) for e in session.events if isinstance(e, Changed) and e.circuit == circuit]
