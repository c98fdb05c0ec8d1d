"""The ground return: one heavy pair lit, the return by the pin alone, by the chassis alone, by both."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import median

import numpy as np

from bench.contract.readings import Snapshot
from bench.contract.table import Return
from bench.electrical.ground import Resistance, kelvin_split, path_resistance
from bench.electrical.harness import Harness, build
from bench.electrical.network import Solution, predict
from bench.electrical.plan import feeds_unit
from bench.profiles.model import Circuit, Measurements, Reading
from bench.results import Value, Verdict
from bench.sequences.inspection import Inspection, Outcome, board_errors, reading_of
from bench.sequences.settle import EMPTY_V, MEAN_S, discharge, settle
from bench.sequences.values import judged, limited, source_of

PAIR = 2
LOST_SHARE = 0.5
LEAST_A = 0.2
SHARE_ERROR = 0.05


async def ground_return(inspection: Inspection, outcome: Outcome) -> None:
    """Drive the heaviest sound pair, read it with each return alone and with both, and compare."""
    pair = _heaviest(inspection)
    if not pair:
        outcome.values.append(judged("ground path by the pin", None, "ohm"))
        outcome.reasons.append("no sound circuit is there to load the ground with")
        return
    rest = await discharge(inspection.guard, EMPTY_V)
    channels = [inspection.channel(circuit) for circuit in pair]
    for channel in channels:
        await inspection.guard.drive(channel)
    both = inspection.note(await _settled(inspection, pair, rest))
    if returned_a(both) < LEAST_A:
        await inspection.guard.off(channels)
        outcome.values.append(judged("ground path by the pin", None, "ohm"))
        outcome.reasons.append("the sound circuits are too light to load the ground with")
        return
    pin = inspection.note(await _switched(inspection, pair, rest, Return.PIN))
    if returned_a(pin) < LOST_SHARE * returned_a(both):  # the lamps have cooled: light them again
        await inspection.guard.returns(Return.BOTH)
        await settle(inspection.guard, channels)
    chassis = inspection.note(await _switched(inspection, pair, rest, Return.CHASSIS))
    await inspection.guard.returns(Return.BOTH)
    await inspection.guard.off(channels)
    outcome.values += _judge(inspection, both, pin, chassis)


def _heaviest(inspection: Inspection) -> list[Circuit]:
    """The sound circuits that load the ground most; a control unit's current is not steady enough."""
    profile, nominal_a = inspection.profile, inspection.guard.setup.nominal_a
    sound = [each for each in inspection.sound() if not feeds_unit(profile, each) and _conducts(inspection, each)]
    return sorted(sound, key=lambda circuit: -nominal_a[inspection.channel(circuit)])[:PAIR]


def _conducts(inspection: Inspection, circuit: Circuit) -> bool:
    """Whether a circuit took about the current it should when it was driven alone; true if it wasn't yet."""
    seen_a = [
        reading.pin_a[circuit.pin]
        for reading in inspection.readings
        if reading.how == "drive" and reading.driven == (circuit.pin,)
    ]
    return not seen_a or seen_a[-1] > LOST_SHARE * inspection.guard.setup.nominal_a[inspection.channel(circuit)]


async def _settled(inspection: Inspection, pair: Sequence[Circuit], rest: Snapshot) -> Reading:
    settled = await settle(inspection.guard, [inspection.channel(circuit) for circuit in pair])
    return reading_of(
        inspection,
        "drive",
        pair,
        settled.seen,
        rest=rest,
        limited=bool(settled.limited),
        tripped=bool(settled.tripped),
    )


async def _switched(inspection: Inspection, pair: Sequence[Circuit], rest: Snapshot, returns: Return) -> Reading:
    await inspection.guard.returns(returns)
    seen = await inspection.guard.wait(MEAN_S)
    reading = reading_of(inspection, "drive", pair, seen, rest=rest)
    inspection.progress(seen, f"return by the {reading.returns} alone: {returned_a(reading):.2f} A")
    return reading


def returned_a(reading: Reading) -> float:
    """Current that came back through the closed returns."""
    return sum(reading.return_a.values())


# --- judging ---


@dataclass(frozen=True)
class Path:
    """A return path measured alone, and the same as the drawing has it (None: the drawing has no such path)."""

    reading: Reading
    share: float
    seen: Resistance | None
    drawn_ohm: float | None

    @property
    def name(self) -> str:
        """Which return."""
        return self.reading.returns


def _judge(inspection: Inspection, both: Reading, pin: Reading, chassis: Reading) -> list[Value]:
    drawing = Drawing(inspection.measurements(), build(inspection.profile))
    paths = [_path(inspection, drawing, reading, both) for reading in (pin, chassis)]
    values = [value for path in paths for value in _judge_path(inspection, path)]
    return [*values, *_agreement(drawing, both, paths), *_clamp(inspection, paths[1])]


@dataclass(frozen=True)
class Drawing:
    """The readings so far as a sound harness would give them."""

    measurements: Measurements
    harness: Harness

    @cached_property
    def solution(self) -> Solution:
        """One row a reading."""
        return predict(self.measurements, self.harness)

    @cached_property
    def offset_v(self) -> Mapping[int, float]:
        """What each pin read before anything was fed; empty when that was not read."""
        unfed = (reading.pin_v for reading in self.measurements.readings if not reading.driven)
        return next(unfed, {})

    def row(self, reading: Reading) -> int:
        """The row of a reading."""
        return next(row for row, other in enumerate(self.measurements.readings) if other is reading)

    def returned_a(self, reading: Reading) -> tuple[float, float]:
        """Current by the pin and by the chassis."""
        row = self.row(reading)
        return float(self.solution.pin_return_a[row]), float(self.solution.chassis_return_a[row])


