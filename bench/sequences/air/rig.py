"""What all air steps do: ask, arm, charge, hold, apply, release, and look while they wait.

Whoever applies holds the control for as long as the body of ``applying`` runs, and on every way
out of it the brakes are released. When the interlock ends a stage by itself, the next look raises.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from math import inf

from bench.contract.readings import Snapshot
from bench.contract.table import Capability
from bench.errors import BenchError, PermitDenied
from bench.profiles.air_model import PA_PER_PSI, AirQuantity, AirSystem
from bench.results import Evidence, Finding, Verdict, Where
from bench.safety import Acknowledgement, GuardedBoard, Stage
from bench.safety.interlock import ON
from bench.sequences.air.memory import Track
from bench.sequences.inspection import Inspection
from bench.sequences.operator import Question, is_yes

POLL_S = 0.2
HOLD_AGAIN_S = 0.1
TARGET_PA = 100 * PA_PER_PSI  # what the regulators are to be set to (common practice, no source)
FULL_PA = 90 * PA_PER_PSI  # charged enough to judge leaks, times and strokes
STEADY_PA_PER_S = 0.05 * PA_PER_PSI
LOW_FOR_S = 15.0  # steady for so long below FULL_PA: it won't get there
APPLIED_PA = 60 * PA_PER_PSI
APPLIES_IN_S = 5.0


class AirProblem(PermitDenied):
    """The bench, its air or its hoses are not as the step needs them: a person must look."""


SET_REGULATORS = Question(
    "regulators-set", "Set the regulators of supply and service to 100 psi (690 kPa). Done?", safety=False
)
CHOCKS = Question("chocks-set", "Are the wheels chocked, on both sides and in both directions?", lasts=False)
GLAD_HANDS = Question("glad-hands-seated", "Are both glad hands seated, and the hoses whole?", lasts=False)
CLEAR = Question(
    "clear-of-brakes",
    "Is everybody clear of wheel ends and push rods? Brakes will apply and release, also when this run ends.",
    lasts=False,
)


def system(inspection: Inspection) -> AirSystem:
    """The trailer's air.

    Raises:
        PermitDenied: the profile has none.
    """
    if inspection.profile.air is None:
        raise PermitDenied("the profile has no air system")
    return inspection.profile.air


def reading(
    inspection: Inspection, seen: Snapshot, quantity: AirQuantity, wheel_end: str | None = None
) -> float | None:
    """What the sensor of a quantity reads, in its own unit; None without a plausible one."""
    for wired in system(inspection).inputs:
        if wired.quantity == quantity and wheel_end in (None, wired.wheel_end):
            raw = float(seen.air[wired.number - 1])
            return raw if wired.low <= raw <= wired.high else None
    return None


async def look(inspection: Inspection, seconds: float = POLL_S, since: Snapshot | None = None) -> Snapshot:
    """Let time pass, then a snapshot.

    Raises:
        AirTripped: the interlock has ended the stage meanwhile.
    """
    seen = await inspection.guard.wait(seconds, since=since)
    inspection.air.note_weather(seen.uptime_s, seen.ambient_c)
    inspection.guard.air.check()
    return seen


# --- arming and charging ---


async def arm(inspection: Inspection) -> None:
    """Ask what only people can see, and arm; the answers are good for ten minutes.

    Raises:
        PermitDenied: an answer is not a plain yes, or a sensor can't be relied on.
    """
    guard = inspection.guard
    _trusted(inspection)
    for question in (CHOCKS, GLAD_HANDS, CLEAR):
        await must_be_yes(inspection, question)
    guard.air.acknowledge(Acknowledgement(True, True, True, True))
    if guard.air.state.stage in (Stage.SAFE, Stage.EMERGENCY):
        await guard.enter(Stage.SAFE)
        await _emptied(inspection)
        await guard.enter(Stage.ARMED)


def _trusted(inspection: Inspection) -> None:
    if inspection.air.distrust:
        raise PermitDenied(inspection.air.distrust)


async def must_be_yes(inspection: Inspection, question: Question) -> None:
    """Ask; anything but a plain yes ends the step.

    Raises:
        PermitDenied: it was not.
    """
    answer = await inspection.operator.ask(question)
    if not is_yes(answer):
        said = "nobody answered" if answer is None else f"the answer was {answer!r}"
        raise PermitDenied(f"{said} ({question.key}): {question.text}")


async def _emptied(inspection: Inspection) -> None:
    """Both lines are open: give what is in them a while to leave, then the interlock judges the zeros."""
    zero_pa = inspection.guard.air.thresholds.zero_pa
    for _ in range(50):
        await look(inspection)
        pressures = inspection.guard.air.pressures
        if all((value or 0.0) < zero_pa for value in (pressures.supply_pa, pressures.service_pa)):
            return


async def refresh(inspection: Inspection) -> None:
    """Ask again when what people said is about to be too old for a step."""
    _trusted(inspection)
    if inspection.guard.air.state.stage is Stage.RELEASE:  # somebody let go: what was applied is released to its end
        inspection.guard.air.understood()
        await release(inspection)
    state, limits = inspection.guard.air.state, inspection.guard.air.thresholds
    seen = await look(inspection)
    stale = state.said.missing is not None or seen.uptime_s - state.said_s > limits.acknowledged_for_s / 2
    if stale or state.stage in (Stage.SAFE, Stage.EMERGENCY):
        await arm(inspection)


async def ready(inspection: Inspection, at_least_pa: float = FULL_PA) -> None:
    """Armed, charged and closed.

    Raises:
        PermitDenied, AirTripped: it can't be.
    """
    await refresh(inspection)
    supply_pa = inspection.guard.air.pressures.supply_pa or 0.0
    if inspection.guard.air.state.stage is not Stage.HOLD or supply_pa < at_least_pa:
        await charge(inspection)


async def charge(inspection: Inspection, every_s: float = POLL_S) -> Track:
    """Fill the supply until its pressure has settled, and close it; readings ``every_s``.

    Raises:
        AirProblem: it settles too low.
        AirTripped: an open hose, too much pressure, or too long.
    """
    guard, track = inspection.guard, Track()
    await _set_regulators(inspection)
    async with holding(guard):
        await _in_hand(guard, Stage.CHARGE)
        await guard.enter(Stage.CHARGE)
        low_since_s: float | None = None
        while True:
            seen = await look(inspection, every_s)
            supply_pa, rate = guard.air.pressures.supply_pa or 0.0, guard.air.pressures.supply_rate
            track.add(seen.uptime_s, supply_pa)
            inspection.progress(seen, f"charging: {in_psi(supply_pa)}")
            steady = rate is not None and abs(rate) < STEADY_PA_PER_S
            too_low = guard.air.thresholds.open_hose_below_pa < supply_pa < FULL_PA  # below, the interlock judges
            low_since_s = (low_since_s or seen.uptime_s) if steady and too_low else None
            low = low_since_s is not None and seen.uptime_s - low_since_s > LOW_FOR_S
            if (steady and supply_pa >= FULL_PA) or low or supply_pa > guard.air.thresholds.charge_stops_pa:
                break
        await guard.enter(Stage.HOLD)
    inspection.air.filled_s, inspection.air.supply_pa = seen.uptime_s, supply_pa
    if supply_pa < FULL_PA:
        inspection.air.distrust = (
            f"the supply settles at {in_psi(supply_pa)}, below {in_psi(FULL_PA)}: "
            "raise the regulator, or look for a big leak"
        )
        raise AirProblem(inspection.air.distrust)
    return track


async def _set_regulators(inspection: Inspection) -> None:
    if Capability.REGULATOR in inspection.guard.capabilities:
        await inspection.guard.regulate("supply", TARGET_PA)
        await inspection.guard.regulate("service", TARGET_PA)
    else:
        await inspection.operator.ask(SET_REGULATORS)  # the reading decides, whatever the answer


# --- holding and applying ---


@asynccontextmanager
async def holding(guard: GuardedBoard) -> AsyncIterator[None]:
    """Hold the control while the body runs, or have a person hold it where one must."""
    if guard.air.hand is not None:
        yield
        return
    guard.air.hold()
    try:
        async with asyncio.TaskGroup() as tasks:
            keeping = tasks.create_task(_hold_on(guard), name="hold")
            try:
                yield
            finally:
                keeping.cancel()
    except BaseExceptionGroup as group:  # of one: holding itself never fails
        raise group.exceptions[0] from None


async def _in_hand(guard: GuardedBoard, stage: Stage) -> None:
    """Wait for the person who must hold the control, where one must."""
    if guard.air.hand is not None:
        await guard.air.hand.taken(stage)


async def _hold_on(guard: GuardedBoard) -> None:
    while True:
        guard.air.hold()
        await asyncio.sleep(HOLD_AGAIN_S)


@asynccontextmanager
async def applying(inspection: Inspection, at_most_s: float = inf, stage: Stage = Stage.APPLY) -> AsyncIterator[None]:
    """Brakes applied while the body runs, ``TIMED`` with the supply fed; released and closed again after it.

    Raises:
        PermitDenied: the interlock refuses, or it could not be done before.
    """
    guard = inspection.guard
    if inspection.air.cannot_apply:
        raise PermitDenied(inspection.air.cannot_apply)
    async with holding(guard):
        await _in_hand(guard, stage)
        await guard.enter(stage, at_most_s)
        try:
            yield
        except BaseException:
            with suppress(BenchError):
                await _let_go(guard)
            raise
        await release(inspection)


async def _let_go(guard: GuardedBoard) -> None:
    if guard.air.state.stage in ON:
        await guard.enter(Stage.RELEASE)


async def release(inspection: Inspection) -> None:
    """Release, wait until the service line is empty, and close.

    Raises:
        AirTripped: it does not empty in time.
    """
    guard = inspection.guard
    await _let_go(guard)
    while (guard.air.pressures.service_pa or 0.0) > guard.air.thresholds.released_below_pa:
        await look(inspection, 0.1)
    await look(inspection)
    await guard.enter(Stage.HOLD)
    inspection.air.supply_pa = guard.air.pressures.supply_pa


async def reach_applied(inspection: Inspection) -> Snapshot:
    """Wait until the service line is up.

    Raises:
        AirProblem: it does not come up.
    """
    seen = await look(inspection)
    began_s = seen.uptime_s
    while (inspection.guard.air.pressures.service_pa or 0.0) < APPLIED_PA:
        if seen.uptime_s - began_s > APPLIES_IN_S:
            at = in_psi(inspection.guard.air.pressures.service_pa or 0.0)
            inspection.air.cannot_apply = (
                f"the service line stays at {at}: an open hose or glad hand, a valve that does not move, "
                "its regulator set too low, or a stuck sensor"
            )
            raise AirProblem(inspection.air.cannot_apply)
        seen = await look(inspection)
    return seen


# --- words ---


def in_psi(pressure_pa: float) -> str:
    """Both units: ``99.7 psi (687 kPa)``."""
    return f"{pressure_pa / PA_PER_PSI:.1f} psi ({pressure_pa / 1000:.0f} kPa)"


def bench_finding(why: str, place: str, next_: str, evidence: tuple[Evidence, ...] = ()) -> Finding:
    """Something wrong with the bench or with how it is connected, which keeps the air from being tested."""
    return Finding(
        kind="board-fault",
        circuits=(),
        pins=(),
        verdict=Verdict.UNSURE,
        severity="safety",
        confidence=0.9,
        explain=f"The air was not tested any further: {why}.",
        next=next_,
        where=Where("component", place),
        evidence=evidence,
    )
