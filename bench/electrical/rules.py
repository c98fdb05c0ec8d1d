"""The first look: clear rules that need no fitting, one circuit after another, then the ground.

Theory. Each reading is set beside what a sound harness would read in the same board settings
(:func:`bench.electrical.network.predict`), so that wire, supply and temperature are already
accounted for. A missing lamp takes the same share of the hot current as of the cold
conductance; a resistance in series changes the cold reading much more than the hot one; a
leak adds to both. What a rule can't decide it names as an alternative. The ranking
(:mod:`bench.electrical.diagnosis`) weighs everything together; this is what it starts with and
what a technician can follow with a meter.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from bench.electrical.expected import current_sigma
from bench.electrical.ground import MARGINAL_OHM, MISSING_SHARE, SOUND_OHM
from bench.electrical.harness import Harness, build
from bench.electrical.laws import FILAMENT, UNIT
from bench.electrical.network import Solution, predict
from bench.electrical.wording import finding
from bench.profiles.model import BoardErrors, Circuit, Measurements, Reading, Segment
from bench.results import Alternative, Evidence, Finding, FindingKind, Severity, Size, Verdict, Where

SHORT_OHM = 0.62  # below this and ohmic, a path to ground is a short
LEAST_SERIES_OHM = 0.3
FOLLOWS_SHARE = 0.6  # an undriven pin at this share of the driven one is joined to it
CLUSTER_RISE_V = 0.5
LIVE_V = 0.7
LOW_SUPPLY_SHARE = 11.0 / 12.0
SIGMAS = 4.0


@dataclass(frozen=True, slots=True)
class Pair:
    """A reading beside what a sound harness reads; ``sigma_a`` of the driven current."""

    reading: Reading
    expected_v: dict[int, float]
    expected_a: dict[int, float]
    sigma_a: float


@dataclass(frozen=True)
class Look:
    """Measurements beside a sound harness, found by what was done."""

    measurements: Measurements
    harness: Harness
    solution: Solution

    @property
    def board(self) -> BoardErrors:
        """The board's errors."""
        return self.measurements.board

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        """Every reading beside the sound harness."""
        return tuple(self._pair(row, reading) for row, reading in enumerate(self.measurements.readings))

    def _pair(self, row: int, reading: Reading) -> Pair:
        pins, solution = self.harness.pins, self.solution
        volts = dict(zip(pins, solution.node_v[row, self.harness.pin_nodes].tolist(), strict=True))
        amps = dict(zip(pins, solution.pin_a[row].tolist(), strict=True))
        total = sum(amps[pin] for pin in reading.driven)
        return Pair(reading, volts, amps, current_sigma(self.harness, solution, row, total, self.board))

    def alone(self, how: str, pin: int, *returns: str) -> Pair | None:
        """The first reading of ``pin`` fed alone ``how``, by preference of ``returns``; tripped ones left out."""
        for wanted in returns or ("both", "chassis", "pin"):
            for pair in self.pairs:
                reading = pair.reading
                right = reading.how == how and reading.driven == (pin,) and reading.returns == wanted
                if right and not reading.tripped:
                    return pair
        return None

    def loads(self, circuit: Circuit) -> list[int]:
        """Positions of a circuit's loads."""
        return [i for i, load in enumerate(self.harness.loads) if load.circuit == circuit.name]

    def row(self, pair: Pair) -> int:
        """The row of a pair in the solution."""
        return self.pairs.index(pair)


