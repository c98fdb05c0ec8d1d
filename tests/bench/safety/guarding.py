"""A guarded board on the fake board, for the tests of both ways."""

from collections.abc import Awaitable, Callable

from bench.safety.guard import GuardedBoard
from bench.virtual_time import run_virtual
from tests.bench.safety.fake_board import FakeBoard, small_profile

STOP, TAIL, TURN = 1, 2, 3


def guarded(board: FakeBoard, **options: object) -> GuardedBoard:
    return GuardedBoard(board, small_profile(), **options)


async def light_up(guard: GuardedBoard) -> None:
    await guard.drive(STOP)
    await guard.drive(TURN)
    await guard.wait(0.2)


def assert_off_and_released(board: FakeBoard) -> None:
    assert board.on == set()
    assert board.said("safe"), "SAFE was sent"
    assert board.said("release")[-1] >= board.said("safe")[0]
    assert board.log[-1][1] == "all-off release"


def on_a_board(body: Callable[[GuardedBoard], Awaitable[object]], board: FakeBoard | None = None, **options: object):
    board = board or FakeBoard()

    async def main() -> FakeBoard:
        async with guarded(board, **options) as guard:
            await body(guard)
        return board

    return run_virtual(main())
