"""Waiting in board time: for lamps to settle, and for pins to let go of their charge.

Settled, by a rule without a model: the sum of the currents changed by less than half a percent
over 40 ms, or 400 ms are over. A channel at its current limit has not settled; one that has
tripped never will. With a recording at hand the model of the inrush says early where the current
will end; then it is enough to be near.

The input capacitor of an LED lamp or a control unit holds what a pin was fed with, for tenths of
a second or many seconds. A voltage read on such a pin would look like a connection.
"""

from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass

from bench.contract.readings import Snapshot
from bench.contract.table import ChannelState
from bench.safety import GuardedBoard

POLL_S = 0.018
CALM_OVER_S = 0.038  # two polls, with what their exchanges take
CALM_SHARE = 0.005
NOISE_A = 0.004  # of a mean over 10 ms: below it nothing can be called a change
LONGEST_S = 0.4
FORETELL_AFTER_S = 0.12
NEAR_SHARE = 0.03
MEAN_S = 0.012  # snapshot values are means of the last 10 ms
CHARGED_V = 0.03
FALLS_TO = 0.9  # in one poll: slower than that is not worth waiting for
DISCHARGE_TRIES = 10
BUSY = frozenset({ChannelState.RAMP, ChannelState.LIMIT, ChannelState.RETRY})

Foretell = Callable[[], Awaitable[float | None]]


@dataclass(frozen=True, slots=True)
class Settled:
    """How a wait ended.

    Attributes:
        seen: the last snapshot.
        limited, tripped: channels that were at their limit, or tripped, on the way.
        steady_a: where the current will end, when a model said so before it was there.
    """

    seen: Snapshot
    limited: frozenset[int]
    tripped: frozenset[int]
    steady_a: float | None = None


async def settle(
    guard: GuardedBoard,
    channels: Collection[int],
    *,
    least_s: float = 0.0,
    longest_s: float = LONGEST_S,
    foretell: Foretell | None = None,
) -> Settled:
    """Wait until the current of ``channels`` has settled.

    Args:
        guard: the board.
        channels: those just driven.
        least_s: wait at least this long, for loads that start in steps.
        longest_s: wait no longer than this.
        foretell: asked once, when there is enough to tell: where the current will end.
    """
    limited: set[int] = set()
    past: list[tuple[float, float]] = []
    steady_a: float | None = None
    while True:
        seen = await guard.wait(POLL_S)
        states = {number: seen.channel(number).state for number in channels}
        limited |= {number for number, state in states.items() if state is ChannelState.LIMIT}
        tripped = frozenset(number for number, state in states.items() if state is ChannelState.TRIPPED)
        past.append((seen.uptime_s, sum(seen.channel(number).current_a for number in channels)))
        passed_s = seen.uptime_s - past[0][0]
        busy = passed_s < least_s or any(state in BUSY for state in states.values())
        over = len(tripped) == len(states) or passed_s >= longest_s
        if over or (not busy and (_calm(past) or _near(past, steady_a))):
            return Settled(seen, frozenset(limited | tripped), tripped, steady_a)
        if foretell is not None and not busy and passed_s >= FORETELL_AFTER_S:
            steady_a, foretell = await foretell(), None


def _calm(past: list[tuple[float, float]]) -> bool:
    now_s, now_a = past[-1]
    before = [amps for then_s, amps in past if now_s - then_s >= CALM_OVER_S]
    return bool(before) and abs(now_a - before[-1]) < CALM_SHARE * abs(now_a) + NOISE_A


def _near(past: list[tuple[float, float]], steady_a: float | None) -> bool:
    return steady_a is not None and abs(past[-1][1] - steady_a) < NEAR_SHARE * steady_a


async def discharge(guard: GuardedBoard) -> Snapshot:
    """With nothing fed, wait for pins whose charge falls quickly; a snapshot of what is left."""
    before = await guard.wait(MEAN_S)
    for _ in range(DISCHARGE_TRIES):
        if not any(channel.voltage_v > CHARGED_V for channel in before.channels):
            return before
        now = await guard.wait(POLL_S)
        pairs = zip(before.channels, now.channels, strict=True)
        if not any(CHARGED_V < after.voltage_v < FALLS_TO * earlier.voltage_v for earlier, after in pairs):
            return now
        before = now
    return before
