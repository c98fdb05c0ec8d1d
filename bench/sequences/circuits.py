"""Each circuit lit alone: soft-started with a recording, all pins read when it has settled."""

from statistics import median

from bench.contract.readings import Capture
from bench.contract.table import Capability
from bench.electrical import ExpectedCircuit
from bench.electrical.plan import feeds_unit
from bench.profiles.model import Circuit, ControlUnit, Filament, Limit, LoadType, Reading
from bench.results import Trace, Value, Verdict
from bench.sequences.inspection import Inspection, Outcome, at_rest, reading_of
from bench.sequences.settle import LONGEST_S, discharge, settle
from bench.sequences.values import judged, limited, source_of

CAPTURE_HZ = 1000
CAPTURE_SAMPLES = 150
SENSOR_SIGMAS = 3.0


async def circuits(inspection: Inspection, outcome: Outcome) -> None:
    """Drive every circuit that isn't shorted, one after the other."""
    sound = inspection.sound()
    for circuit in inspection.profile.circuits:
        if circuit not in sound:
            outcome.values.append(judged(f"{circuit.name} current", None, "A"))
            outcome.reasons.append(f"{circuit.name} was not driven: {_why_not(inspection, circuit)}")
            continue
        reading, trace = await _alone(inspection, circuit)
        outcome.traces += [trace] if trace else []
        if reading.tripped:
            outcome.values.append(judged(f"{circuit.name} current", None, "A"))
            outcome.reasons.append(f"the board switched {circuit.name} off by itself: {_trip(inspection, circuit)}")
        else:
            outcome.values += judge_alone(inspection, circuit, reading)


def _why_not(inspection: Inspection, circuit: Circuit) -> str:
    if circuit not in inspection.reachable():
        return "the board has no channel for it"
    return "the look before power showed a short"


def _trip(inspection: Inspection, circuit: Circuit) -> str:
    reason = inspection.guard.trips.get(inspection.channel(circuit))
    return reason.name.lower().replace("_", " ") if reason else "unknown reason"


async def _alone(inspection: Inspection, circuit: Circuit) -> tuple[Reading, Trace | None]:
    guard, channel = inspection.guard, inspection.channel(circuit)
    rest = await discharge(guard)
    captures = inspection.can(Capability.CAPTURE)
    if captures:
        rate_hz = min(CAPTURE_HZ, inspection.identity.capture_rate_hz)
        await guard.arm_capture(channel, rate_hz, min(CAPTURE_SAMPLES, inspection.identity.capture_samples))
    await guard.drive(channel)
    starts_in_steps = feeds_unit(inspection.profile, circuit)
    settled = await settle(guard, {channel}, least_s=LONGEST_S if starts_in_steps else 0.0, nearly=not starts_in_steps)
    capture = await guard.capture() if captures else None
    await guard.off([channel])
    if settled.tripped:
        await guard.read_events()
    inspection.progress(settled.seen, "tripped" if settled.tripped else "lit", circuit)
    reading = reading_of(
        inspection,
        "drive",
        (circuit,),
        settled.seen,
        rest=rest,
        limited=bool(settled.limited),
        tripped=bool(settled.tripped),
        capture=capture,
    )
    return inspection.note(at_rest(reading, settled.steady_a)), _trace(circuit, capture)


def _trace(circuit: Circuit, capture: Capture | None) -> Trace | None:
    if capture is None or not capture.current_a:
        return None
    columns = {"current_a": capture.current_a, "voltage_v": capture.voltage_v}
    return Trace(f"inrush {circuit.name}", capture.started_us * 1e-6, capture.dt_s, columns)


def judge_alone(inspection: Inspection, circuit: Circuit, reading: Reading) -> list[Value]:
    """Current against the drawing, voltage that reaches the load, and what comes up on other pins."""
    pin_v = reading.pin_v[circuit.pin]
    sound = inspection.expectations(pin_v)[circuit.name]
    others = [volts for pin, volts in reading.pin_v.items() if pin in _undriven(inspection, circuit)]
    ground_v = median(others) if others else 0.0
    return [
        judge_current(inspection, circuit, reading.pin_a[circuit.pin], sound),
        *_voltage(inspection, circuit, reading, sound, pin_v - ground_v),
        limited(
            f"{circuit.name} on other pins",
            max((volts - ground_v for volts in others), default=None),
            "V",
            inspection.limit("cross-voltage-v"),
        ),
    ]


def _undriven(inspection: Inspection, circuit: Circuit) -> set[int]:
    return {each.pin for each in inspection.reachable()} - {circuit.pin}


def judge_current(inspection: Inspection, circuit: Circuit, current_a: float, sound: ExpectedCircuit) -> Value:
    """A circuit's current beside what its lamps should take at this voltage, the board's own error allowed for."""
    loads = [load.type for load in inspection.profile.loads_of(circuit.name)]
    limit = _share_limit(inspection, loads)
    board = inspection.identity
    error_a = (
        SENSOR_SIGMAS
        * ((board.current_gain_error * sound.current_a.value) ** 2 + board.current_offset_error_a**2) ** 0.5
    )
    lamp_a = sum(load.lamp_a for load in loads if isinstance(load, ControlUnit))
    return judged(
        f"{circuit.name} current",
        current_a,
        "A",
        low=sound.current_a.value * limit.low - error_a if limit and limit.low is not None else None,
        high=sound.current_a.value * limit.high + lamp_a + error_a if limit and limit.high is not None else None,
        outside=Verdict.UNSURE,
        source=f"share of the expected current: {source_of(limit)}" if limit else None,
    )


def _share_limit(inspection: Inspection, loads: list[LoadType]) -> Limit | None:
    bulbs_only = all(isinstance(load, Filament) for load in loads)
    return inspection.limit("lamp-current-share" if bulbs_only else "led-current-share")


def _voltage(
    inspection: Inspection, circuit: Circuit, reading: Reading, sound: ExpectedCircuit, pin_to_ground_v: float
) -> list[Value]:
    """Voltage at the load: at the pin, less the ground's rise and the drop in the drawn feed at this current.

    A fault in the feed drops more; then the load gets less than this says, and a finding says so.
    """
    if not sound.lamp_v or sound.current_a.value <= 0:
        return []
    feed_ohm = (reading.pin_v[circuit.pin] - sound.ground_v - min(sound.lamp_v.values())) / sound.current_a.value
    volts = pin_to_ground_v - max(feed_ohm, 0.0) * reading.pin_a[circuit.pin]
    low_supply = inspection.limit("supply-low-v")
    weak = low_supply is not None and low_supply.low is not None and (reading.supply_v or 0.0) < low_supply.low
    outside = Verdict.UNSURE if weak else Verdict.FAIL
    if not circuit.lit:
        return [limited(f"{circuit.name} voltage at the unit", volts, "V", inspection.limit("abs-voltage-v"), outside)]
    share, design = inspection.limit("lamp-voltage-share"), inspection.limit("lamp-design-v")
    low_v = share.low * design.low if share and design and share.low and design.low else None
    source = source_of(share) if share and low_v is not None else None
    return [judged(f"{circuit.name} voltage at the lamps", volts, "V", low=low_v, outside=outside, source=source)]
