"""One time base for boards with clocks of their own.

Each answer of a board says what its clock showed at some moment between question and answer. The middle is the best
guess and half the round trip the bound of its error (Cristian, Distributed Computing 3 (1989) 146; from memory). A
quick exchange says more than a slow one, so a straight line through the recent ones, weighted by their round trips,
gives the offset and the rate of a clock against the loop's; two such lines bring one board's time to another's.
"""

from collections import deque

import numpy as np

KEPT = 64
SHORTEST_BASELINE_S = 5.0  # below it a rate can't be told from jitter, and crystals agree to a tenth of a millisecond
SHORTEST_TRIP_S = 1e-4


class ClockLine:
    """A board's clock beside the loop's, from exchanges."""

    def __init__(self) -> None:
        self._past: deque[tuple[float, float, float]] = deque(maxlen=KEPT)

    def note(self, asked_s: float, answered_s: float, board_s: float) -> None:
        """Take an exchange: loop time of question and answer, and the board's clock between them."""
        middle_s = (asked_s + answered_s) / 2
        self._past.append((middle_s, board_s - middle_s, max(answered_s - asked_s, SHORTEST_TRIP_S)))

    @property
    def uncertain_s(self) -> float:
        """Half of the quickest round trip: the offset is known no worse."""
        return min(trip_s for _, _, trip_s in self._past) / 2

    def _line(self) -> tuple[float, float, float]:
        """Offset at a loop time, and its rate."""
        at, offset, trip = np.asarray(self._past, dtype=float).T
        weights = 1 / trip
        middle = float(np.average(at, weights=weights))
        if at[-1] - at[0] < SHORTEST_BASELINE_S:
            return middle, float(np.average(offset, weights=weights**2)), 0.0
        rate, here = np.polyfit(at - middle, offset, 1, w=weights)
        return middle, float(here), float(rate)

    def board_s(self, loop_s: float) -> float:
        """What the board's clock shows at a loop time."""
        middle, offset, rate = self._line()
        return loop_s + offset + rate * (loop_s - middle)

    def loop_s(self, board_s: float) -> float:
        """When the board's clock shows this."""
        middle, offset, rate = self._line()
        return (board_s - offset + rate * middle) / (1 + rate)


def common_s(own: ClockLine, first: ClockLine, board_s: float) -> float:
    """A time of one board's clock as the first board's clock has it."""
    return first.board_s(own.loop_s(board_s))
