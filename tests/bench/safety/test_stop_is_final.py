"""No sequence of events leads to an output on while a stop is pressed, not even on a board that protects nothing."""

import asyncio
from contextlib import suppress

from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import Return
from bench.errors import BenchError
from bench.safety.guard import GuardedBoard
from bench.virtual_time import run_virtual
from tests.bench.safety.fake_board import FakeBoard, small_profile

KNOWN_WITHIN_S = 0.1

EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("drive"), st.integers(1, 3)),
        st.tuples(st.just("probe"), st.integers(1, 3)),
        st.tuples(st.just("pulse"), st.integers(1, 3)),
        st.tuples(st.just("wiggle"), st.integers(1, 3)),
        st.tuples(st.just("off"), st.integers(1, 3)),
        st.tuples(st.just("returns"), st.integers(0, 3)),
        st.tuples(st.just("wait"), st.integers(0, 400)),
        st.tuples(st.just("press"), st.just(0)),
        st.tuples(st.just("let go"), st.just(0)),
        st.tuples(st.just("stop"), st.just(0)),
    ),
    max_size=25,
)


class Observed(FakeBoard):
    """Knows since when the stop has been pressed, and looks at its outputs at every exchange."""

    def __init__(self, protects: bool) -> None:
        super().__init__(protects=protects)
        self.pressed_s: float | None = None
        self.on_too_late: list[float] = []

    async def _exchange(self, text: str | None = None) -> None:
        await super()._exchange(text)
        late = self.pressed_s is not None and self._now() - self.pressed_s > KNOWN_WITHIN_S
        if late and self.on:
            self.on_too_late.append(self._now())


async def act(board: Observed, guard: GuardedBoard, what: str, number: int) -> None:
    match what:
        case "drive" | "probe" | "pulse" | "wiggle":
            await getattr(guard, what)(number)
        case "off":
            await guard.off([number])
        case "returns":
            await guard.returns(Return(number))
        case "wait":
            await guard.wait(number / 1000)
        case "press":
            board.emergency_stop = True
            board.pressed_s = board.pressed_s or board._now()
        case "let go":
            board.emergency_stop, board.pressed_s = False, None
        case "stop":
            await guard.stop("test")


async def live_through(board: Observed, events: list[tuple[str, int]]) -> None:
    async def body() -> None:
        async with GuardedBoard(board, small_profile()) as guard:
            for what, number in events:
                try:
                    await act(board, guard, what, number)
                except BenchError:
                    continue  # a stubborn body: goes on asking
            await asyncio.sleep(0.3)

    with suppress(BenchError):
        await body()
    assert board.on == set()
    assert board.on_too_late == []


@settings(max_examples=150, deadline=None)
@given(events=EVENTS, protects=st.booleans())
def test_no_sequence_of_events_leaves_an_output_on_while_a_stop_is_pressed(events, protects):
    run_virtual(live_through(Observed(protects), events))
