"""The walk-round: each circuit lit in turn and watched, while somebody goes round and looks."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from itertools import count
from typing import Unpack

from bench.contract.readings import Snapshot
from bench.contract.table import ChannelState
from bench.events import StepStarted, ignore
from bench.profiles.model import Circuit, Profile
from bench.results import Run, StepResult, Value, Verdict, worst
from bench.safety import Denied, GuardedBoard
from bench.sequences.attended import Surroundings, attend, chosen
from bench.sequences.circuits import judge_current
from bench.sequences.drawing import Drawing
from bench.sequences.inspection import Inspection, reading_of
from bench.sequences.ledger import Ledger, why
from bench.sequences.settle import settle
from bench.sequences.values import judged

STEP = "walk-round"
LOOK_EVERY_S = 0.25


async def run_walk(
    guard: GuardedBoard,
    profile: Profile,
    *,
    seconds: float = 10.0,
    rounds: int | None = None,
    only: Collection[str] | None = None,
    **around: Unpack[Surroundings],
) -> Run:
    """Light each circuit in turn, round after round; each round is a step of the record.

    Args:
        guard: entered, with the same profile.
        profile: whose circuits are lit.
        seconds: how long each circuit stays lit, board time.
        rounds: how many; None goes on until stopped.
        only: names of the circuits, all when None.
        around: what the session gives.

    Raises:
        InputError: an unknown circuit; nothing was switched.
        BenchError: the walk could not go on; outputs are off and the record is closed.
    """
    walk = _Walk(Inspection(guard, profile, around.get("tell", ignore), STEP), chosen(profile, only), seconds, rounds)
    return await attend(walk.inspection, "walk", "Walk-round", walk.rounds_in, walk.unfinished, **around)


def _numbers(rounds: int | None) -> Iterator[int]:
    return iter(range(1, rounds + 1)) if rounds is not None else count(1)


@dataclass
class _Walk:
    inspection: Inspection
    circuits: list[Circuit]
    seconds: float
    rounds: int | None
    so_far: StepResult | None = None

    async def rounds_in(self, ledger: Ledger) -> None:
        """Round after round, each a step of the record."""
        for number in _numbers(self.rounds):
            self.inspection.tell(StepStarted(STEP, f"Round {number}", number, self.rounds or 0))
            await ledger.add(await self.round(number))

    async def round(self, number: int) -> StepResult:
        """Light every circuit once."""
        seen = await self.inspection.guard.snapshot()
        result = StepResult(STEP, f"Round {number}", Verdict.NOT_TESTED, seen.uptime_s, 0.0)
        for circuit in self.circuits:
            self.so_far = result
            value, ended_s = await self._light(circuit)
            result = replace(result, values=(*result.values, value), duration_s=ended_s - result.started_s)
        self.so_far = None
        return replace(result, verdict=worst(value.verdict for value in result.values))

    async def _light(self, circuit: Circuit) -> tuple[Value, float]:
        guard, channel = self.inspection.guard, self.inspection.channel(circuit)
        name = f"{circuit.name} current"
        try:
            await guard.drive(channel)
        except Denied as denied:
            seen = await guard.snapshot()
            self.inspection.progress(seen, str(denied), circuit)
            return judged(name, None, "A"), seen.uptime_s
        seen = await self._watch(circuit, (await settle(guard, [channel])).seen)
        await guard.off([channel])
        reading = seen.channel(channel)
        if reading.state is ChannelState.TRIPPED:
            return judged(name, None, "A", source="the board switched it off by itself"), seen.uptime_s
        drawn = Drawing(self.inspection.measurements()).of(reading_of(self.inspection, "drive", (circuit,), seen))
        return judge_current(self.inspection, circuit, reading.current_a, drawn.pin_a[circuit.pin]), seen.uptime_s

    async def _watch(self, circuit: Circuit, seen: Snapshot) -> Snapshot:
        """Keep looking until the time is over or the board has tripped; the last look with the lamp on."""
        guard, channel = self.inspection.guard, self.inspection.channel(circuit)
        until_s = seen.uptime_s + self.seconds
        while seen.uptime_s < until_s and seen.channel(channel).state is not ChannelState.TRIPPED:
            self.inspection.progress(seen, "lit", circuit)
            seen = await guard.wait(min(LOOK_EVERY_S, until_s - seen.uptime_s))
        return seen

    def unfinished(self, error: BaseException) -> StepResult | None:
        """The round that was cut short, with what it had."""
        if self.so_far is None:
            return None
        return replace(self.so_far, reason=f"cut short: {why(error)}")