def first_look(measurements: Measurements) -> tuple[Finding, ...]:
    """Findings that clear rules give, without fitting; absent readings are simply not judged."""
    if not measurements.readings:
        return ()
    harness = build(measurements.profile)
    look = Look(measurements, harness, predict(measurements, harness))
    live = {found.circuits[0]: found for found in _live_circuits(look)}
    metal = [] if live else list(_crossed(look))
    clusters = [] if live else list(_clusters(look, [found for found in metal if found.kind == "cross-connection"]))
    lost = {name for found in clusters for name in found.circuits}
    crossed = [found for found in metal if not lost & set(found.circuits)]
    grounds = [] if live else [*_grounds(look), *clusters]
    busy = set(live) | {name for found in (*crossed, *grounds) for name in found.circuits}
    alone = [
        found
        for circuit in measurements.profile.circuits
        if circuit.name not in busy and (found := _circuit(look, circuit)) is not None
    ]
    return (*supply_findings(measurements), *live.values(), *crossed, *grounds, *alone)


def supply_findings(measurements: Measurements) -> list[Finding]:
    """Whether the bench's own supply is too low to trust the rest."""
    limit_v = LOW_SUPPLY_SHARE * measurements.profile.nominal_v
    limit = measurements.profile.limits.get("supply-low-v")
    if limit is not None and limit.low is not None:
        limit_v = limit.low
    if measurements.supply_v >= limit_v:
        return []
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


# --- two circuits joined ---


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
            and _takes_more(pair, fed.pin)
        )
        answers.append(metal)
    return None if not answers else any(answers)


def _takes_more(pair: Pair, pin: int) -> bool:
    """A circuit that feeds another one takes more than alone, unless it was open; a lost ground takes less."""
    if pair.reading.how != "drive" or pin not in pair.reading.pin_a:
        return True
    return pair.reading.pin_a[pin] > pair.expected_a[pin] - 2 * pair.sigma_a or pair.reading.limited


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


# --- the ground return ---


def _grounds(look: Look) -> Iterator[Finding]:
    for path in ("pin", "chassis"):
        pair = _heaviest(look, path)
        if pair is not None and (found := _ground_path(look, path, pair)):
            yield found


def _heaviest(look: Look, returns: str) -> Pair | None:
    pairs = [p for p in look.pairs if p.reading.how == "drive" and p.reading.returns == returns]
    return max(pairs, key=lambda p: sum(p.expected_a[pin] for pin in p.reading.driven), default=None)


def _ground_path(look: Look, path: str, pair: Pair) -> Finding | None:
    expected_a = sum(pair.expected_a[pin] for pin in pair.reading.driven)
    seen_a = _current(pair.reading, path)
    if seen_a is None or expected_a < 0.5 or not _has_path(look, path):
        return None
    if abs(seen_a) < MISSING_SHARE * expected_a and not _open_feed(look, pair):
        return _ground_open(look, path, seen_a, expected_a)
    rises = [
        pair.reading.pin_v[pin] - pair.expected_v[pin] * seen_a / expected_a
        for pin in look.harness.profile.connector.live_pins
        if pin in pair.reading.pin_v and pin not in pair.reading.driven and pair.reading.pin_v[pin] < FOLLOWS_SHARE * 12
    ]
    if not rises or abs(seen_a) < 0.2:
        return None
    # The ground that all circuits share lifts every pin; a lost cluster lifts some much more.
    rise_v = min(rises)
    excess_ohm = rise_v / seen_a
    error_ohm = look.board.voltage_offset_v / abs(seen_a) + 0.01
    if excess_ohm < SOUND_OHM + 2 * error_ohm:
        return None
    return _ground_high(look, path, excess_ohm, rise_v, seen_a, pair)


def _current(reading: Reading, path: str) -> float | None:
    if path in reading.return_a:
        return reading.return_a[path]
    if all(pin in reading.pin_a for pin in reading.driven):
        return sum(reading.pin_a[pin] for pin in reading.driven)
    return None


def _has_path(look: Look, path: str) -> bool:
    """Whether the drawing has this path at all: the prediction says so."""
    pair = _heaviest(look, path)
    if pair is None:
        return False
    row = look.row(pair)
    returned = look.solution.pin_return_a[row] + look.solution.chassis_return_a[row]
    return bool(returned > 0.2)


