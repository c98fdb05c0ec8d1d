"""Waiting in board time: for lamps to settle, and for pins to let go of their charge.

Settled, by a rule without a model: no current changed by more than half a percent over 40 ms,
or a second is over. A channel at its current limit has not settled; one that has
tripped never will.

Nearly settled is enough where the end can be told: a filament's current approaches its end like a
decaying exponential, so three readings at equal steps say where that is (Aitken's delta-squared
process, any text on numerical analysis). Within 4 % of it, the end is known to half a percent, a
tenth of a second before it is reached.

The input capacitor of an LED lamp or a control unit holds what a pin was fed with, for tenths of
a second or many seconds. A voltage read on such a pin would look like a connection.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from bench.contract.readings import Snapshot
from bench.contract.table import ChannelState
from bench.safety import GuardedBoard

POLL_S = 0.018
CALM_OVER_S = 0.038  # two polls, with what their exchanges take
CALM_SHARE = 0.005
NOISE_A = 0.004  # of a mean over 10 ms: below it nothing can be called a change
LONGEST_S = 1.0  # lamps behind a bad contact heat slowly
UNIT_STARTS_S = 0.4  # a control unit takes its current in steps after it starts
NEAR_SHARE = 0.07
UNEVEN_SHARE = 0.1  # of a step
AGREE_SHARE = 0.01
LARGEST_RATIO = 0.8  # of two changes, one step apart: above it the end is too far to tell
MEAN_S = 0.012  # snapshot values are means of the last 10 ms
CHARGED_V = 0.03
EMPTY_V = 0.008  # less can't be told from the offset of a reading
FALLS_TO = 0.9  # in one poll: slower than that is not worth waiting for
DISCHARGE_TRIES = 10
BUSY = frozenset({ChannelState.RAMP, ChannelState.LIMIT, ChannelState.RETRY})

Past = list[tuple[float, float]]  # board clock (s), current (A)


@dataclass(frozen=True, slots=True)
class Settled:
    """How a wait ended.

    Attributes:
        seen: the last snapshot.
        limited, tripped: channels that were at their limit, or tripped, on the way.
        steady_a: where each channel's current will end; what it is now, where that is not known.
        at_rest: where every current ends is known.
    """

    seen: Snapshot
    limited: frozenset[int]
    tripped: frozenset[int]
    steady_a: Mapping[int, float]
    at_rest: bool = True


async def settle(
    guard: GuardedBoard,
    channels: Collection[int],
    *,
    least_s: float = 0.0,
    longest_s: float = LONGEST_S,
    nearly: bool = False,
) -> Settled:
    """Wait until the current of ``channels`` has settled.

    Args:
        guard: the board.
        channels: those just driven.
        least_s: wait at least this long, for loads that start in steps.
        longest_s: wait no longer than this.
        nearly: stop as soon as the end can be told.
    """
    limited: set[int] = set()
    past: dict[int, Past] = {number: [] for number in channels}
    seen = await guard.fresh()
    began_s = seen.uptime_s
    while True:
        seen = await guard.wait(POLL_S, since=seen)
        states = {number: seen.channel(number).state for number in channels}
        limited |= {number for number, state in states.items() if state is ChannelState.LIMIT}
        tripped = frozenset(number for number, state in states.items() if state is ChannelState.TRIPPED)
        for number, readings in past.items():
            readings.append((seen.uptime_s, seen.channel(number).current_a))
        ends = {number: _end(readings, nearly=nearly) for number, readings in past.items() if number not in tripped}
        passed_s = seen.uptime_s - began_s
        busy = passed_s < least_s or any(state in BUSY for state in states.values())
        if passed_s >= longest_s or not ends or (not busy and None not in ends.values()):
            steady_a = {number: seen.channel(number).current_a if end is None else end for number, end in ends.items()}
            return Settled(seen, frozenset(limited | tripped), tripped, steady_a, None not in ends.values())


def _end(past: Past, *, nearly: bool) -> float | None:
    """Where a current will end, if that can be told: here, or near enough."""
    if _calm(past):
        return past[-1][1]
    return _foretold(past) if nearly else None


def _calm(past: Past) -> bool:
    now_s, now_a = past[-1]
    before = [amps for then_s, amps in past if now_s - then_s >= CALM_OVER_S]
    return bool(before) and abs(now_a - before[-1]) < CALM_SHARE * abs(now_a) + NOISE_A


def _foretold(past: Past) -> float | None:
    """Where a falling current will end, if that is near and the last two readings agree on it."""
    end_a, before_a = _extrapolated(past), _extrapolated(past[:-1])
    if end_a is None or before_a is None or abs(end_a - before_a) > AGREE_SHARE * end_a:
        return None
    return end_a if past[-1][1] - end_a < NEAR_SHARE * end_a else None


def _extrapolated(past: Past) -> float | None:
    """Where the last reading and two before it, two polls apart, say that a falling current ends."""
    if len(past) < 5:
        return None
    (first_s, first_a), (middle_s, middle_a), (now_s, now_a) = (past[i] for i in (-5, -3, -1))
    if abs((now_s - middle_s) - (middle_s - first_s)) > UNEVEN_SHARE * (now_s - middle_s):
        return None  # a hiccup of the link or the computer: the process needs equal steps
    earlier, later = middle_a - first_a, now_a - middle_a
    if not (earlier < -NOISE_A and LARGEST_RATIO * earlier < later < 0):
        return None
    return aitken(first_a, middle_a, now_a)


def aitken(first: float, middle: float, last: float) -> float:
    """Limit of a sequence that converges linearly, from three of its members in a row (not evenly spaced)."""
    return last - (last - middle) ** 2 / (last - 2 * middle + first)


async def discharge(guard: GuardedBoard, to_v: float = CHARGED_V) -> Snapshot:
    """With nothing fed, wait for pins whose charge falls quickly to ``to_v``; a snapshot of what is left."""
    before = await guard.wait(MEAN_S)
    for _ in range(DISCHARGE_TRIES):
        if not any(channel.voltage_v > to_v for channel in before.channels):
            return before
        now = await guard.wait(POLL_S, since=before)
        pairs = zip(before.channels, now.channels, strict=True)
        if not any(to_v < after.voltage_v < FALLS_TO * earlier.voltage_v for earlier, after in pairs):
            return now
        before = now
    return before
