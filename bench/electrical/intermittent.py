"""Contacts that come and go while the readings are taken: what no single state of a harness explains.

Two signs need no fitting. A circuit conducts in one reading and not in another that was taken in
the same way (alone, by both returns). And in the recording of a switch-on a current that has
begun to fall steps up again, or stops and starts, though the voltage stays: a lamp's current never
does that by itself once its inrush is under way. A control unit's does, so its circuit is left out.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from bench.electrical.circuit_rules import cold_ohm, shorted_when_pulsed
from bench.electrical.ground_rules import shared_ground
from bench.electrical.harness import build
from bench.electrical.laws import FILAMENT, UNIT
from bench.electrical.look import Look, Pair
from bench.electrical.network import predict
from bench.electrical.wording import finding
from bench.profiles.model import Circuit, Inrush, Measurements
from bench.results import Evidence, Finding

OPEN_SHARE = 0.1  # of the expected current: below it nothing conducts
SOUND_SHARE = 0.7  # above it the feed does
LEAST_A = 0.06  # expected, to say anything
OPEN_PROBE_SHARE = 0.8  # of the supply, at a probed pin behind which nothing conducts
SOUND_PROBE_V = 0.5
BEGINS_S = 0.02  # by then the worst of the inrush is over
STEP_SHARE = 0.12  # of the current, from one sample to the next
STEP_NOISE = 12.0  # standard deviations of a sample
FED_SHARE = 0.8  # of the highest voltage: the board feeds the pin


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one reading says of a circuit: whether it conducts, and by which number."""

    conducts: bool
    evidence: Evidence


def comes_and_goes(measurements: Measurements) -> tuple[Finding, ...]:
    """One finding for a circuit whose contact comes and goes; one for several that do, for they share it."""
    if not measurements.readings:
        return ()
    harness = build(measurements.profile)
    look = Look(measurements, harness, predict(measurements, harness))
    restless = {
        circuit: evidence
        for circuit in measurements.profile.circuits
        if not _has_unit(look, circuit) and (evidence := _restless(look, circuit))
    }
    if not restless:
        return ()
    circuits = list(restless)
    several = len(circuits) > 1
    return (
        finding(
            "intermittent",
            circuits,
            confidence=0.9,
            where=shared_ground(look, circuits) if several else None,
            evidence=[each for evidence in restless.values() for each in evidence][:6],
            detail="More than one circuit does it: look first at what they share, a ground or a plug."
            if several
            else "",
        ),
    )


def _has_unit(look: Look, circuit: Circuit) -> bool:
    return any(look.harness.laws.kind[load] == UNIT for load in look.loads(circuit))


def _restless(look: Look, circuit: Circuit) -> list[Evidence]:
    return _contradiction(look, circuit) or _steps(look, circuit)


# --- one reading against another ---


def _contradiction(look: Look, circuit: Circuit) -> list[Evidence]:
    for seen in (list(_conducting(look, circuit)), list(_shorting(look, circuit))):
        yes, no = ([each.evidence for each in seen if each.conducts is state] for state in (True, False))
        if yes and no:
            return [yes[0], no[0]]
    return []


def _conducting(look: Look, circuit: Circuit) -> Iterator[_Seen]:
    pin = circuit.pin
    for how in ("probe", "pulse", "drive"):
        pair = look.alone(how, pin, "both")
        if pair is None or pin not in pair.reading.pin_v:
            continue
        if how == "probe":
            yield from _probed(look, circuit, pair)
            continue
        amps, expected_a = _current(look, pair, pin), pair.expected_a[pin]
        if amps is None or expected_a < LEAST_A:
            continue
        said = Evidence(f"pin {pin}, {_HOW[how]}", round(amps, 3), "A")
        if amps < OPEN_SHARE * expected_a or amps > SOUND_SHARE * expected_a:
            yield _Seen(amps > SOUND_SHARE * expected_a, said)


_HOW = {"probe": "probed", "pulse": "pulsed cold", "drive": "driven"}


def _probed(look: Look, circuit: Circuit, pair: Pair) -> Iterator[_Seen]:
    """Only filaments pull a probed pin down for sure."""
    kinds = {int(look.harness.laws.kind[load]) for load in look.loads(circuit)}
    if kinds != {FILAMENT}:
        return
    pin = circuit.pin
    volts, supply_v = pair.reading.pin_v[pin], pair.reading.supply_v or look.measurements.supply_v
    said = Evidence(f"pin {pin}, {_HOW['probe']}", round(volts, 3), "V")
    if volts > OPEN_PROBE_SHARE * supply_v or volts < SOUND_PROBE_V:
        yield _Seen(volts < SOUND_PROBE_V, said)


def _current(look: Look, pair: Pair, pin: int) -> float | None:
    if pair.reading.how == "drive":
        return pair.reading.pin_a.get(pin)
    supply_v = pair.reading.supply_v or look.measurements.supply_v
    return (supply_v - pair.reading.pin_v[pin]) / look.board.pulse_ohm


def _shorting(look: Look, circuit: Circuit) -> Iterator[_Seen]:
    """A short that the pulse saw and the drive did not, or the other way round."""
    pin = circuit.pin
    pulse, ohm = look.alone("pulse", pin, "both"), cold_ohm(look, circuit)
    if pulse is not None and ohm is not None:
        yield _Seen(shorted_when_pulsed(look, circuit), Evidence(f"pin {pin}, {_HOW['pulse']}", round(ohm, 3), "Ω"))
    driven = [pair for pair in look.pairs if pair.reading.how == "drive" and pair.reading.driven == (pin,)]
    for pair in driven:
        amps = pair.reading.pin_a.get(pin)
        if amps is not None and (pair.reading.tripped or not pair.reading.limited):
            yield _Seen(pair.reading.tripped, Evidence(f"pin {pin}, {_HOW['drive']}", round(amps, 3), "A"))


# --- within a recording ---


def _steps(look: Look, circuit: Circuit) -> list[Evidence]:
    """Steps in the current of a switch-on whose voltage was there all the time."""
    for pair in look.pairs:
        inrush = pair.reading.inrush
        if inrush is not None and pair.reading.driven == (circuit.pin,) and not pair.reading.tripped:
            count, largest_a = _stepping(inrush, look.board.current_noise_a)
            if count:
                name = f"pin {circuit.pin}, steps of its current in {len(inrush.a) * inrush.dt_s * 1000:.0f} ms"
                return [Evidence(name, float(count), "1"), Evidence(f"pin {circuit.pin}, largest", largest_a, "A")]
    return []


def _stepping(inrush: Inrush, noise_a: float) -> tuple[int, float]:
    """How often the current steps up once its inrush is under way, and the largest step."""
    amps, volts = np.asarray(inrush.a), np.asarray(inrush.v)
    fed = volts > FED_SHARE * volts.max(initial=0.0)
    first = max(int(BEGINS_S / inrush.dt_s), int(np.argmax(fed)) + 2 if fed.any() else len(amps))
    if len(amps) - first < 3:
        return 0, 0.0
    change = np.diff(amps[first:])
    least_a = max(STEP_SHARE * float(np.median(amps[first:])), STEP_NOISE * noise_a)
    up = change[(change > least_a) & fed[first:-1] & fed[first + 1 :]]
    return len(up), round(float(up.max(initial=0.0)), 3)
