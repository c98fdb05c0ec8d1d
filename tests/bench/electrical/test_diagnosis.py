from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.electrical import diagnose, learn
from bench.electrical.harness import build
from bench.profiles.model import InjectedFault, Measurements, Profile, Reading, Scenario
from bench.results import Alternative, Finding, Verdict
from tools.measure import measure
from tools.random_harness import LampMix, random_profile
from tools.spice_source import SpiceSource

# Every measurement here is made by ngspice, from a netlist with lamps of its own.

REAR_LEFT = "rear-left.wire-end==rear-left.ground"


@cache
def trailer(seed: int = 3, mix: LampMix = "filament") -> Profile:
    return random_profile(Random(seed), lamp_mix=mix)


def readings(*faults: InjectedFault, seed: int = 3, mix: LampMix = "filament", spread: float = 1.0) -> Measurements:
    profile = trailer(seed, mix)
    scenario = Scenario(profile, seed=seed, spread=spread, faults=faults)
    return measure(profile, SpiceSource(scenario), Random(seed))


@cache
def sound() -> Measurements:
    return readings()


def failed(findings: Sequence[Finding]) -> list[tuple[str, tuple[str, ...]]]:
    return [(one.kind, one.circuits) for one in findings if one.verdict is Verdict.FAIL]


EVERY = ("marker", "left-turn", "stop", "right-turn", "tail", "abs")


@pytest.mark.parametrize(
    ("fault", "seed", "kind", "circuits"),
    [
        (InjectedFault("lamp-out", "left-mid-marker"), 3, "lamp-out", ("marker",)),
        (InjectedFault("lamp-out", "right-stop-lamp"), 4, "lamp-out", ("stop",)),
        (InjectedFault("high-resistance", "pin.4==nose.stop", ohm=0.4), 5, "high-resistance", ("stop",)),
        (InjectedFault("high-resistance", "nose.tail--mid.tail", ohm=2.0), 6, "high-resistance", ("tail",)),
        (InjectedFault("open", "nose.stop--mid.stop"), 7, "open", ("stop",)),
        (InjectedFault("open", "mid.marker--rear.marker"), 8, "open", ("marker",)),
        (InjectedFault("short-to-ground", "mid.tail--rear.tail", ohm=0.01), 9, "short-to-ground", ("tail",)),
        (InjectedFault("overload", "mid.stop--rear.stop", ohm=6.0), 10, "overload", ("stop",)),
        (InjectedFault("cross-connection", "pin.3", other="pin.6"), 11, "cross-connection", ("left-turn", "tail")),
        (InjectedFault("back-feed", "pin.4", other="pin.6"), 12, "back-feed", ("stop", "tail")),
        (InjectedFault("ground-open", REAR_LEFT), 13, "ground-open", ("marker", "left-turn", "stop", "tail")),
        (InjectedFault("ground-open", "rear.ground==chassis"), 14, "ground-open", EVERY),
        (
            InjectedFault("ground-high-resistance", "pin.1==nose.ground", ohm=0.6),
            15,
            "ground-high-resistance",
            EVERY,
        ),
        (InjectedFault("short-to-supply", "pin.6"), 16, "short-to-supply", ("tail",)),
        (InjectedFault("open", "pin.7==nose.abs"), 17, "abs-supply", ("abs",)),
        (InjectedFault("wrong-load", "left-stop-lamp", factor=2.0), 18, "wrong-load", ("stop",)),
    ],
)
def test_a_single_fault_is_named_with_its_circuits(
    fault: InjectedFault, seed: int, kind: str, circuits: tuple[str, ...]
) -> None:
    found = diagnose(readings(fault, seed=seed))

    assert failed(found.findings) == [(kind, circuits)]
    assert not found.unexplained


@pytest.mark.parametrize(("seed", "mix", "spread"), [(21, "filament", 1.0), (22, "led", 1.0), (23, "mixed", 1.8)])
def test_a_sound_trailer_passes_even_when_built_looser_than_told(seed: int, mix: LampMix, spread: float) -> None:
    found = diagnose(readings(seed=seed, mix=mix, spread=spread))

    assert found.findings == ()
    assert not found.unexplained


def test_two_faults_on_different_circuits_are_both_named() -> None:
    found = diagnose(
        readings(
            InjectedFault("high-resistance", "pin.4==nose.stop", ohm=0.8),
            InjectedFault("lamp-out", "right-tail-lamp"),
        )
    )

    assert set(failed(found.findings)) == {("high-resistance", ("stop",)), ("lamp-out", ("tail",))}


def test_a_dead_lamp_alone_on_its_wire_is_said_to_look_like_an_open_wire() -> None:
    profile = trailer(6)
    alone = next(c.name for c in profile.circuits if c.lit and len(profile.loads_of(c.name)) == 1)
    lamp = profile.loads_of(alone)[0].name
    (finding,) = diagnose(readings(InjectedFault("lamp-out", lamp), seed=6)).findings

    told = [*finding.alternatives, Alternative(finding.kind, finding.where, finding.confidence)]
    named = {(one.kind, one.where.name if one.where else None) for one in told}
    assert ("lamp-out", lamp) in named
    assert any(kind == "open" for kind, _ in named)
    assert finding.confidence < 0.9
    assert sum(one.confidence for one in told) == pytest.approx(1.0, abs=0.1)


def test_dead_lamps_of_one_circuit_are_counted() -> None:
    lost = [InjectedFault("lamp-out", name) for name in ("left-mid-marker", "right-front-marker")]
    (finding,) = diagnose(readings(*lost)).findings

    assert finding.kind == "lamp-out"
    assert finding.size is not None
    assert finding.size.value == 2