def _open_feed(look: Look, pair: Pair) -> bool:
    """The same pins take nothing with both returns either: their feed is open, not the ground."""
    for other in look.pairs:
        same = other.reading.driven == pair.reading.driven and other.reading.how == "drive"
        if same and other.reading.returns == "both":
            seen = _current_fed(other.reading)
            expected_a = sum(other.expected_a[pin] for pin in other.reading.driven)
            return seen is not None and seen < 0.1 * expected_a
    return False


def _current_fed(reading: Reading) -> float | None:
    fed = [reading.pin_a[pin] for pin in reading.driven if pin in reading.pin_a]
    return sum(fed) if fed else None


def _ground_circuits(look: Look) -> list[Circuit]:
    return list(look.measurements.profile.circuits)


def _ground_where(look: Look, path: str) -> Where | None:
    ground = [joint for joint in look.measurements.profile.joints if joint.ground]
    if path == "chassis":
        near = [joint for joint in ground if "chassis" in (joint.a, joint.b)]
    else:
        pins = {f"pin.{pin}" for pin in look.measurements.profile.connector.ground_pins}
        near = [joint for joint in ground if pins & {joint.a, joint.b}]
    return Where("joint", near[0].name) if near else None


def _ground_open(look: Look, path: str, seen_a: float, expected_a: float) -> Finding:
    return finding(
        "ground-open",
        _ground_circuits(look),
        of="whole harness",
        pins=look.harness.profile.connector.ground_pins,
        confidence=0.95,
        where=_ground_where(look, path),
        evidence=[
            Evidence(f"current back by the {path} alone", seen_a, "A"),
            Evidence("expected", expected_a, "A"),
        ],
        detail=f"With the {path} return alone almost nothing comes back.",
    )


def _ground_high(look: Look, path: str, ohm: float, rise_v: float, seen_a: float, pair: Pair) -> Finding:
    bad = ohm > MARGINAL_OHM
    sense = pair.reading.chassis_sense_v
    detail = ""
    if path == "chassis" and sense is not None:
        detail = f"The clamp itself has {sense / seen_a:.2f} Ω; the rest is the bond behind it."
    elif path == "chassis":
        detail = "Without a sense lead on the frame a bad clamp looks just like a bad bond."
    others = [Alternative("board-fault", None, 0.4)] if path == "chassis" and sense is None else []
    return finding(
        "ground-high-resistance",
        _ground_circuits(look),
        pins=look.harness.profile.connector.ground_pins,
        confidence=0.9 if bad else 0.6,
        verdict=Verdict.FAIL if bad else Verdict.UNSURE,
        where=_ground_where(look, path),
        size=Size(ohm, "Ω"),
        evidence=[Evidence("undriven pins above ground", rise_v, "V"), Evidence(f"current by the {path}", seen_a, "A")],
        alternatives=others,
        detail=detail,
    )


def _clusters(look: Look, crossed: Sequence[Finding]) -> Iterator[Finding]:
    """A lost cluster ground: some undriven pins come up, well short of metal, and the driven current falls."""
    taken = {name for found in crossed for name in found.circuits}
    seen: dict[tuple[int, ...], Pair] = {}
    for pair in look.pairs:
        if pair.reading.how == "drive" and len(pair.reading.driven) == 1 and pair.reading.returns == "both":
            up = _risen(look, pair)
            if up and not _takes_more(pair, pair.reading.driven[0]):
                seen[tuple(sorted({*up, *pair.reading.driven}))] = pair
    if not seen:
        return
    pins = max(seen, key=len)
    circuits = [c for c in look.measurements.profile.circuits if c.pin in pins and c.name not in taken]
    if circuits:
        yield _cluster(look, circuits, seen[pins])


def _risen(look: Look, pair: Pair) -> list[int]:
    undriven = {
        pin: pair.reading.pin_v[pin] - pair.expected_v[pin]
        for pin in look.harness.profile.connector.live_pins
        if pin in pair.reading.pin_v and pin not in pair.reading.driven
    }
    if not undriven:
        return []
    rest = min(undriven.values())
    return [pin for pin, volts in undriven.items() if volts > rest + CLUSTER_RISE_V]