def _path(inspection: Inspection, drawing: Drawing, reading: Reading, both: Reading) -> Path:
    drawn_a = sum(drawing.returned_a(reading))
    seen_a, both_a = returned_a(reading), returned_a(both)
    sense = _sense(drawing, reading)
    seen, drawn_ohm = None, None
    if sense and drawn_a > LEAST_A:
        drawn_ohm = median(volts for _, volts in sense) / drawn_a
    if sense and seen_a > LEAST_A:
        seen = path_resistance(median(volts for volts, _ in sense), seen_a, board_errors(inspection.identity))
    return Path(reading, seen_a / both_a if both_a > LEAST_A else 0.0, seen, drawn_ohm)


def _sense(drawing: Drawing, reading: Reading) -> list[tuple[float, float]]:
    """Seen and drawn ground voltage by each undriven pin: a free sense wire to the ground of its lamps.

    A regulated lamp lets only a leak through, which the board's pull-down divides; the drawing
    says by how much, so that share is put back. What a pin read before anything was fed is its
    converter's offset.
    """
    harness, volts = drawing.harness, drawing.solution.node_v[drawing.row(reading)]
    offset_v = drawing.offset_v
    found = []
    for circuit in harness.profile.circuits:
        grounds = [harness.index[load.b] for load in harness.loads if load.circuit == circuit.name]
        drawn_pin_v = float(volts[harness.pin_nodes[harness.pins.index(circuit.pin)]])
        if circuit.pin in reading.driven or circuit.pin not in reading.pin_v or not grounds or drawn_pin_v < 1e-4:
            continue
        drawn_v = float(np.mean(volts[grounds]))
        seen_v = reading.pin_v[circuit.pin] - offset_v.get(circuit.pin, 0.0)
        found.append((seen_v * drawn_v / drawn_pin_v, drawn_v))
    return found


def _judge_path(inspection: Inspection, path: Path) -> list[Value]:
    share = f"return by the {path.name} alone, of both"
    if path.drawn_ohm is None:
        return [judged(share, path.share, "1", source="the drawing has no such path")]
    name = f"ground path by the {path.name}"
    sound, marginal = inspection.limit("ground-path-sound-ohm"), inspection.limit("ground-path-marginal-ohm")
    values = [limited(share, path.share, "1", inspection.limit("return-missing-share"))]
    if path.seen is None:
        return [*values, judged(name, None, "ohm")]
    high = path.drawn_ohm + sound.high if sound and sound.high is not None else None
    worst = path.drawn_ohm + marginal.high if marginal and marginal.high is not None else None
    outside = Verdict.FAIL if worst is not None and path.seen.ohm > worst else Verdict.UNSURE
    source = source_of(sound) if sound else None
    return [*values, judged(name, path.seen.ohm, "ohm", high=high, outside=outside, source=source)]


def _agreement(drawing: Drawing, both: Reading, paths: Sequence[Path]) -> list[Value]:
    """The split with both returns; when the two paths don't predict it, there is a third one.

    The lamps return at several places, so the plain current divider is a little off; the drawing says how much.
    """
    pin, chassis = paths
    total_a = returned_a(both)
    if not (pin.seen and chassis.seen and pin.drawn_ohm and chassis.drawn_ohm) or total_a < LEAST_A:
        return []
    drawn_pin_a, drawn_chassis_a = drawing.returned_a(both)
    off = drawn_pin_a / (drawn_pin_a + drawn_chassis_a) - _divider(pin.drawn_ohm, chassis.drawn_ohm)
    predicted = _divider(pin.seen.ohm, chassis.seen.ohm) + off
    spread = SHARE_ERROR + 2 * _divider_error(pin.seen, chassis.seen)
    return [
        judged(
            "share of the pin with both returns",
            both.return_a["pin"] / total_a,
            "1",
            low=predicted - spread,
            high=predicted + spread,
            outside=Verdict.UNSURE,
            source="current divider of the two paths measured alone",
        )
    ]


def _divider(pin_ohm: float, chassis_ohm: float) -> float:
    loop_ohm = max(pin_ohm, 0.0) + max(chassis_ohm, 0.0)
    return max(chassis_ohm, 0.0) / loop_ohm if loop_ohm > 0 else 0.5


def _divider_error(pin: Resistance, chassis: Resistance) -> float:
    """Standard uncertainty of the divider: in an equal pair each relative error counts a quarter."""
    share = _divider(pin.ohm, chassis.ohm)
    relative = [path.plus_minus_ohm / max(path.ohm, path.plus_minus_ohm) for path in (pin, chassis)]
    return share * (1 - share) * float(np.hypot(*relative))


def _clamp(inspection: Inspection, chassis: Path) -> list[Value]:
    sense_v, seen_a = chassis.reading.chassis_sense_v, returned_a(chassis.reading)
    if sense_v is None or chassis.seen is None:
        return []
    split = kelvin_split(chassis.seen.ohm * seen_a, sense_v, seen_a, board_errors(inspection.identity))
    limit = inspection.limit("contact-ohm")
    return [
        limited("chassis clamp", split.clamp.ohm, "ohm", limit, Verdict.UNSURE),
        judged("frame bond and wire behind it", split.bond.ohm, "ohm"),
    ]