def test_series_resistance_is_measured() -> None:
    (finding,) = diagnose(readings(InjectedFault("high-resistance", "mid.stop--rear.stop", ohm=1.2))).findings

    assert finding.size is not None
    assert finding.size.value == pytest.approx(1.2, rel=0.1)
    assert any(other.where and other.where.name == "mid.stop--rear.stop" for other in finding.alternatives) or (
        finding.where is not None and finding.where.name == "mid.stop--rear.stop"
    )


def test_a_short_is_never_farther_than_said() -> None:
    wire = next(s for s in trailer().segments if s.name == "mid.right-turn--rear.right-turn")
    first = next(s for s in trailer().segments if s.name == "nose.right-turn--mid.right-turn")
    fault = InjectedFault("short-to-ground", wire.name, position=0.5, ohm=0.004)
    (finding,) = diagnose(readings(fault)).findings
    bound = next(one.value for one in finding.evidence if one.name == "farthest from the connector")
    true_m = first.length_m + wire.length_m / 2

    assert true_m < bound < true_m + 3.0
    assert finding.where is not None
    assert finding.where.plus_minus_m is not None


def test_the_readings_behind_a_finding_are_named_with_what_was_expected() -> None:
    (finding,) = diagnose(readings(InjectedFault("lamp-out", "left-stop-lamp"))).findings

    names = [one.name for one in finding.evidence]
    assert names
    assert any(name.endswith("expected") for name in names)
    assert any(one.unit == "A" for one in finding.evidence)


def test_hypotheses_are_ranked_and_say_what_decided() -> None:
    found = diagnose(readings(InjectedFault("lamp-out", "left-stop-lamp")))

    best, *rest = found.hypotheses
    assert best.kinds == ("lamp-out",)
    assert "pin" in best.deciding
    assert all(best.log_evidence >= other.log_evidence for other in rest)
    assert sum(one.probability for one in found.hypotheses) <= 1.0001


def test_nonsense_is_unexplained_and_never_sure() -> None:
    def spoil(number: int, reading: Reading) -> Reading:
        factor = (0.4, 1.9, 0.7, 1.4)[number % 4]
        return replace(reading, pin_a={pin: amps * factor for pin, amps in reading.pin_a.items()})

    spoilt = tuple(spoil(number, reading) for number, reading in enumerate(sound().readings))
    found = diagnose(replace(sound(), readings=spoilt))

    assert found.unexplained
    assert any(one.kind == "unexplained" and one.verdict is Verdict.UNSURE for one in found.findings)


def test_no_readings_make_no_findings_and_list_every_circuit_as_untested() -> None:
    found = diagnose(replace(sound(), readings=()))

    assert found.findings == ()
    assert set(found.untested) == set(EVERY)


def test_a_circuit_that_was_not_fed_is_untested_not_passed() -> None:
    some = tuple(reading for reading in sound().readings if 4 not in reading.driven)

    assert diagnose(replace(sound(), readings=some)).untested == ("stop",)


def test_currents_alone_still_show_a_dead_lamp() -> None:
    measured = readings(InjectedFault("lamp-out", "left-stop-lamp"))
    bare = tuple(
        replace(reading, pin_v={pin: reading.pin_v[pin] for pin in reading.driven}, return_a={}, chassis_sense_v=None)
        for reading in measured.readings
        if reading.how == "drive" and len(reading.driven) == 1
    )
    found = diagnose(replace(measured, readings=bare))

    assert any(one.circuits == ("stop",) and one.verdict is Verdict.FAIL for one in found.findings)


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_any_part_of_the_readings_gives_an_honest_answer(data: st.DataObject) -> None:
    kept = tuple(reading for reading in sound().readings if data.draw(st.booleans()))
    thinned = tuple(
        replace(reading, pin_v={p: v for p, v in reading.pin_v.items() if data.draw(st.booleans())}) for reading in kept
    )
    found = diagnose(replace(sound(), readings=thinned))

    assert failed(found.findings) == []
    assert all(0.0 <= one.confidence <= 1.0 for one in found.findings)


def test_a_low_supply_is_told_and_is_no_defect_of_the_trailer() -> None:
    found = diagnose(replace(sound(), supply_v=10.2))

    assert [one.kind for one in found.findings] == ["low-supply"]
    assert found.findings[0].severity == "advice"


def test_what_earlier_readings_taught_shows_a_lamp_that_tolerances_would_hide() -> None:
    history = [readings(seed=31), readings(seed=31)]
    heavier = readings(InjectedFault("wrong-load", "left-tail-lamp", factor=1.5), seed=31)
    baseline = learn(history)

    assert failed(diagnose(heavier).findings) == []
    assert failed(diagnose(heavier, baseline).findings) == [("wrong-load", ("tail",))]
    assert diagnose(history[0], baseline).findings == ()


def test_a_baseline_needs_readings() -> None:
    with pytest.raises(ValueError, match="at least one"):
        learn([])


def test_metal_between_two_wires_is_placed_along_them() -> None:
    profile = trailer(9)
    wires = [f"mid.{name}--rear.{name}" for name in ("stop", "left-turn")]
    touching = InjectedFault("cross-connection", wires[0], other=wires[1], position=0.9, ohm=0.02)
    (finding,) = diagnose(readings(touching, seed=9)).findings
    wire = next(one for one in profile.segments if one.name == wires[0])
    truth_m = build(profile, [wire.a]).distance_m[wire.a] + 0.9 * wire.length_m

    assert finding.kind == "cross-connection"
    assert finding.where is not None
    assert finding.where.plus_minus_m is not None
    assert finding.where.from_connector_m == pytest.approx(truth_m, abs=max(finding.where.plus_minus_m, 2.0))
