"""The ground return: one heavy pair lit, the return by the pin alone, by the chassis alone, by both."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from statistics import fmean, median

from bench.contract.readings import Snapshot
from bench.contract.table import Return
from bench.electrical.ground import Resistance, kelvin_split, path_resistance
from bench.electrical.plan import feeds_unit
from bench.profiles.model import Circuit, Reading
from bench.results import Value, Verdict
from bench.sequences.drawing import Drawing, Drawn
from bench.sequences.inspection import Inspection, Outcome, at_rest, board_errors, reading_of
from bench.sequences.settle import EMPTY_V, discharge, settle
from bench.sequences.values import judged, limited, source_of

PAIR = 2
LOST_SHARE = 0.5
LEAST_A = 0.2
LEAST_V = 1e-4  # of a pin in the drawing: below it nothing of its ground shows there
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
    sound = [
        each
        for each in inspection.sound()
        if not feeds_unit(profile, each) and _conducts(inspection, each) and each.name not in inspection.suspects
    ]
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
    """A reading at rest: lamps behind a worse return cool down, and take a while to."""
    settled = await settle(inspection.guard, [inspection.channel(circuit) for circuit in pair], nearly=True)
    reading = reading_of(
        inspection,
        "drive",
        pair,
        settled.seen,
        rest=rest,
        limited=bool(settled.limited),
        tripped=bool(settled.tripped),
    )
    return at_rest(reading, inspection.by_pin(settled.steady_a))


async def _switched(inspection: Inspection, pair: Sequence[Circuit], rest: Snapshot, returns: Return) -> Reading:
    await inspection.guard.returns(returns)
    reading = await _settled(inspection, pair, rest)
    inspection.progress(
        await inspection.guard.fresh(), f"return by the {reading.returns} alone: {returned_a(reading):.2f} A"
    )
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
    drawing = Drawing(inspection.measurements())
    paths = [_path(inspection, drawing.of(reading), reading, both) for reading in (pin, chassis)]
    values = [value for path in paths for value in _judge_path(inspection, path)]
    return [*values, *_agreement(drawing.of(both), both, paths), *_clamp(inspection, paths[1])]


def _path(inspection: Inspection, drawn: Drawn, reading: Reading, both: Reading) -> Path:
    drawn_a, seen_a, both_a = sum(drawn.return_a.values()), returned_a(reading), returned_a(both)
    sense = _sense(inspection, drawn, reading)
    seen, drawn_ohm = None, None
    if sense and drawn_a > LEAST_A:
        drawn_ohm = median(volts for _, volts in sense) / drawn_a
    if sense and seen_a > LEAST_A:
        seen = path_resistance(median(volts for volts, _ in sense), seen_a, board_errors(inspection.identity))
    return Path(reading, seen_a / both_a, seen, drawn_ohm)


def _sense(inspection: Inspection, drawn: Drawn, reading: Reading) -> list[tuple[float, float]]:
    """Seen and drawn ground voltage by each undriven sound pin: a free sense wire to the ground of its lamps.

    A regulated lamp lets only a leak through, which the board's pull-down divides; the drawing
    says by how much, so that share is put back. What a pin read before anything was fed is its
    converter's offset.
    """
    offset_v = next((other.pin_v for other in inspection.readings if not other.driven), {})
    found = []
    for circuit in inspection.profile.circuits:
        grounds = [drawn.ground_v[load.name] for load in inspection.profile.loads_of(circuit.name)]
        unread = circuit.pin in reading.driven or circuit.pin not in reading.pin_v
        if unread or circuit.name in inspection.suspects or not grounds or drawn.pin_v[circuit.pin] < LEAST_V:
            continue
        seen_v, drawn_v = reading.pin_v[circuit.pin] - offset_v.get(circuit.pin, 0.0), fmean(grounds)
        found.append((seen_v * drawn_v / drawn.pin_v[circuit.pin], drawn_v))
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


def _agreement(drawn: Drawn, both: Reading, paths: Sequence[Path]) -> list[Value]:
    """The split with both returns; when the two paths don't predict it, there is a third one.

    The lamps return at several places, so the plain current divider is a little off; the drawing says how much.
    """
    pin, chassis = paths
    total_a = returned_a(both)
    if not (pin.seen and chassis.seen and pin.drawn_ohm and chassis.drawn_ohm) or total_a < LEAST_A:
        return []
    off = drawn.return_a["pin"] / sum(drawn.return_a.values()) - _divider(pin.drawn_ohm, chassis.drawn_ohm)
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
    return share * (1 - share) * hypot(*relative)


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
