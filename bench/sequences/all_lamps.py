"""Everything lit at once: what the supply and the ground do under full load."""

from collections.abc import Sequence

from bench.contract.table import Capability
from bench.electrical.plan import feeds_unit
from bench.profiles.model import Circuit
from bench.safety.setup import COLD_RATIO
from bench.sequences.inspection import Inspection, Outcome, at_rest, reading_of
from bench.sequences.settle import UNIT_STARTS_S, settle
from bench.sequences.supply import sag
from bench.sequences.values import judged

STAGGER_S = 0.02  # the worst of one inrush is over before the next begins
ROOM_TRIES = 10
LEAST_A = 0.2
LONGEST_S = 0.6  # sag and drop don't hang on the last percent of the current


async def all_lamps(inspection: Inspection, outcome: Outcome) -> None:
    """Soft-start every sound circuit after the other, control units first, then read them all together."""
    guard, sound = inspection.guard, inspection.sound()
    if not sound:
        outcome.reasons.append("no sound circuit is there to light")
        return
    rest = await guard.fresh()
    lit = await _light(inspection, outcome, sorted(sound, key=lambda each: not feeds_unit(inspection.profile, each)))
    channels = [inspection.channel(circuit) for circuit in lit]
    passed_s = (await guard.fresh()).uptime_s - rest.uptime_s
    steps_s = UNIT_STARTS_S if any(feeds_unit(inspection.profile, each) for each in lit) else 0.0
    settled = await settle(guard, channels, least_s=steps_s - passed_s, longest_s=LONGEST_S, nearly=True)
    await guard.off(channels)
    seen = settled.seen
    reading = reading_of(
        inspection,
        "drive",
        lit,
        seen,
        rest=rest,
        limited=bool(settled.limited),
        tripped=bool(settled.tripped),
    )
    inspection.note(at_rest(reading, inspection.by_pin(settled.steady_a)))
    inspection.progress(seen, f"{len(lit)} circuits lit, {seen.supply_a:.1f} A")
    total_a = sum(seen.channel(channel).current_a for channel in channels)
    outcome.values.append(judged("current of all circuits", total_a, "A"))
    if inspection.open_v is not None:
        outcome.values += sag(inspection, inspection.open_v - seen.supply_v, total_a, "all lamps")
    if inspection.can(Capability.CHASSIS_SENSE):
        outcome.values.append(judged("frame above the board's ground, all lamps", seen.chassis_sense_v, "V"))
    if settled.tripped:
        outcome.reasons.append("the board switched a circuit off by itself with all lamps lit")


async def _light(inspection: Inspection, outcome: Outcome, sound: Sequence[Circuit]) -> list[Circuit]:
    """Drive as many of the circuits as supply and returns carry, each when there is room for its inrush."""
    carried_a = _carried_a(inspection)
    lit: list[Circuit] = []
    for circuit in sound:
        if not await _room(inspection, circuit, carried_a):
            outcome.reasons.append(f"{circuit.name} was not lit with the others: {carried_a:g} A is all there is")
            continue
        await inspection.guard.drive(inspection.channel(circuit))
        lit.append(circuit)
    return lit


def _carried_a(inspection: Inspection) -> float:
    """What supply and returns carry; a return that was seen to carry nothing doesn't count."""
    capacity = inspection.guard.capacity
    most_a: dict[str, float] = {}
    for reading in inspection.readings:
        if reading.how == "drive" and reading.returns in ("pin", "chassis"):
            carried_a = sum(reading.return_a.values())
            most_a[reading.returns] = max(carried_a, most_a.get(reading.returns, carried_a))
    missing = sum(amps < LEAST_A for amps in most_a.values())
    return min(capacity.supply_a, capacity.return_a * (2 - missing))


async def _room(inspection: Inspection, circuit: Circuit, carried_a: float) -> bool:
    """Wait until the worst inrush of one more circuit fits."""
    guard = inspection.guard
    cold_a = COLD_RATIO * guard.setup.nominal_a[inspection.channel(circuit)]
    inrush_a = min(cold_a, guard.setup.protection.limit_a)
    for _ in range(ROOM_TRIES):
        seen = await guard.wait(STAGGER_S)
        if seen.supply_a + inrush_a <= carried_a:
            return True
    return False
