"""Everything lit at once: what the supply and the ground do under full load."""

from bench.contract.table import Capability
from bench.sequences.inspection import Inspection, Outcome, reading_of
from bench.sequences.settle import settle
from bench.sequences.supply import sag
from bench.sequences.values import judged

STAGGER_S = 0.02  # the worst of one inrush is over before the next begins
ROOM_TRIES = 5
LONGEST_S = 0.2  # sag and drop don't hang on the last percent of the current


async def all_lamps(inspection: Inspection, outcome: Outcome) -> None:
    """Soft-start every sound circuit after the other, then read them all together."""
    guard, lit = inspection.guard, inspection.sound()
    if not lit:
        outcome.reasons.append("no sound circuit is there to light")
        return
    channels = [inspection.channel(circuit) for circuit in lit]
    for channel in channels:
        await _make_room(inspection)
        await guard.drive(channel)
    settled = await settle(guard, channels, longest_s=LONGEST_S)
    await guard.off(channels)
    seen = settled.seen
    inspection.note(
        reading_of(inspection, "drive", lit, seen, limited=bool(settled.limited), tripped=bool(settled.tripped))
    )
    inspection.progress(seen, f"{len(lit)} circuits lit, {seen.supply_a:.1f} A")
    total_a = sum(seen.channel(channel).current_a for channel in channels)
    outcome.values.append(judged("current of all circuits", total_a, "A"))
    if inspection.open_v is not None:
        outcome.values += sag(inspection, inspection.open_v - seen.supply_v, total_a, "all lamps")
    if inspection.can(Capability.CHASSIS_SENSE):
        outcome.values.append(judged("frame above the board's ground, all lamps", seen.chassis_sense_v, "V"))
    if settled.tripped:
        outcome.reasons.append("the board switched a circuit off by itself with all lamps lit")


async def _make_room(inspection: Inspection) -> None:
    """Wait until one more inrush fits into what the supply carries."""
    guard = inspection.guard
    for _ in range(ROOM_TRIES):
        seen = await guard.wait(STAGGER_S)
        if seen.supply_a + guard.setup.protection.limit_a <= guard.capacity.supply_a:
            return
