"""The first look: clear rules that need no fitting, one circuit after another, then the ground.

Theory. Each reading is set beside what a sound harness would read in the same board settings
(:func:`bench.electrical.network.predict`), so that wire, supply and temperature are already
accounted for. A missing lamp takes the same share of the hot current as of the cold
conductance; a resistance in series changes the cold reading much more than the hot one; a
leak adds to both. What a rule can't decide it names as an alternative. The ranking
(:mod:`bench.electrical.diagnosis`) weighs everything together; this is what it starts with and
what a technician can follow with a meter.
"""

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from bench.electrical.calibration import corrected
from bench.electrical.circuit_rules import look_at_circuit
from bench.electrical.ground_rules import clusters, grounds
from bench.electrical.harness import build
from bench.electrical.look import FOLLOWS_SHARE, Look, takes_more
from bench.electrical.network import predict
from bench.electrical.wording import finding
from bench.profiles.model import Circuit, Measurements
from bench.results import Alternative, Evidence, Finding, FindingKind, Size, Verdict

LIVE_V = 0.7
LOW_SUPPLY_SHARE = 11.0 / 12.0


def first_look(measurements: Measurements) -> tuple[Finding, ...]:
    """Findings that clear rules give, without fitting; absent readings are simply not judged."""
    if not measurements.readings:
        return ()
    measurements = corrected(measurements)
    harness = build(measurements.profile)
    look = Look(measurements, harness, predict(measurements, harness))
    live = {found.circuits[0]: found for found in _live_circuits(look)}
    metal = [] if live else list(_crossed(look))
    joined = [found for found in metal if found.kind == "cross-connection"]
    lost = [] if live else list(clusters(look, joined))
    of_lost = {name for found in lost for name in found.circuits}
    crossed = [found for found in metal if not of_lost & set(found.circuits)]
    ground = [] if live else [*grounds(look), *lost]
    busy = set(live) | {name for found in (*crossed, *ground) for name in found.circuits}
    alone = [
        found
        for circuit in measurements.profile.circuits
        if circuit.name not in busy and (found := look_at_circuit(look, circuit)) is not None
    ]
    return (*supply_findings(measurements), *live.values(), *crossed, *ground, *alone)


def supply_findings(measurements: Measurements) -> list[Finding]:
    """Whether the bench's own supply is too low to trust the rest."""
    limit_v = LOW_SUPPLY_SHARE * measurements.profile.nominal_v
    limit = measurements.profile.limits.get("supply-low-v")
    if limit is not None and limit.low is not None:
        limit_v = limit.low
    if measurements.supply_v >= limit_v:
        return _weak_source(measurements)
    return [
        finding(
            "low-supply",
            (),
            confidence=0.99,
            verdict=Verdict.UNSURE,
            size=Size(measurements.supply_v, "V"),
            evidence=[Evidence("supply voltage", measurements.supply_v, "V")],
            source=limit.source if limit else None,
        )
    ]


def _weak_source(measurements: Measurements) -> list[Finding]:
    """A supply that is high enough without load and falls too far under the trailer's: it, not the trailer, is weak.

    Its resistance is the slope of voltage over current through all readings with the open circuit's.
    """
    limit = measurements.profile.limits.get("supply-sag-v")
    loaded = [
        (sum(reading.pin_a.get(pin, 0.0) for pin in reading.driven), reading.supply_v)
        for reading in measurements.readings
        if reading.how == "drive" and reading.driven and reading.supply_v is not None and not reading.tripped
    ]
    if limit is None or limit.high is None or not loaded:
        return []
    heaviest_a, lowest_v = max(loaded)
    if measurements.supply_v - lowest_v <= limit.high or heaviest_a <= 0:
        return []
    amps, volts = (np.array(column) for column in zip(*loaded, strict=True))
    source_ohm = float(amps @ (measurements.supply_v - volts) / (amps @ amps))
    return [
        finding(
            "low-supply",
            (),
            confidence=0.97,
            verdict=Verdict.UNSURE,
            size=Size(lowest_v, "V"),
            evidence=[
                Evidence("supply without load", measurements.supply_v, "V"),
                Evidence(f"supply at {heaviest_a:.1f} A", lowest_v, "V"),
                Evidence("source resistance", source_ohm, "ohm"),
            ],
            source=limit.source,
        )
    ]


def _live_circuits(look: Look) -> Iterator[Finding]:
    """Pins that stay up whatever is fed, with a return closed."""
    for circuit in look.measurements.profile.circuits:
        seen = [
            pair.reading.pin_v[circuit.pin] - pair.expected_v[circuit.pin]
            for pair in look.pairs
            if pair.reading.returns != "none"
            and pair.reading.how != "drive"
            and circuit.pin not in pair.reading.driven
            and circuit.pin in pair.reading.pin_v
        ]
        if len(seen) >= 2 and min(seen) > LIVE_V:
            yield finding(
                "short-to-supply",
                [circuit],
                confidence=0.97,
                size=Size(float(np.median(seen)), "V"),
                evidence=[Evidence(f"pin {circuit.pin}, not fed", float(np.median(seen)), "V")],
            )


def _crossed(look: Look) -> Iterator[Finding]:
    circuits = look.measurements.profile.circuits
    for one, other in combinations(circuits, 2):
        there, back = _follows(look, one, other), _follows(look, other, one)
        if there is None and back is None:
            continue
        if (there and back is not False) or (back and there is None):
            yield _joined("cross-connection", look, one, other)
        elif there or back:
            yield _joined("back-feed", look, *((one, other) if there else (other, one)))


def _follows(look: Look, fed: Circuit, other: Circuit) -> bool | None:
    """Whether ``other`` comes up with ``fed``; None where it was not read or could not show."""
    answers = []
    for how in ("pulse", "drive", "probe"):
        pair = look.alone(how, fed.pin)
        if pair is None or other.pin not in pair.reading.pin_v or fed.pin not in pair.reading.pin_v:
            continue
        fed_v, other_v = pair.reading.pin_v[fed.pin], pair.reading.pin_v[other.pin]
        if fed_v < 0.1:
            continue
        metal = (
            other_v > FOLLOWS_SHARE * fed_v
            and other_v > pair.expected_v[other.pin] + 0.05
            and takes_more(pair, fed.pin)
        )
        answers.append(metal)
    return None if not answers else any(answers)


def _joined(kind: FindingKind, look: Look, one: Circuit, other: Circuit) -> Finding:
    return finding(
        kind,
        [one, other],
        confidence=0.95 if kind == "cross-connection" else 0.8,
        evidence=_read_together(look, one, other) or _read_together(look, other, one),
        alternatives=[] if kind == "cross-connection" else [Alternative("cross-connection", None, 0.2)],
    )


def _read_together(look: Look, fed: Circuit, other: Circuit) -> list[Evidence]:
    """Both pins in the first reading that fed one and has the other; a pin that was left out was not read."""
    for how in ("drive", "pulse", "probe"):
        pair = look.alone(how, fed.pin)
        if pair is not None and other.pin in pair.reading.pin_v:
            volts = pair.reading.pin_v
            return [
                Evidence(f"pin {fed.pin}, fed", volts[fed.pin], "V"),
                Evidence(f"pin {other.pin}, not fed", volts[other.pin], "V"),
            ]
    return []
