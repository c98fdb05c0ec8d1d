"""Measured return paths against what was put into the simulated harness: Ohm's law, both ends known."""

from dataclasses import replace

import pytest

from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault
from bench.results import Value
from tests.bench.sequences.sessions import inspect, inspected

POWERED = ["look", "circuits", "ground-return"]


def ground_values(**changes: object) -> dict[str, Value]:
    """Of a bulb trailer exactly as drawn, on a board whose sensors have no errors but noise."""
    scenario = load_scenario("healthy-bulbs")
    exact = replace(scenario.sense, current_gain=0.0, current_offset_a=0.0, voltage_gain=0.0, voltage_offset_v=0.0)
    session = inspect(replace(scenario, sense=exact, spread=0.0, **changes), only=POWERED)
    return {value.name: value for value in session.step("ground-return").values}


@pytest.fixture(scope="module")
def sound() -> dict[str, Value]:
    return ground_values()


@pytest.mark.parametrize(
    ("place", "path", "other"),
    [
        ("contact.ground", "ground path by the pin", "ground path by the chassis"),
        ("bond", "ground path by the chassis", "ground path by the pin"),
    ],
)
@pytest.mark.parametrize("ohm", [0.08, 0.4])
def test_a_resistance_put_into_one_path_is_measured_there_and_not_in_the_other(sound, place, path, other, ohm):
    # What "ground-high-resistance" adds stands in series with the path and nothing else.
    faulty = ground_values(faults=(InjectedFault("ground-high-resistance", place, ohm=ohm),))

    assert faulty[path].value - sound[path].value == pytest.approx(ohm, abs=0.004)
    assert faulty[other].value == pytest.approx(sound[other].value, abs=0.003)


def test_the_sense_lead_tells_a_bad_clamp_from_a_bad_bond(sound):
    clamp = ground_values(clamp_ohm=0.065)
    bond = ground_values(faults=(InjectedFault("ground-high-resistance", "bond", ohm=0.06),))

    added = {name: clamp[name].value - sound[name].value for name in ("chassis clamp", "frame bond and wire behind it")}
    assert added["chassis clamp"] == pytest.approx(0.06, abs=0.002)
    assert added["frame bond and wire behind it"] == pytest.approx(0.0, abs=0.002)
    assert clamp["chassis clamp"].verdict == "unsure", "it is the bench's own clamp"
    assert bond["chassis clamp"].value == pytest.approx(sound["chassis clamp"].value, abs=0.002)


def test_both_returns_share_the_current_inversely_to_their_resistances(sound):
    # Current divider; the lamps of the pair return at the rear, a little before the bond.
    pin, chassis = sound["ground path by the pin"].value, sound["ground path by the chassis"].value

    assert sound["share of the pin with both returns"].value == pytest.approx(chassis / (pin + chassis), abs=0.06)


def test_a_path_the_drawing_lacks_is_measured_but_not_judged():
    session = inspected("healthy-light")
    values = {value.name: value for value in session.step("ground-return").values}

    missing = values["return by the chassis alone, of both"]
    assert missing.value == pytest.approx(0.0, abs=0.02)
    assert missing.source == "the drawing has no such path"
    assert missing.verdict == "pass"


def test_without_a_circuit_that_conducts_the_ground_is_not_tested():
    scenario = load_scenario("lab-door")
    open_all = tuple(
        InjectedFault("open", f"contact.{circuit.pin}")
        for circuit in scenario.profile.circuits
        if any(joint.name == f"contact.{circuit.pin}" for joint in scenario.profile.joints)
    )
    session = inspect(replace(scenario, faults=open_all), only=["circuits", "ground-return"])

    step = session.step("ground-return")
    assert step.values[0].verdict == "not-tested"
    assert "no sound circuit is there to load the ground with" in (step.reason or "")
