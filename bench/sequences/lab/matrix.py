"""Continuity and cross matrix: each pin probed, every pin read, and all of it held against the drawing.

With the returns closed, a probed pin shows the resistance behind it, and every other pin the share that the harness
carries over: nothing where the drawing joins nothing, and what a switch matrix lifts where it does. The drawing is
solved for each row, so that a wire in the wrong place shows in its row and in its column, whatever hangs on it.
"""

import asyncio

from bench.electrical.nets import nets
from bench.profiles.model import Circuit, Profile, Reading
from bench.results import Trace, Value, Verdict
from bench.sequences.before_power import PROBE_S, behind_ohm
from bench.sequences.drawing import Drawing, Drawn
from bench.sequences.inspection import Inspection, Outcome, reading_of
from bench.sequences.settle import discharge
from bench.sequences.values import judged

SIGMAS = 3.0
SHARE_ERROR = 0.03  # of the drawing: probe resistor and wire
SMALLEST_OHM = 0.5
SOURCE = "solved from the drawing, its tolerances and three standard uncertainties of the board"


async def matrix(inspection: Inspection, outcome: Outcome) -> None:
    """Probe each pin, read all; values for what it is to ground and where it comes up elsewhere."""
    drawing = await asyncio.to_thread(Drawing, inspection.measurements())  # the watchdog must be fed meanwhile
    rows: list[Reading] = []
    for circuit in inspection.reachable():
        rest = await discharge(inspection.guard)
        shot = await inspection.guard.probe(inspection.channel(circuit), PROBE_S)
        reading = inspection.note(reading_of(inspection, "probe", (circuit,), shot, rest=rest))
        inspection.progress(shot, "probed", circuit)
        drawn = await asyncio.to_thread(drawing.of, reading)
        outcome.values.append(_to_ground(inspection, circuit, reading, drawn))
        outcome.values.append(_elsewhere(inspection, circuit, reading, drawn))
        rows.append(reading)
    outcome.values.append(_alone(inspection, rows))
    outcome.traces.append(_trace(inspection, rows))


def _tolerance(profile: Profile, circuit: Circuit) -> float:
    return max((load.tolerance for load in profile.loads_of(circuit.name)), default=0.0) + SHARE_ERROR


def _to_ground(inspection: Inspection, circuit: Circuit, reading: Reading, drawn: Drawn) -> Value:
    """What is behind a pin, beside what the drawing has there."""
    board = inspection.identity
    supply_v = reading.supply_v or float(inspection.profile.nominal_v)
    ohm = behind_ohm(inspection, board.probe_ohm, supply_v, reading.pin_v[circuit.pin])
    wanted = behind_ohm(inspection, board.probe_ohm, supply_v, drawn.pin_v[circuit.pin])
    offset_ohm = SIGMAS * board.voltage_offset_error_v / supply_v * (board.probe_ohm + wanted) ** 2 / board.probe_ohm
    about = max(wanted * _tolerance(inspection.profile, circuit) + offset_ohm, SMALLEST_OHM)
    name = f"pin {circuit.pin} to ground"
    return judged(name, ohm, "ohm", low=max(wanted - about, 0.0), high=wanted + about, source=SOURCE)


def _elsewhere(inspection: Inspection, circuit: Circuit, reading: Reading, drawn: Drawn) -> Value:
    """The pin on which a row is farthest from the drawing, in shares of what it may be."""
    off_v = {
        pin: (volts - drawn.pin_v[pin], _allowed_v(inspection, circuit, drawn.pin_v[pin]))
        for pin, volts in reading.pin_v.items()
        if pin != circuit.pin and pin in drawn.pin_v
    }
    if not off_v:
        return judged(f"pin {circuit.pin} on other pins", None, "V")
    worst = max(off_v, key=lambda pin: abs(off_v[pin][0]) / off_v[pin][1])
    above_v, allowed_v = off_v[worst]
    where = f"{SOURCE}; farthest on pin {worst}: {reading.pin_v[worst]:.3f} V, drawn {drawn.pin_v[worst]:.3f} V"
    name = f"pin {circuit.pin} on other pins"
    return judged(name, above_v, "V", low=-allowed_v, high=allowed_v, source=where)


def _allowed_v(inspection: Inspection, circuit: Circuit, drawn_v: float) -> float:
    board = inspection.identity
    return SIGMAS * board.voltage_offset_error_v + drawn_v * (
        board.voltage_gain_error + _tolerance(inspection.profile, circuit)
    )


def _alone(inspection: Inspection, rows: list[Reading]) -> Value:
    """Pins of nets of their own that come up with a pin of another net."""
    of = {pin: net for net in nets(inspection.profile) for pin in net}
    limit_v = SIGMAS * inspection.identity.voltage_offset_error_v
    joined = [
        (reading.driven[0], pin)
        for reading in rows
        for pin, volts in reading.pin_v.items()
        if volts > limit_v and of.get(pin) is not of.get(reading.driven[0])
    ]
    verdict = Verdict.FAIL if joined else Verdict.PASS
    source = "; ".join(f"pin {a} comes up on pin {b}" for a, b in joined[:8]) or f"above {limit_v:.3f} V"
    return Value(
        "pins joined that the drawing keeps apart", float(len(joined)), "1", high=0.0, verdict=verdict, source=source
    )


def _trace(inspection: Inspection, rows: list[Reading]) -> Trace:
    """The matrix itself: a sample for each probed pin, a column for each pin read."""
    pins = sorted({pin for reading in rows for pin in reading.pin_v} - set(inspection.profile.connector.ground_pins))
    columns = {f"pin_{pin}_v": tuple(reading.pin_v.get(pin, 0.0) for reading in rows) for pin in pins}
    return Trace("cross matrix, a row for each probed pin", 0.0, 1.0, columns)
