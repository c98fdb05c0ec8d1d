"""Each circuit lit alone: soft-started with a recording, all pins read when it has settled."""

from math import hypot

from bench.contract.readings import Capture
from bench.contract.table import Capability
from bench.electrical import settled_current
from bench.electrical.plan import feeds_unit, has_filament
from bench.profiles.model import Circuit, ControlUnit, Filament, Led, Limit, LoadType, Reading
from bench.results import Trace, Value, Verdict
from bench.sequences.drawing import Drawing, Drawn
from bench.sequences.inspection import Inspection, Outcome, at_rest, reading_of
from bench.sequences.lab.signature import signature
from bench.sequences.settle import LONGEST_S, UNIT_STARTS_S, discharge, settle
from bench.sequences.values import judged, limited, source_of

CAPTURE_HZ = 1000
CAPTURE_SAMPLES = 150
RECORDED_S = 0.155  # the recording is full then
LEAST_RECORDED = 100
FORETOLD_SHARE = 0.008  # of the current: what waiting would leave, too
SENSOR_SIGMAS = 3.0
LEAST_SHARE = 0.1  # of the drawn current: with less, nothing is known of the voltage behind the wire


async def circuits(inspection: Inspection, outcome: Outcome) -> None:
    """Drive every circuit that isn't shorted, one after the other."""
    sound = inspection.sound()
    if not inspection.can(Capability.CURRENT_LIMIT):
        outcome.reasons.append(
            "fuses instead of a current limit: no soft-start, and no telling an inrush from an overload below the fuse"
        )
    for circuit in inspection.chosen():
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
            if trace and inspection.profile.kind == "harness":
                outcome.values += signature(circuit.name, inspection.profile.loads_of(circuit.name), trace)


def _why_not(inspection: Inspection, circuit: Circuit) -> str:
    if circuit not in inspection.reachable():
        return "the board has no channel for it"
    if circuit.pin in inspection.live:
        return "something else feeds it"
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
    longest_s = RECORDED_S if captures and has_filament(inspection.profile, circuit) else LONGEST_S
    settled = await settle(
        guard,
        {channel},
        least_s=UNIT_STARTS_S if starts_in_steps else 0.0,
        longest_s=LONGEST_S if starts_in_steps else longest_s,
        nearly=not starts_in_steps,
    )
    capture = await guard.capture() if captures else None
    foretold_a = None if settled.at_rest or capture is None else _foretold(capture)
    if not settled.at_rest and not settled.tripped and foretold_a is None:
        settled = await settle(guard, {channel}, nearly=True)
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
    steady_a = settled.steady_a if foretold_a is None else {channel: foretold_a}
    return inspection.note(at_rest(reading, inspection.by_pin(steady_a))), _trace(circuit, capture)


def _foretold(capture: Capture) -> float | None:
    """Where the recorded switch-on will end, if that can be told well enough."""
    if len(capture.current_a) < LEAST_RECORDED:
        return None
    steady_a, error_a = settled_current(capture.dt_s, capture.current_a, capture.voltage_v)
    return steady_a if error_a < FORETOLD_SHARE * steady_a else None


def _trace(circuit: Circuit, capture: Capture | None) -> Trace | None:
    if capture is None or not capture.current_a:
        return None
    columns = {"current_a": capture.current_a, "voltage_v": capture.voltage_v}
    return Trace(f"inrush {circuit.name}", capture.started_us * 1e-6, capture.dt_s, columns)


def judge_alone(inspection: Inspection, circuit: Circuit, reading: Reading) -> list[Value]:
    """Current against the drawing, voltage that reaches the load, and what comes up on other pins."""
    drawn = Drawing(inspection.measurements()).of(reading)
    above_v = [
        volts - drawn.pin_v[pin]
        for pin, volts in reading.pin_v.items()
        if pin in {each.pin for each in inspection.reachable()} - {circuit.pin}
    ]
    return [
        judge_current(inspection, circuit, reading.pin_a[circuit.pin], drawn.pin_a[circuit.pin]),
        *_voltage(inspection, circuit, reading, drawn),
        *_on_others(inspection, circuit, above_v),
    ]


def _on_others(inspection: Inspection, circuit: Circuit, above_v: list[float]) -> list[Value]:
    """The most that comes up on any other pin; nothing where no other pin was read."""
    if not above_v:
        return []
    name = f"{circuit.name} on other pins, above the drawing"
    return [limited(name, max(above_v), "V", inspection.limit("cross-voltage-v"))]


def judge_current(inspection: Inspection, circuit: Circuit, current_a: float, drawn_a: float) -> Value:
    """A circuit's current beside what its loads should take at this voltage, the board's own error allowed for."""
    loads = [load.type for load in inspection.profile.loads_of(circuit.name)]
    limit = _share_limit(inspection, loads)
    board = inspection.identity
    error_a = SENSOR_SIGMAS * hypot(board.current_gain_error * drawn_a, board.current_offset_error_a)
    lamp_a = sum(load.lamp_a for load in loads if isinstance(load, ControlUnit))
    return judged(
        f"{circuit.name} current",
        current_a,
        "A",
        low=drawn_a * limit.low - error_a if limit and limit.low is not None else None,
        high=drawn_a * limit.high + lamp_a + error_a if limit and limit.high is not None else None,
        outside=Verdict.UNSURE,
        source=f"share of the expected current: {source_of(limit)}" if limit else None,
    )


def _share_limit(inspection: Inspection, loads: list[LoadType]) -> Limit | None:
    bulbs_only = all(isinstance(load, Filament) for load in loads)
    return inspection.limit("lamp-current-share" if bulbs_only else "led-current-share")


def _voltage(inspection: Inspection, circuit: Circuit, reading: Reading, drawn: Drawn) -> list[Value]:
    """Voltage at the load: the drawing's, less what the ground is above the drawing and the feed drops beyond it.

    A fault in the feed drops more; then the load gets less than this says, and a finding says so.
    """
    loads = inspection.profile.loads_of(circuit.name)
    units = [load.name for load in loads if isinstance(load.type, ControlUnit)]
    lamps = [load.name for load in loads if isinstance(load.type, Filament | Led)]
    if not (units or lamps):
        return []
    far = min(units or lamps, key=lambda name: drawn.load_v[name])
    drawn_drop_v = reading.pin_v[circuit.pin] - drawn.load_v[far]
    more = reading.pin_a[circuit.pin] / drawn.pin_a[circuit.pin] if drawn.pin_a[circuit.pin] > 0 else 0.0
    volts = reading.pin_v[circuit.pin] - drawn_drop_v * more if more > LEAST_SHARE else None
    outside = Verdict.UNSURE if _weak(inspection, reading) else Verdict.FAIL
    if units:
        return [limited(f"{circuit.name} voltage at the unit", volts, "V", inspection.limit("abs-voltage-v"), outside)]
    share, design = inspection.limit("lamp-voltage-share"), inspection.limit("lamp-design-v")
    low_v = share.low * design.low if share and design and share.low and design.low else None
    source = source_of(share) if share and low_v is not None else None
    return [judged(f"{circuit.name} voltage at the lamps", volts, "V", low=low_v, outside=outside, source=source)]


def _weak(inspection: Inspection, reading: Reading) -> bool:
    """Whether the bench's own supply is too low to blame the harness."""
    limit = inspection.limit("supply-low-v")
    return limit is not None and limit.low is not None and (reading.supply_v or 0.0) < limit.low
