"""Sequences written in tests, run on the simulator in virtual time, and all that they leave behind."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.errors import BenchError
from bench.events import Event
from bench.link.board import Board
from bench.link.inprocess import InProcessLink
from bench.profiles import load_scenario
from bench.profiles.model import Scenario
from bench.profiles.sequence_model import Sequence
from bench.profiles.sequences import sequence_of
from bench.profiles.source import Document, parse_yaml
from bench.results import Run, StepResult, Value
from bench.safety import GuardedBoard
from bench.sequences.operator import Answer, Operator
from bench.sequences.scripted import Script, run_script, run_sequence
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import STARTED, YES, LoggedSimulator, MemoryStore

HEAD = "title: made for a test\nprofile: machine-door\n"


def sequence(steps: str, given: Mapping[str, float] | None = None) -> Sequence:
    """A sequence on the door harness."""
    text = steps if "profile:" in steps else HEAD + steps
    data, lines = parse_yaml(text, "test.yaml")
    return sequence_of(Document(Path("test.yaml"), "test.yaml", data, lambda: lines), given)


@dataclass
class Played:
    """What a run left."""

    board: LoggedSimulator
    store: MemoryStore
    events: list[Event] = field(default_factory=list)
    attached: dict[str, Any] = field(default_factory=dict)
    error: BaseException | None = None

    @property
    def run(self) -> Run:
        assert self.store.run
        return self.store.run

    def step(self, name: str) -> StepResult:
        return next(step for step in self.run.steps if step.step == name)

    def value(self, name: str) -> Value:
        return next(value for step in self.run.steps for value in step.values if value.name == name)


Act = Callable[[GuardedBoard], object]


def play(
    what: Sequence | Script,
    scenario: str | Scenario = "lab-door",
    *,
    answers: Mapping[str, Answer] | None = YES,
    operator: Operator | None = None,
    resume: Mapping[str, Any] | None = None,
    before: Mapping[int, Callable[[], object]] | None = None,
    cancel_at_s: float | None = None,
    expect: type[BaseException] | tuple[type[BaseException], ...] | None = None,
) -> Played:
    """A whole run; an error is kept when it is expected."""
    loaded = load_scenario(scenario) if isinstance(scenario, str) else scenario
    board = LoggedSimulator(loaded)
    board.before_exchange.update(before or {})
    played = Played(board, MemoryStore(board.on))

    async def attach(_run_id: str, name: str, document: Mapping[str, Any]) -> None:
        played.attached[name] = document

    async def main() -> None:
        raw = Board(InProcessLink("sim:", board, asyncio.get_running_loop().time), key=7)
        around: Any = {
            "store": played.store,
            "run_id": "run-1",
            "now": lambda: STARTED,
            "answers": answers,
            "operator": operator,
            "tell": played.events.append,
        }
        async with GuardedBoard(raw, loaded.profile) as guard:
            if isinstance(what, Sequence):
                await run_sequence(guard, what, resume=resume, attach=attach, **around)
            else:
                await run_script(guard, loaded.profile, what, **around)

    async def cut() -> None:
        task = asyncio.ensure_future(main())
        if cancel_at_s is not None:
            asyncio.get_running_loop().call_later(cancel_at_s, task.cancel)
        await task

    try:
        run_virtual(cut())
    except (BenchError, asyncio.CancelledError) as error:
        if expect is None or not isinstance(error, expect):
            raise
        played.error = error
    assert expect is None or played.error is not None
    board.assert_everything_off()
    return played
