"""First look at one circuit alone: short, open, lamps out, series resistance, too much current."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from bench.electrical.laws import FILAMENT, UNIT
from bench.electrical.look import Look, Pair
from bench.electrical.wording import finding
from bench.profiles.model import Circuit, Segment
from bench.results import Alternative, Evidence, Finding, Severity, Size, Where

SHORT_OHM = 0.62  # below this and ohmic, a path to ground is a short
LEAST_SERIES_OHM = 0.3
SIGMAS = 4.0


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


def look_at_circuit(look: Look, circuit: Circuit) -> Finding | None:
    """The first rule that a circuit's own readings break."""
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


def cold_ohm(look: Look, circuit: Circuit) -> float | None:
    """Resistance behind a pin that was pulsed cold."""
    return _alone(look, circuit).cold_ohm


def shorted_when_pulsed(look: Look, circuit: Circuit) -> bool:
    """Whether the cold pulse alone shows a short."""
    seen = _alone(look, circuit)
    return _pulsed_short(look, seen) is not None


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
    if (pulsed := _pulsed_short(look, seen)) is not None:
        return pulsed
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


def _pulsed_short(look: Look, seen: Alone) -> tuple[float, float, float] | None:
    if seen.cold_ohm is None or seen.pulse is None:
        return None
    pin, sound = seen.circuit.pin, seen.sound_cold_ohm
    extra = 1 / max(seen.cold_ohm, 1e-4) - (1 / sound if sound else 0.0)
    clear = sound is None or seen.cold_ohm < 0.75 * sound
    if not (clear and seen.cold_ohm < SHORT_OHM and extra > 1 / SHORT_OHM):
        return None
    return seen.cold_ohm, seen.pulse.reading.pin_v[pin], _pulse_current(look, seen.pulse, pin) or 0.0


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
