"""What a laboratory measures, on the simulated door harness: sound, miswired, leaking, with a bad contact."""

from dataclasses import replace

import pytest

from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault, Scenario
from bench.results import StepResult, Value, Verdict
from bench.sequences.operator import Answer, Question
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import Session, inspect, inspect_in, on_simulator

SOUND = load_scenario("lab-door")


def with_fault(kind: str, place: str, **size: object) -> Scenario:
    return replace(SOUND, faults=(InjectedFault(kind, place, **size),))  # type: ignore[arg-type]


def step(scenario: Scenario, name: str, **how: object) -> StepResult:
    session: Session = inspect(scenario, only=["supply", name], **how)
    return session.step(name)


def value(result: StepResult, name: str) -> Value:
    return next(each for each in result.values if each.name == name)


def failed(result: StepResult) -> set[str]:
    return {each.name for each in result.values if each.verdict is Verdict.FAIL}


# --- the matrix ---


@pytest.mark.parametrize("seed", [16, 17, 18, 19, 20])
def test_a_sound_harness_is_as_its_drawing_whatever_its_tolerances_make_of_it(seed: int) -> None:
    assert failed(step(replace(SOUND, seed=seed), "matrix")) == set()


def test_the_matrix_has_a_row_for_each_probed_pin_and_a_column_for_each_pin_read() -> None:
    (trace,) = step(SOUND, "matrix").traces

    assert list(trace.columns) == [f"pin_{pin}_v" for pin in range(2, 12)]
    assert {len(column) for column in trace.columns.values()} == {9}
    # Row A (the sixth) lifts column 1 by 330 / (680 + 330) of itself.
    assert trace.columns["pin_9_v"][5] == pytest.approx(trace.columns["pin_7_v"][5] * 330 / 1010, rel=0.05)


@pytest.mark.parametrize(
    ("fault", "names"),
    [
        (("open", "contact.5", {}), {"pin 5 to ground"}),
        (("high-resistance", "switch.a1", {"ohm": 2200.0}), {"pin 7 to ground", "pin 7 on other pins"}),
        (
            ("cross-connection", "contact.5", {"other": "contact.6", "ohm": 0.1}),
            {"pin 5 to ground", "pin 5 on other pins", "pin 6 on other pins"},
        ),
        (
            ("cross-connection", "pin.11", {"other": "contact.7", "ohm": 1.0}),
            {"pin 7 on other pins", "pins joined that the drawing keeps apart"},
        ),
    ],
    ids=["open", "worn switch", "crossed", "spare pin"],
)
def test_what_is_not_as_drawn_fails_in_its_row(fault: tuple[str, str, dict[str, object]], names: set[str]) -> None:
    kind, place, size = fault

    assert failed(step(with_fault(kind, place, **size), "matrix")) >= names


# --- insulation ---


@pytest.mark.parametrize("ohm", [2e5, 2e6, 2e7])
def test_a_leak_between_nets_is_measured_from_kilohms_to_tens_of_megohms(ohm: float) -> None:
    result = step(with_fault("cross-connection", "pin.11", other="contact.7", ohm=ohm), "insulation")
    found = value(result, "insulation of pin 2 to pin 11")

    assert found.value == pytest.approx(ohm, rel=0.15)
    assert (found.verdict is Verdict.FAIL) == (ohm < 1e6)


def test_a_sound_harness_insulates_as_far_as_the_bench_can_tell() -> None:
    found = value(step(SOUND, "insulation"), "insulation of pin 2 to pin 11")

    assert (found.value or 0) > 2e8
    assert found.verdict is Verdict.PASS


# --- contacts ---


class Clips:
    """An operator who does with the sense lead what is asked for."""

    def __init__(self, session: Session) -> None:
        self._session = session

    async def ask(self, question: Question) -> Answer:
        if question.node:
            self._session.board.simulator.clip_sense(question.node)
        return True


def contacts(scenario: Scenario) -> StepResult:
    session = on_simulator(scenario)
    run_virtual(inspect_in(session, only=["contacts"], operator=Clips(session)))
    return session.step("contacts")


@pytest.mark.parametrize("milliohm", [5, 20, 80])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_contact_is_what_was_put_there_within_what_is_said_of_it(milliohm: int, seed: int) -> None:
    drawn_ohm = next(joint.resistance_ohm for joint in SOUND.profile.joints if joint.name == "contact.2")
    bad = with_fault("high-resistance", "contact.2", ohm=milliohm / 1000)
    found = value(contacts(replace(bad, spread=0.0, seed=seed)), "contact of pin 2")

    assert found.value == pytest.approx(drawn_ohm + milliohm / 1000, abs=0.0007 + 0.05 * milliohm / 1000)
    assert found.verdict is (Verdict.FAIL if milliohm > 50 else Verdict.PASS)


def test_a_current_too_small_for_four_wires_is_not_taken_for_a_good_contact() -> None:
    assert value(contacts(SOUND), "contact of pin 8").verdict is Verdict.NOT_TESTED


def test_a_lead_that_nobody_clips_leaves_the_contact_untested() -> None:
    result = step(SOUND, "contacts", operator=None)

    assert {each.verdict for each in result.values} == {Verdict.NOT_TESTED}
    assert "nobody clipped" in (value(result, "contact of pin 2").source or "")


# --- signatures ---


def test_a_resistor_begins_as_it_stays_and_a_filament_in_its_place_shows() -> None:
    result = step(SOUND, "circuits")

    assert value(result, "latch first over last current").value == pytest.approx(1.0, abs=0.1)
    assert value(result, "latch first over last current").verdict is Verdict.PASS
    assert (value(result, "light first over last current").value or 0) > 5
