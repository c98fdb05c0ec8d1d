"""ABS modulators: with the brakes applied and the supply closed, each pulse steps the supply down a little.

The control unit exercises its modulators by itself when it gets power. Count and order are seen at the coupling,
not which wheel: the service coupling shows nothing at all.
"""

from collections.abc import Sequence

from bench.errors import PermitDenied
from bench.profiles.air_model import PA_PER_PSI
from bench.results import Value, Verdict
from bench.safety import Stage
from bench.sequences.air import rig
from bench.sequences.air.memory import Track
from bench.sequences.inspection import Inspection, Outcome

EVERY_S = 0.02
STARTS_WITHIN_S, PULSES_WITHIN_S = 1.2, 0.6  # of power, and each (common practice, no source)
STEP_PA = 0.12 * PA_PER_PSI
OVER_S = 0.2  # means of this length are compared
SETTLES_S = 8.0
SOURCE = "modulators in the profile"


async def modulators(inspection: Inspection, outcome: Outcome) -> None:
    """Power the ABS with the brakes applied, and count the steps of the supply."""
    air, profile = rig.system(inspection), inspection.profile
    if air.electrical_supply is None:
        raise PermitDenied("the profile does not say which circuit feeds the modulators")
    channel = inspection.channel(profile.circuit(air.electrical_supply))
    await rig.ready(inspection)
    async with rig.applying(inspection):
        await rig.reach_applied(inspection)
        await rig.look(inspection, SETTLES_S)
        await inspection.guard.enter(Stage.APPLIED)
        try:
            await inspection.guard.drive(channel)
            track = await _record(inspection, STARTS_WITHIN_S + air.modulators * PULSES_WITHIN_S)
        finally:
            await inspection.guard.off([channel])
    outcome.traces.append(track.trace("supply while the modulators are exercised", "supply_pa"))
    sizes = steps_down(track.time_s, track.pressure_pa)
    seen, wanted = len(sizes), air.modulators
    verdict = Verdict.PASS if seen == wanted else Verdict.UNSURE
    outcome.values.append(Value("modulators that let air out", float(seen), "1", wanted, wanted, verdict, SOURCE))
    outcome.values += [Value(f"step of the supply, pulse {n}", size, "Pa") for n, size in enumerate(sizes, start=1)]
    if verdict is Verdict.UNSURE:
        outcome.reasons.append(
            f"{seen} of {wanted} pulses were seen: listen at the modulators, then check their plugs and the ABS codes; "
            "which wheel it is can't be told from the coupling"
        )


async def _record(inspection: Inspection, seconds: float) -> Track:
    track = Track()
    seen = began = await rig.look(inspection, EVERY_S)
    while seen.uptime_s - began.uptime_s < seconds:
        seen = await rig.look(inspection, EVERY_S, since=seen)
        track.add(seen.uptime_s, inspection.guard.air.pressures.supply_pa or 0.0)
    return track


def steps_down(time_s: Sequence[float], pressure_pa: Sequence[float]) -> list[float]:
    """Sizes of the steps by which a pressure falls, in their order, Pa.

    The mean after each instant is compared with the mean before it; a step is where that fall is
    the largest within reach.
    """
    falls = [_fall(time_s, pressure_pa, middle) for middle in time_s]
    sizes: list[float] = []
    for i, fall in enumerate(falls):
        near = [other for when, other in zip(time_s, falls, strict=True) if abs(when - time_s[i]) < OVER_S]
        if fall > STEP_PA and fall == max(near):
            sizes.append(fall)
    return sizes


def _fall(time_s: Sequence[float], pressure_pa: Sequence[float], middle_s: float) -> float:
    pairs = list(zip(time_s, pressure_pa, strict=True))
    before = [value for when, value in pairs if middle_s - OVER_S <= when < middle_s]
    after = [value for when, value in pairs if middle_s <= when < middle_s + OVER_S]
    if len(before) < 3 or len(after) < 3:
        return 0.0
    return sum(before) / len(before) - sum(after) / len(after)
