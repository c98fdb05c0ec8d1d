"""Fast recordings of analogue inputs: by the board's own clock where it can, otherwise as fast as the link allows.

A board with a capture memory for its inputs samples evenly whatever the wire does; what it holds is read
when the movement is over. Without one every snapshot is a sample, and a slow wire makes few of them.
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from bench.contract.readings import Snapshot
from bench.contract.table import Capability
from bench.safety import GuardedBoard
from bench.sequences.inspection import Inspection

RATE_HZ = 500
LOOK_S = 0.02  # between looks while the board records by itself
Until = Callable[[Snapshot], bool]


@dataclass(frozen=True, slots=True)
class Recording:
    """Samples of inputs by number, at the board's clock."""

    time_s: tuple[float, ...]
    values: dict[int, tuple[float, ...]]


class Recorder(Protocol):
    """A recording that has begun."""

    async def watch(self, longest_s: float, until: Until | None = None, after_s: float = 0.0) -> None:
        """Let it go on for ``longest_s``, or until ``after_s`` beyond the first look that ``until`` says yes to."""

    async def take(self) -> Recording:
        """End it; what was recorded."""


async def record(inspection: Inspection, inputs: Sequence[int], longest_s: float) -> Recorder:
    """Begin to record these inputs, for at most so long."""
    guard = inspection.guard
    if Capability.AIR_CAPTURE not in guard.capabilities:
        return _ByLooking(guard, tuple(inputs))
    room = guard.identity.capture_samples // len(inputs)
    rate_hz = min(RATE_HZ, int(room / longest_s))
    await guard.record_air(inputs, rate_hz, min(round(longest_s * rate_hz) + 1, room))
    return _ByBoard(guard)


class _ByBoard:
    def __init__(self, guard: GuardedBoard) -> None:
        self._guard = guard

    async def watch(self, longest_s: float, until: Until | None = None, after_s: float = 0.0) -> None:
        seen = await self._guard.snapshot()
        end_s = seen.uptime_s + longest_s
        while seen.uptime_s < end_s:
            if until is not None and until(seen):
                end_s, until = min(end_s, seen.uptime_s + after_s), None
            seen = await self._guard.wait(min(LOOK_S, max(end_s - seen.uptime_s, 0.0)), since=seen)
            self._guard.air.check()

    async def take(self) -> Recording:
        held = await self._guard.air_capture()
        count = min((len(values) for values in held.values.values()), default=0)
        began_s = held.started_us * 1e-6
        times_s = tuple(began_s + i * held.dt_s for i in range(count))
        return Recording(times_s, {number: tuple(map(float, values)) for number, values in held.values.items()})


class _ByLooking:
    def __init__(self, guard: GuardedBoard, inputs: tuple[int, ...]) -> None:
        self._guard, self._inputs = guard, inputs
        self._seen: list[Snapshot] = []

    async def watch(self, longest_s: float, until: Until | None = None, after_s: float = 0.0) -> None:
        seen = await self._guard.snapshot()
        end_s = seen.uptime_s + longest_s
        while seen.uptime_s < end_s:
            self._seen.append(seen)
            if until is not None and until(seen):
                end_s, until = min(end_s, seen.uptime_s + after_s), None
            seen = await self._guard.snapshot()
            self._guard.air.check()

    async def take(self) -> Recording:
        await asyncio.sleep(0)
        values = {number: tuple(float(seen.air[number - 1]) for seen in self._seen) for number in self._inputs}
        return Recording(tuple(seen.uptime_s for seen in self._seen), values)
