"""The last ten milliseconds, so that a snapshot is a mean and not a moment."""

from collections import deque
from dataclasses import fields
from operator import attrgetter

from firmware_sim.port import Truth

DEPTH_TICKS = 10
_PER_PIN = ("pin_v", "pin_a", "far_v")
_SINGLE = tuple(f.name for f in fields(Truth) if f.name not in (*_PER_PIN, "time_s", "limiting"))
_singles = attrgetter(*_SINGLE)


class History:
    """True values at the last ticks, one a millisecond."""

    def __init__(self, now: Truth) -> None:
        self._ticks: deque[Truth] = deque([now], maxlen=DEPTH_TICKS)

    def add(self, truth: Truth, ticks: int) -> None:
        """``truth`` has held for the last ``ticks``."""
        if ticks == 1:
            self._ticks.append(truth)
        else:
            self._ticks.extend([truth] * min(ticks, DEPTH_TICKS))

    def mean(self, ticks: int) -> tuple[Truth, int]:
        """Mean of the last ``ticks`` (at most 10) values, and how many there were."""
        last = list(self._ticks)[-ticks:]
        if all(truth is last[-1] for truth in last):
            return last[-1], ticks
        return _mean(last), len(last)


def _mean(truths: list[Truth]) -> Truth:
    """Column by column of all values in a row: a snapshot is taken twenty times a second."""
    last, width = truths[-1], len(truths[-1].pin_v)
    share = 1 / len(truths)
    means = [sum(column) * share for column in zip(*map(_row, truths), strict=True)]
    single = dict(zip(_SINGLE, means[2 * width :], strict=False))
    return Truth(
        time_s=last.time_s, limiting=last.limiting, pin_v=tuple(means[:width]), pin_a=tuple(means[width : 2 * width]),
        far_v=tuple(means[2 * width + len(_SINGLE) :]), **single,
    )  # fmt: skip


def _row(truth: Truth) -> tuple[float, ...]:
    return (*truth.pin_v, *truth.pin_a, *_singles(truth), *truth.far_v)
