"""All pins with nothing fed: which are live by themselves, and which only hold a charge from before."""

from bench.contract.readings import Snapshot
from bench.profiles.model import Reading
from bench.sequences.inspection import Inspection, reading_of
from bench.sequences.settle import MEAN_S

LIVE_V = 0.5
WATCH_S = 1.0
HOLDS_SHARE = 0.98  # of its voltage after that time; a control unit's capacitor keeps about 0.9


async def read_unfed(inspection: Inspection) -> Reading:
    """Every pin with nothing fed, read once in a run; it shows which are live.

    A pin that is up is watched for a second: what something feeds stays, a charge falls.
    """
    known = next((reading for reading in inspection.readings if not reading.driven), None)
    return known or await _read(inspection)


async def _read(inspection: Inspection) -> Reading:
    seen = await inspection.guard.wait(MEAN_S)
    up = {pin: volts for pin, volts in _volts(inspection, seen).items() if volts > LIVE_V}
    if up:
        inspection.progress(seen, "a pin is up with nothing fed: watching whether it falls")
        seen = await inspection.guard.wait(WATCH_S)
    later = _volts(inspection, seen)
    inspection.live = {pin for pin, volts in up.items() if later[pin] > HOLDS_SHARE * volts}
    return inspection.note(reading_of(inspection, "probe", (), seen, rest=seen))


def _volts(inspection: Inspection, seen: Snapshot) -> dict[int, float]:
    return {each.pin: seen.channel(inspection.channel(each)).voltage_v for each in inspection.reachable()}
