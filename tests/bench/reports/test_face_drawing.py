import math
from dataclasses import replace

import pytest

from bench.profiles import load_profile
from bench.reports.face_drawing import draw_face, pin_states
from bench.results import StepResult, Value, Verdict
from tests.bench.reports.html_reading import read
from tests.bench.reports.made_run import faulty_run, healthy_run


def test_pins_have_the_state_of_their_findings():
    profile = load_profile("tandem-53ft")
    states = pin_states(faulty_run(profile), profile)

    assert {number: state.words for number, state in states.items()} == {
        1: "fault 3",
        2: "unsure 2",
        3: "no fault found",
        4: "fault 1",
        5: "no fault found",
        6: "no fault found",
        7: "no fault found",
    }


def test_a_pin_whose_circuit_was_not_measured_is_not_called_sound():
    profile = load_profile("tandem-53ft")
    values = (Value("tail current", 1.0, "A"), Value("stop current", None, "A", verdict=Verdict.NOT_TESTED))
    run = replace(healthy_run(profile), steps=(StepResult("detail", "In detail", Verdict.PASS, 0, 1, values),))
    states = pin_states(run, profile)

    assert states[6].state == "sound"
    assert {states[number].state for number in (1, 2, 3, 4, 5, 7)} == {"not-tested"}


def test_a_pin_with_a_value_beyond_its_limit_is_not_called_sound():
    profile = load_profile("tandem-53ft")
    value = Value("tail current", 9.0, "A", 1.0, 2.0, Verdict.FAIL)
    run = replace(healthy_run(profile), steps=(StepResult("circuits", "Circuits", Verdict.FAIL, 0, 1, (value,)),))

    assert pin_states(run, profile)[6].words == "beyond a limit"


def test_wired_pins_without_a_circuit_and_free_pins_are_told_apart():
    door = load_profile("machine-door")
    profile = replace(door, circuits=tuple(circuit for circuit in door.circuits if circuit.name != "column-1"))
    states = pin_states(healthy_run(profile), profile)

    assert (states[9].words, states[11].words) == ("not tested by itself", "not wired")


@pytest.mark.parametrize("name", ["tandem-53ft", "semitrailer-24v", "light-13pin", "machine-door"])
def test_pins_are_drawn_apart_and_say_their_number_function_and_state(name: str):
    profile = load_profile(name)
    run = faulty_run(profile)
    page = read(f"<main>{draw_face(profile.connector, pin_states(run, profile))}</main>")
    contacts = [
        {name: float(element.attributes[name]) for name in ("cx", "cy", "r")}
        for element in page.all("circle")
        if element.attributes["class"].startswith("contact")
    ]

    assert page.broken == []
    assert len(contacts) == len(profile.connector.pins)
    for number, one in enumerate(contacts):
        for other in contacts[:number]:
            assert math.dist((one["cx"], one["cy"]), (other["cx"], other["cy"])) > 2 * one["r"]
    for pin, state in pin_states(run, profile).items():
        function = next(each.function for each in profile.connector.pins if each.number == pin)
        assert f"pin {pin}, {function}: {state.words}" in page.words
