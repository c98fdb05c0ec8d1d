"""The ground return: one heavy pair lit, the return by the pin alone, by the chassis alone, by both."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from bench.contract.readings import Snapshot
from bench.contract.table import Return
from bench.electrical.ground import Resistance, kelvin_split, path_resistance, paths_agree
from bench.electrical.harness import Harness, build
from bench.electrical.network import Solution, predict
from bench.electrical.plan import rated_current
from bench.profiles.model import Circuit, Reading
from bench.results import Value, Verdict
from bench.sequences.inspection import Inspection, Outcome, board_errors, reading_of
from bench.sequences.settle import MEAN_S, discharge, settle
from bench.sequences.values import judged, limited, source_of

PAIR = 2
LOST_SHARE = 0.5  # below this share of both the lamps have cooled: settle again
LEAST_A = 0.2


async def ground_return(inspection: Inspection, outcome: Outcome) -> None:
    """Drive the heaviest sound pair, read it with each return alone and with both, and compare."""
    pair = _heaviest(inspection)
    if not pair:
        outcome.reasons.append("no sound circuit is there to load the ground with")
        return
    rest = await discharge(inspection.guard)
    channels = [inspection.channel(circuit) for circuit in pair]
    for channel in channels:
        await inspection.guard.drive(channel)
    both = inspection.note(await _settled(inspection, pair, rest))
    alone = {}
    for path, returns in (("pin", Return.PIN), ("chassis", Return.CHASSIS)):
        alone[path] = inspection.note(await _switched(inspection, pair, rest, returns, both))
    await inspection.guard.returns(Return.BOTH)
    await inspection.guard.off(channels)
    outcome.values += _judge(inspection, both, alone["pin"], alone["chassis"])


def _heaviest(inspection: Inspection) -> list[Circuit]:
    sound = [circuit for circuit in inspection.sound() if circuit.lit and _lights(inspection, circuit)]
    ranked = sorted(sound, key=lambda circuit: -rated_current(inspection.profile, circuit))
    return ranked[:PAIR]


def _lights(inspection: Inspection, circuit: Circuit) -> bool:
    """Whether a circuit took about the current it should when it was driven alone; true if it wasn't yet."""
    seen = [
        reading.pin_a[circuit.pin]
        for reading in inspection.readings
        if reading.how == "drive" and reading.driven == (circuit.pin,)
    ]
    return not seen or seen[-1] > LOST_SHARE * rated_current(inspection.profile, circuit)


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


async def _switched(
    inspection: Inspection, pair: Sequence[Circuit], rest: Snapshot, returns: Return, both: Reading
) -> Reading:
    await inspection.guard.returns(returns)
    seen = await inspection.guard.wait(MEAN_S)
    reading = reading_of(inspection, "drive", pair, seen, rest=rest)
    if returned_a(reading) > LOST_SHARE * returned_a(both):
        inspection.progress(seen, f"return by the {reading.returns} alone")
        return reading
    # This path does not carry: read it when it has settled, and let the lamps light again before the next.
    lost = await _settled(inspection, pair, rest)
    await inspection.guard.returns(Return.BOTH)
    await _settled(inspection, pair, rest)
    return lost


def returned_a(reading: Reading) -> float:
    """Current that came back through the closed returns."""
    return sum(reading.return_a.values())


# --- judging ---


@dataclass(frozen=True)
class Path:
    """A return path measured alone, and the same as the drawing has it."""

    name: str
    reading: Reading
    share: float
    seen: Resistance | None
    drawn_ohm: float | None


def _judge(inspection: Inspection, both: Reading, pin: Reading, chassis: Reading) -> list[Value]:
    paths = [_path(inspection, reading, both) for reading in (pin, chassis)]
    values = [value for path in paths for value in _judge_path(inspection, path)]
    return [*values, *_agreement(inspection, both, paths), *_clamp(inspection, paths[1])]


def _path(inspection: Inspection, reading: Reading, both: Reading) -> Path:
    measurements = inspection.measurements()
    harness = build(measurements.profile)
    row = next(row for row, other in enumerate(measurements.readings) if other is reading)
    solution = predict(measurements, harness)
    drawn_a = float(solution.pin_return_a[row] + solution.chassis_return_a[row])
    seen_a, both_a = returned_a(reading), returned_a(both)
    sense = _sense(harness, solution, row, reading)
    seen, drawn_ohm = None, None
    if sense and seen_a > LEAST_A and drawn_a > LEAST_A:
        errors = board_errors(inspection.identity)
        seen = path_resistance(median(volts for volts, _ in sense), seen_a, errors)
        drawn_ohm = median(volts for _, volts in sense) / drawn_a
    return Path(reading.returns, reading, seen_a / both_a if both_a > LEAST_A else 0.0, seen, drawn_ohm)


def _sense(harness: Harness, solution: Solution, row: int, reading: Reading) -> list[tuple[float, float]]:
    """Seen and drawn ground voltage by each undriven pin: a free sense wire to the ground of its lamps.

    A regulated lamp lets only a leak through, which the board's pull-down divides; the drawing
    says by how much, so that share is put back.
    """
    found = []
    for circuit in harness.profile.circuits:
        if circuit.pin in reading.driven or circuit.pin not in reading.pin_v:
            continue
        grounds = [harness.index[load.b] for load in harness.loads if load.circuit == circuit.name]
        drawn_pin_v = float(solution.node_v[row, harness.pin_nodes[harness.pins.index(circuit.pin)]])
        drawn_v = float(np.mean(solution.node_v[row, grounds])) if grounds else 0.0
        if drawn_pin_v > 1e-4:
            found.append((reading.pin_v[circuit.pin] * drawn_v / drawn_pin_v, drawn_v))
    return found


def _judge_path(inspection: Inspection, path: Path) -> list[Value]:
    missing = limited(
        f"return by the {path.name} alone, of both", path.share, "1", inspection.limit("return-missing-share")
    )
    name = f"ground path by the {path.name}"
    sound, marginal = inspection.limit("ground-path-sound-ohm"), inspection.limit("ground-path-marginal-ohm")
    if path.seen is None or path.drawn_ohm is None:
        return [missing, judged(name, None, "ohm")]
    high = path.drawn_ohm + sound.high if sound and sound.high is not None else None
    worst = path.drawn_ohm + marginal.high if marginal and marginal.high is not None else None
    outside = Verdict.FAIL if worst is not None and path.seen.ohm > worst else Verdict.UNSURE
    source = source_of(sound) if sound else None
    return [missing, judged(name, path.seen.ohm, "ohm", high=high, outside=outside, source=source)]


def _agreement(inspection: Inspection, both: Reading, paths: Sequence[Path]) -> list[Value]:
    pin, chassis = (path.seen for path in paths)
    pin_a, chassis_a = both.return_a.get("pin", 0.0), both.return_a.get("chassis", 0.0)
    if pin is None or chassis is None or min(pin.ohm, chassis.ohm) <= 0 or pin_a + chassis_a < LEAST_A:
        return []
    agree = paths_agree(pin, chassis, pin_a, chassis_a, board_errors(inspection.identity))
    share = pin_a / (pin_a + chassis_a)
    verdict = Verdict.PASS if agree else Verdict.UNSURE
    source = "current divider of the two paths measured alone"
    return [Value("share of the pin with both returns", share, "1", verdict=verdict, source=source)]


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