def _cluster(look: Look, circuits: Sequence[Circuit], pair: Pair) -> Finding:
    node = _shared_ground(look, circuits)
    pin = pair.reading.driven[0]
    evidence = [
        Evidence(f"pin {pin} takes", pair.reading.pin_a.get(pin, 0.0), "A"),
        Evidence("expected", pair.expected_a[pin], "A"),
        *(Evidence(f"pin {up}, not fed", pair.reading.pin_v[up], "V") for up in _risen(look, pair)),
    ]
    return finding(
        "ground-open",
        circuits,
        confidence=0.9,
        where=node,
        evidence=evidence,
        detail="Its lamps feed each other backwards through their filaments.",
    )


def _shared_ground(look: Look, circuits: Sequence[Circuit]) -> Where | None:
    """The ground joint (or wire) next to the node that loads of the most of ``circuits`` share."""
    names = {circuit.name for circuit in circuits}
    nodes = {load.b for load in look.harness.loads if load.circuit in names}
    shared = max(
        sorted(nodes),
        key=lambda node: len({load.circuit for load in look.harness.loads if load.b == node} & names),
        default=None,
    )
    for span in look.harness.spans:
        if shared in (span.a, span.b):
            element = next((e for e in span.elements if not isinstance(e, Segment)), span.elements[0])
            return Where("segment" if isinstance(element, Segment) else "joint", element.name)
    return None


# --- one circuit alone ---


@dataclass(frozen=True, slots=True)
class Alone:
    """A circuit's own readings against a sound one.

    Attributes:
        hot_ratio: driven current over the expected one; sigma is relative.
        cold_ohm, sound_cold_ohm: pulse resistance seen and expected, where filaments make it meaningful.
    """

    circuit: Circuit
    hot: Pair | None
    hot_ratio: float | None
    hot_sigma: float
    pulse: Pair | None
    cold_ohm: float | None
    sound_cold_ohm: float | None
    probe: Pair | None


def _circuit(look: Look, circuit: Circuit) -> Finding | None:
    seen = _alone(look, circuit)
    tests: tuple[Callable[[Look, Alone], Finding | None], ...] = (_short, _open, _missing_or_series, _too_much)
    return next((found for test in tests if (found := test(look, seen)) is not None), None)


def _alone(look: Look, circuit: Circuit) -> Alone:
    pin = circuit.pin
    hot, pulse, probe = (look.alone(how, pin) for how in ("drive", "pulse", "probe"))
    ratio, sigma = None, 1.0
    if hot is not None and pin in hot.reading.pin_a and hot.expected_a[pin] > 1e-3:
        ratio, sigma = hot.reading.pin_a[pin] / hot.expected_a[pin], hot.sigma_a / hot.expected_a[pin]
    kinds = {int(look.harness.laws.kind[i]) for i in look.loads(circuit)}
    cold = sound = None
    if pulse is not None and UNIT not in kinds:
        amps = _pulse_current(look, pulse, pin)
        if amps and pin in pulse.reading.pin_v:
            cold = pulse.reading.pin_v[pin] / amps
            sound = pulse.expected_v[pin] / pulse.expected_a[pin] if FILAMENT in kinds else None
    return Alone(circuit, hot, ratio, sigma, pulse, cold, sound, probe)


def _pulse_current(look: Look, pulse: Pair, pin: int) -> float | None:
    """From the pulse resistor, which is known better than the current sensor."""
    supply = pulse.reading.supply_v or look.measurements.supply_v
    if pin not in pulse.reading.pin_v:
        return None
    amps = (supply - pulse.reading.pin_v[pin]) / look.board.pulse_ohm
    return amps if amps > 0.02 else None


