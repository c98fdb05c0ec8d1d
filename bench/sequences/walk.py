"""The walk-round: each circuit lit in turn and watched, while somebody goes round and looks."""

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count

from bench.contract.readings import Snapshot
from bench.contract.table import Capability, ChannelState
from bench.errors import InputError
from bench.events import Cautioned, Listener, StepStarted, ignore
from bench.profiles.model import Circuit, Profile
from bench.results import Run, StepResult, Value, Verdict, worst
from bench.safety import Denied, GuardedBoard
from bench.sequences.cautions import SUPPLY, before_power, clear_to_power
from bench.sequences.circuits import judge_current
from bench.sequences.drawing import Drawing
from bench.sequences.inspection import Inspection, reading_of
from bench.sequences.ledger import Ledger, RunStore, new_run, why
from bench.sequences.operator import Answer, Operator, Prepared, is_yes
from bench.sequences.settle import settle
from bench.sequences.values import judged

STEP = "walk-round"
LOOK_EVERY_S = 0.25


async def run_walk(
    guard: GuardedBoard,
    profile: Profile,
    *,
    store: RunStore,
    run_id: str,
    now: Callable[[], datetime],
    board_url: str = "",
    seconds: float = 10.0,
    rounds: int | None = None,
    only: Collection[str] | None = None,
    answers: Mapping[str, Answer] | None = None,
    operator: Operator | None = None,
    tell: Listener = ignore,
    command: str = "walk",
    unit_number: str | None = None,
    vin: str | None = None,
    operator_name: str | None = None,
) -> Run:
    """Light each circuit in turn, round after round; each round is a step of the record.

    Args:
        guard: entered, with the same profile.
        profile: whose circuits are lit.
        store: gets each round as it ends.
        run_id: of the new record.
        now: wall clock, aware.
        board_url: for the record.
        seconds: how long each circuit stays lit, board time.
        rounds: how many; None goes on until stopped.
        only: names of the circuits, all when None.
        answers: to the operator's questions, by key.
        operator: asked for the rest.
        tell: gets every event.
        command: for the record.
        unit_number: for the record, like the next two.
        vin: vehicle identification number.
        operator_name: who walks round.

    Raises:
        InputError: an unknown circuit; nothing was switched.
        BenchError: the walk could not go on; outputs are off and the record is closed.
    """
    circuits = _chosen(profile, only)
    run = new_run(
        guard, profile, run_id, now(), board_url, command, unit_number=unit_number, vin=vin, operator=operator_name
    )
    ledger = Ledger(run, guard, store, tell)
    walk = _Walk(Inspection(guard, profile, tell, STEP), circuits, seconds)
    try:
        async with guard.interruptible():
            await ledger.begin((STEP,))
            reason = await walk.why_not(Prepared(answers or {}, operator))
            if reason is not None:
                await ledger.add(StepResult(STEP, "Walk-round", Verdict.NOT_TESTED, 0.0, 0.0, reason=reason))
                return await ledger.complete()
            for number in _numbers(rounds):
                tell(StepStarted(STEP, f"Round {number}", number, rounds or 0))
                await ledger.add(await walk.round(number))
            return await ledger.complete()
    except BaseException as error:
        await ledger.cut_short(error, walk.unfinished(error))
        raise


def _chosen(profile: Profile, only: Collection[str] | None) -> list[Circuit]:
    names = [circuit.name for circuit in profile.circuits]
    for name in only or ():
        if name not in names:
            raise InputError(f"there is no circuit {name!r}: the circuits are {', '.join(names)}")
    return [circuit for circuit in profile.circuits if only is None or circuit.name in only]


def _numbers(rounds: int | None) -> Iterator[int]:
    return iter(range(1, rounds + 1)) if rounds is not None else count(1)


@dataclass
class _Walk:
    inspection: Inspection
    circuits: list[Circuit]
    seconds: float
    so_far: StepResult | None = None

    async def why_not(self, operator: Operator) -> str | None:
        """Cautions and the question; why circuits must not be lit, or None."""
        profile = self.inspection.profile
        for text in (SUPPLY, *before_power(profile)):
            self.inspection.tell(Cautioned(STEP, text))
        if not self.inspection.can(Capability.CURRENT_LIMIT):
            return "the board has no current limit"
        question = clear_to_power(profile)
        return (
            None if is_yes(await operator.ask(question)) else f"not answered with yes ({question.key}): {question.text}"
        )

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
