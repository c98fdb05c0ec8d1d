from dataclasses import replace
from functools import cache
from random import Random

import pytest

from bench.electrical import first_look
from bench.profiles.model import InjectedFault, Measurements, Profile, Scenario
from bench.results import Finding, Verdict
from tools.measure import measure
from tools.random_harness import LampMix, random_profile
from tools.spice_source import SpiceSource

# Every measurement here is made by ngspice, from a netlist with lamps of its own.


@cache
def trailer(seed: int, mix: LampMix) -> Profile:
    return random_profile(Random(seed), lamp_mix=mix)


def readings(*faults: InjectedFault, seed: int = 3, mix: LampMix = "filament") -> Measurements:
    profile = trailer(seed, mix)
    return measure(profile, SpiceSource(Scenario(profile, seed=seed, faults=faults)), Random(seed))


def only(measurements: Measurements) -> Finding:
    (finding,) = first_look(measurements)
    return finding


@pytest.mark.parametrize(("seed", "mix"), [(41, "filament"), (42, "led"), (43, "mixed"), (44, "mixed")])
def test_a_sound_trailer_gives_no_finding(seed: int, mix: LampMix) -> None:
    assert first_look(readings(seed=seed, mix=mix)) == ()


@pytest.mark.parametrize(
    ("fault", "kind", "circuit"),
    [
        (InjectedFault("open", "nose.stop--mid.stop"), "open", "stop"),
        (InjectedFault("short-to-ground", "mid.tail--rear.tail", ohm=0.01), "short-to-ground", "tail"),
        (InjectedFault("high-resistance", "pin.4==nose.stop", ohm=1.0), "high-resistance", "stop"),
        (InjectedFault("lamp-out", "left-stop-lamp"), "lamp-out", "stop"),
        (InjectedFault("overload", "mid.stop--rear.stop", ohm=4.0), "overload", "stop"),
        (InjectedFault("short-to-supply", "pin.6"), "short-to-supply", "tail"),
        (InjectedFault("open", "pin.7==nose.abs"), "abs-supply", "abs"),
    ],
)
def test_a_plain_fault_is_seen_without_fitting(fault: InjectedFault, kind: str, circuit: str) -> None:
    finding = only(readings(fault))

    assert (finding.kind, finding.circuits) == (kind, (circuit,))
    assert finding.evidence
    assert finding.next


def test_two_circuits_joined_by_metal_are_named_together() -> None:
    finding = only(readings(InjectedFault("cross-connection", "pin.3", other="pin.6")))

    assert finding.kind == "cross-connection"
    assert finding.circuits == ("left-turn", "tail")


def test_a_path_in_one_direction_only_is_a_back_feed() -> None:
    finding = only(readings(InjectedFault("back-feed", "pin.4", other="pin.6")))

    assert finding.kind == "back-feed"


def test_a_lost_cluster_ground_is_known_by_the_pins_that_come_up() -> None:
    findings = first_look(readings(InjectedFault("ground-open", "rear-left.wire-end==rear-left.ground")))

    assert [one.kind for one in findings] == ["ground-open"]
    assert set(findings[0].circuits) <= {"marker", "left-turn", "stop", "tail"}


def test_a_missing_ground_pin_is_told_from_a_high_one() -> None:
    missing = only(readings(InjectedFault("ground-open", "pin.1==nose.ground")))
    high = only(readings(InjectedFault("ground-high-resistance", "pin.1==nose.ground", ohm=0.6)))

    assert missing.kind == "ground-open"
    assert missing.pins == (1,)
    assert high.kind == "ground-high-resistance"
    assert high.size is not None
    assert high.size.value == pytest.approx(0.6, rel=0.15)


def test_a_marginal_ground_is_unsure_and_not_a_failure() -> None:
    finding = only(readings(InjectedFault("ground-high-resistance", "pin.1==nose.ground", ohm=0.2)))

    assert finding.verdict is Verdict.UNSURE


def test_a_short_says_how_far_it_can_be() -> None:
    finding = only(readings(InjectedFault("short-to-ground", "nose.stop--mid.stop", ohm=0.01, position=0.5)))
    wire = next(segment for segment in trailer(3, "filament").segments if segment.name == "nose.stop--mid.stop")

    assert finding.where is not None
    assert finding.where.from_connector_m is not None
    assert finding.where.from_connector_m >= 0.5 * wire.length_m


def test_which_of_two_alike_lamps_is_out_is_left_open() -> None:
    finding = only(readings(InjectedFault("lamp-out", "left-tail-lamp")))

    places = {finding.where.name if finding.where else ""} | {
        other.where.name for other in finding.alternatives if other.where
    }
    assert {"left-tail-lamp", "right-tail-lamp"} <= places


def test_a_low_supply_is_said_first() -> None:
    findings = first_look(replace(readings(), supply_v=10.0))

    assert [one.kind for one in findings] == ["low-supply"]


def test_nothing_read_is_nothing_found() -> None:
    assert first_look(replace(readings(), readings=())) == ()


def test_readings_without_any_values_are_borne() -> None:
    measured = readings()
    bare = tuple(
        replace(reading, pin_v={}, pin_a={}, return_a={}, chassis_sense_v=None) for reading in measured.readings
    )

    assert first_look(replace(measured, readings=bare)) == ()