def _short(look: Look, seen: Alone) -> Finding | None:
    pin = seen.circuit.pin
    ohm, volts, amps = _short_resistance(look, seen)
    if ohm is None:
        return None
    where = _short_where(look, seen.circuit, ohm)
    evidence = [Evidence(f"pin {pin}", volts, "V"), Evidence(f"pin {pin}", amps, "A"), Evidence("resistance", ohm, "Ω")]
    bound = where.from_connector_m if where else None
    return finding(
        "short-to-ground",
        [seen.circuit],
        confidence=0.95,
        where=where,
        size=Size(ohm, "Ω"),
        evidence=evidence,
        detail=f"It is at most {bound:.1f} m of wire from the connector; contact resistance makes it look farther away."
        if bound is not None
        else "",
    )


def _short_resistance(look: Look, seen: Alone) -> tuple[float | None, float, float]:
    """Resistance of the short path with its volts and amps; None when there is none."""
    pin = seen.circuit.pin
    if seen.cold_ohm is not None and seen.pulse is not None:
        amps = _pulse_current(look, seen.pulse, pin) or 0.0
        sound = seen.sound_cold_ohm
        extra = 1 / max(seen.cold_ohm, 1e-4) - (1 / sound if sound else 0.0)
        clear = sound is None or seen.cold_ohm < 0.75 * sound
        if clear and seen.cold_ohm < SHORT_OHM and extra > 1 / SHORT_OHM:
            return seen.cold_ohm, seen.pulse.reading.pin_v[pin], amps
    tripped = [p.reading for p in look.pairs if p.reading.driven == (pin,) and (p.reading.tripped or p.reading.limited)]
    for reading in tripped:
        amps = reading.pin_a.get(pin, 0.0)
        if amps > 1.0 and reading.pin_v.get(pin, np.inf) / amps < SHORT_OHM:
            return reading.pin_v[pin] / amps, reading.pin_v[pin], amps
    if seen.hot is not None and pin in seen.hot.reading.pin_a and seen.hot.reading.pin_v.get(pin, 0.0) > 1.0:
        volts, amps = seen.hot.reading.pin_v[pin], seen.hot.reading.pin_a[pin]
        if amps - seen.hot.expected_a[pin] > volts / SHORT_OHM:
            return volts / amps, volts, amps
    return None, 0.0, 0.0


def _short_where(look: Look, circuit: Circuit, ohm: float) -> Where | None:
    """The farthest point that ``ohm`` allows, along the circuit's wires."""
    harness = look.harness
    reach: dict[str, float] = {f"pin.{circuit.pin}": 0.0}
    best: tuple[float, Segment] | None = None
    for _ in harness.spans:
        for span in harness.spans:
            if circuit.name not in harness.live_side[span.a]:
                continue
            for near, far, elements in ((span.a, span.b, span.elements), (span.b, span.a, span.elements[::-1])):
                if near in reach and far not in reach:
                    reach[far] = reach[near] + span.resistance_ohm
                    best = _farthest(best, elements, reach[near], harness.distance_m[near], ohm)
    return Where("segment", best[1].name, round(best[0], 2)) if best else None


def _farthest(
    best: tuple[float, Segment] | None, elements: Sequence[object], ohm_before: float, metres: float, ohm: float
) -> tuple[float, Segment] | None:
    for element in elements:
        if isinstance(element, Segment):
            share = (ohm - ohm_before) / element.resistance_ohm
            at = metres + min(max(share, 0.0), 1.0) * element.length_m
            if share > 0 and (best is None or at > best[0]):
                best = (at, element)
            metres += element.length_m
        ohm_before += getattr(element, "resistance_ohm", 0.0)
    return best


