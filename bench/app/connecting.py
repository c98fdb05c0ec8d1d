"""From a board's URL to a session with it, on the loop that suits it."""

from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from concurrent.futures import Executor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, TypeVar

from bench.app.session import Alone, Companion, Session
from bench.app.simulated import Simulated, board_of, played_by, simulated
from bench.events import Listener, ignore
from bench.keeping import recording
from bench.link import Board, BoardUrl, JoinedBoard, open_link, parse_board_url
from bench.safety.way_out import finish
from bench.sequences import Nobody, Operator
from bench.sequences.operator import Answer
from bench.virtual_time import run_virtual
from bench.wall_time import run_wall

T = TypeVar("T")


def _real(where: BoardUrl) -> Board | JoinedBoard:
    if where.joined:
        return JoinedBoard([Board(open_link(each)) for each in where.joined])
    return Board(open_link(where))


def run(url: str, main: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run ``main`` on the loop that suits the board at ``url``: virtual time for a simulated one in process."""
    if parse_board_url(url).scheme == "sim":
        return run_virtual(main())
    return run_wall(main())


@asynccontextmanager
async def connect(
    url: str,
    *,
    record: str | Path | None = None,
    tell: Listener = ignore,
    notice: Callable[[str], None] = lambda _: None,
    operator: Operator | None = None,
    answers: Mapping[str, Answer] | None = None,
    companion: Companion | None = None,
    apart: Executor | None = None,
) -> AsyncIterator[Session]:
    """A session with the board at ``url``, which is off and let go of again on every way out.

    Args:
        url: a board URL; ``sim:`` and ``sim:SCENARIO`` play a simulated board in process. Several with commas
            between them are joined as one bench.
        record: database that keeps the runs, a file or URL; None keeps none.
        tell: gets every event of a run, in order.
        notice: gets one-line remarks that stop nothing.
        operator: answers questions that ``answers`` does not; without one, what depends on a
            safety question is not tested.
        answers: to the operator's questions, by key.
        companion: goes along with every run.
        apart: where long arithmetic is done; a thread of this process by default.

    Raises:
        InputError: the URL or scenario is wrong.
        NoBoard: nothing answers.
        NotOurBoard: something else answers.
        RecordError: the database can't be used.
    """
    where = parse_board_url(url)
    scenario = played_by(where)
    async with recording(record, notice) as store:
        simulator = simulated(scenario) if scenario else None
        board = board_of(where, simulator) if simulator else _real(where)
        identity = await board.open()
        known = dict(answers or {})
        if scenario and simulator:  # what is answered about its leads must also be done
            known, operator = {}, Simulated(scenario, simulator, known, operator)
        try:
            yield Session(
                where, board, identity, store, tell, notice, operator or Nobody(), known, companion or Alone(), apart
            )
        finally:
            await finish(board.close())
