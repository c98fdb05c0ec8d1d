"""For whoever builds a board: is it one of the contract, and how exact is it?"""

import asyncio
from collections.abc import Awaitable, Callable, Collection
from dataclasses import replace
from typing import Unpack

from bench.app.session import Session
from bench.app.simulated import played_by, simulated_link
from bench.contract.readings import Identity, Snapshot
from bench.errors import InputError
from bench.link import Board, BoardUrl, Link, open_link, parse_board_url
from bench.link.conformance import CheckResult, Conformance, DummyLoad, Level, run_conformance
from bench.link.conformance.rig import nobody
from bench.results import Run
from bench.safety.way_out import finish
from bench.sequences.attended import Labels
from bench.sequences.calibrate import CalibrationPlan, fixture, run_calibration

HIGHEST_12_V = 17.0
DUMMY_SCENARIO = "dummy-load"  # what ``sim:`` alone plays here


def with_dummy_load(url: str) -> str:
    """The board's URL; ``sim:`` alone has a dummy load plugged in here."""
    return f"sim:{DUMMY_SCENARIO}" if url == "sim:" else url


def bare_link(where: BoardUrl) -> Link:
    """A link to a board by itself, not opened yet.

    Raises:
        InputError: the scenario is wrong.
    """
    scenario = played_by(where)
    return simulated_link(where, scenario) if scenario else open_link(where)


async def conformance(
    url: str,
    *,
    levels: Collection[Level],
    only: Collection[str] | None = None,
    load: DummyLoad | None = None,
    ask: Callable[[str], Awaitable[bool]] = nobody,
    tell: Callable[[CheckResult], None] = lambda _: None,
) -> Conformance:
    """Hold the board at ``url`` to the contract; see :func:`bench.link.conformance.run_conformance`."""
    where = parse_board_url(with_dummy_load(url))
    return await run_conformance(
        bare_link(where), where.scheme, levels=levels, only=only, load=load, ask=ask, tell=tell
    )


async def calibrate(session: Session, plan: CalibrationPlan, **labels: Unpack[Labels]) -> Run:
    """Calibrate the board of ``session``, and let it keep the corrections.

    Raises:
        InputError: an answer is no number, or the board has no such channel; nothing is kept.
        BenchError: it could not go on; outputs are off and the record is closed.
    """
    for n in plan.channels:
        if n > session.identity.channels:
            raise InputError(f"the board has channels 1..{session.identity.channels}, there is no channel {n}")
    nominal_v = 24 if (await session.snapshot()).supply_v > HIGHEST_12_V else 12
    around = session.surroundings(labels)
    dated = replace(plan, date=around["now"]().date().isoformat())
    async with session.guarded(fixture(dated, nominal_v)) as (guard, profile):
        return await run_calibration(guard, profile, dated, **around)


async def monitor(
    url: str, show: Callable[[Identity, Snapshot], None], *, every_s: float = 0.2, seconds: float | None = None
) -> None:
    """Show every quantity of a board again and again; claims nothing and switches nothing.

    Args:
        url: of the board.
        show: gets who the board is, and each snapshot.
        every_s: seconds from one snapshot to the next.
        seconds: how long; None until cancelled.
    """
    board = Board(bare_link(parse_board_url(url)))
    loop = asyncio.get_running_loop()
    identity = await board.open()
    try:
        begun_s = due_s = loop.time()
        while seconds is None or due_s <= begun_s + seconds:
            show(identity, await board.snapshot())
            due_s = max(due_s + every_s, loop.time())
            await asyncio.sleep(due_s - loop.time())
    finally:
        await finish(board.close())