def _open(look: Look, seen: Alone) -> Finding | None:
    pin = seen.circuit.pin
    little_hot = (
        seen.hot_ratio is not None
        and seen.hot is not None
        and (seen.hot.reading.pin_a[pin] < max(0.05 * seen.hot.expected_a[pin], 2 * look.board.current_offset_a))
    )
    expected_a = seen.hot.expected_a[pin] if seen.hot else 0.0
    decisive = expected_a > 6 * look.board.current_offset_a
    if not little_hot or not decisive or seen.hot is None:
        return None
    loads = look.loads(seen.circuit)
    evidence = [
        Evidence(f"pin {pin}", seen.hot.reading.pin_a[pin], "A"),
        Evidence("expected", expected_a, "A"),
    ]
    if any(look.harness.laws.kind[i] == UNIT for i in loads):
        return finding(
            "abs-supply",
            [seen.circuit],
            confidence=0.8,
            evidence=evidence,
            where=_trunk(look, seen.circuit),
            alternatives=[Alternative("open", _trunk(look, seen.circuit), 0.2)],
        )
    others = []
    if len(loads) == 1:
        lamp = look.harness.loads[loads[0]]
        others = [Alternative("lamp-out", Where("lamp", lamp.name), 0.45)]
    return finding(
        "open",
        [seen.circuit],
        confidence=0.55 if others else 0.95,
        where=_trunk(look, seen.circuit),
        evidence=evidence,
        alternatives=others,
    )


def _trunk(look: Look, circuit: Circuit) -> Where | None:
    """The first joint (else wire) behind the connector."""
    for span in look.harness.spans:
        if f"pin.{circuit.pin}" in (span.a, span.b):
            element = next((e for e in span.elements if not isinstance(e, Segment)), span.elements[0])
            return Where("segment" if isinstance(element, Segment) else "joint", element.name)
    return None


def _missing_or_series(look: Look, seen: Alone) -> Finding | None:
    if seen.hot is None or seen.hot_ratio is None:
        return None
    missing = 1 - seen.hot_ratio
    loads = look.loads(seen.circuit)
    series_ohm = _series(seen, look)
    if series_ohm is not None:
        return _high_resistance(look, seen, series_ohm)
    if missing < 3.0 * seen.hot_sigma or len(loads) < 2:
        return _weak(look, seen, missing) if missing > 5 * seen.hot_sigma else None
    return _lamps_out(look, seen, missing)


def _series(seen: Alone, look: Look) -> float | None:
    """Series resistance when the cold reading says so and the hot one agrees that no lamp is missing for it."""
    if seen.cold_ohm is None or seen.sound_cold_ohm is None or seen.hot is None or seen.hot_ratio is None:
        return None
    beyond = seen.cold_ohm - seen.sound_cold_ohm
    if beyond < max(LEAST_SERIES_OHM * 0.9, 0.35 * seen.sound_cold_ohm):
        return None
    expected_a = seen.hot.expected_a[seen.circuit.pin]
    hot_ohm = look.measurements.supply_v / expected_a
    # Filament behind r: I (r + R) = V with R ~ I**(0.45/0.55).
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if middle * beyond / hot_ohm + middle ** (1 / 0.55) < 1 else (low, middle)
    missing_share = 1 - seen.hot_ratio
    cold_share = 1 - seen.sound_cold_ohm / seen.cold_ohm
    as_series = abs(seen.hot_ratio - low)
    as_lamps = abs(missing_share - cold_share)
    return beyond if as_series < as_lamps else None


def _high_resistance(look: Look, seen: Alone, ohm: float) -> Finding:
    pin = seen.circuit.pin
    return finding(
        "high-resistance",
        [seen.circuit],
        confidence=0.85,
        severity=_series_severity(seen),
        where=_trunk(look, seen.circuit),
        size=Size(ohm, "Ω"),
        evidence=[
            Evidence(f"pin {pin} cold", seen.cold_ohm or 0.0, "Ω"),
            Evidence("expected cold", seen.sound_cold_ohm or 0.0, "Ω"),
            Evidence(f"pin {pin} hot, of expected", seen.hot_ratio or 0.0, "1"),
        ],
        detail="The lamps are dim but all of them conduct.",
    )


def _series_severity(seen: Alone) -> Severity:
    return "safety" if seen.hot_ratio is not None and seen.hot_ratio < 0.7 else "defect"


def _lamps_out(look: Look, seen: Alone, missing: float) -> Finding | None:
    loads = look.loads(seen.circuit)
    row = look.row(seen.hot) if seen.hot else 0
    amps = np.abs(look.solution.load_a[row, loads])
    if not amps.sum():
        return None
    shares = amps / amps.sum()
    best = min(_subsets(len(loads)), key=lambda lost: abs(shares[list(lost)].sum() - missing))
    share = float(shares[list(best)].sum())
    if abs(share - missing) > max(4 * seen.hot_sigma, 0.25 * share) or missing < 0.5 * shares.min():
        return _weak(look, seen, missing)
    lamps = [look.harness.loads[loads[i]] for i in best]
    twins = [
        load for i, load in enumerate(loads) if i not in best and np.isclose(shares[i], shares[best[0]], rtol=0.15)
    ]
    others = [
        Alternative("lamp-out", Where("lamp", look.harness.loads[load].name), round(0.9 / (len(twins) + 1), 3))
        for load in twins
    ]
    pin = seen.circuit.pin
    return finding(
        "lamp-out",
        [seen.circuit],
        confidence=0.85,
        where=Where("lamp", lamps[0].name, round(look.harness.distance_m.get(lamps[0].a, 0.0), 2)),
        size=Size(float(len(lamps)), "lamps"),
        evidence=[
            Evidence(f"pin {pin}", seen.hot.reading.pin_a[pin] if seen.hot else 0.0, "A"),
            Evidence("expected", seen.hot.expected_a[pin] if seen.hot else 0.0, "A"),
        ],
        alternatives=others,
    )


def _subsets(count: int) -> list[tuple[int, ...]]:
    most = min(count, 4)
    return [lost for size in range(1, most + 1) for lost in combinations(range(count), size)]


def _weak(look: Look, seen: Alone, missing: float) -> Finding | None:
    if seen.hot is None or seen.hot_ratio is None or missing < 5 * seen.hot_sigma:
        return None
    return _odd_load(look, seen, seen.hot_ratio)


def _odd_load(look: Look, seen: Alone, ratio: float) -> Finding:
    pin = seen.circuit.pin
    lamp = look.loads(seen.circuit)
    abs_unit = any(look.harness.laws.kind[i] == UNIT for i in lamp)
    return finding(
        "abs-supply" if abs_unit else "wrong-load",
        [seen.circuit],
        confidence=0.6,
        size=Size(ratio, "1"),
        evidence=[
            Evidence(f"pin {pin}", seen.hot.reading.pin_a[pin] if seen.hot else 0.0, "A"),
            Evidence("expected", seen.hot.expected_a[pin] if seen.hot else 0.0, "A"),
        ],
        alternatives=[Alternative("high-resistance", _trunk(look, seen.circuit), 0.3)] if ratio < 1 else [],
    )


def _too_much(look: Look, seen: Alone) -> Finding | None:
    if seen.hot is None or seen.hot_ratio is None:
        return None
    pin = seen.circuit.pin
    expected_a, seen_a = seen.hot.expected_a[pin], seen.hot.reading.pin_a[pin]
    loads = look.loads(seen.circuit)
    if any(look.harness.laws.kind[i] == UNIT for i in loads):
        expected_a += sum(getattr(look.harness.loads[i].type, "lamp_a", 0.0) for i in loads)
    row = look.row(seen.hot)
    quarter = 0.25 * float(np.min(look.solution.load_a[row, loads], initial=expected_a))
    extra = seen_a - expected_a
    if extra < max(SIGMAS * seen.hot.sigma_a, quarter, 0.05):
        return None
    return finding(
        "overload",
        [seen.circuit],
        confidence=0.8,
        size=Size(extra, "A"),
        evidence=[Evidence(f"pin {pin}", seen_a, "A"), Evidence("expected", expected_a, "A")],
        alternatives=[Alternative("wrong-load", None, 0.2)],
    )
