"""The reading that places a short, on the simulator: who is asked, what is fed, what it shows."""

from dataclasses import replace

import pytest

from bench.contract.table import Capability, CommandCode
from bench.profiles import load_scenario
from bench.profiles.model import CHASSIS, COPPER_OHM_MM2_PER_M, InjectedFault, Scenario
from bench.results import Verdict
from bench.sequences import Question
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import Session, inspect_in, on_simulator

FOOT_M = 0.3048
AWG_10_MM2 = 5.261  # ASTM B258, nominal area
STEPS = ["look", "cold-pulse", "circuits", "two-ended"]


class Clipper:
    """Somebody who clips the lead where the question says, and remembers what was asked and what was on then."""

    def __init__(self, session: Session, answer: object = True) -> None:
        self.session, self.answer = session, answer
        self.asked: list[Question] = []
        self.on: list[set[int]] = []
        self.lead_at = CHASSIS

    async def ask(self, question: Question) -> object:
        if not question.node:
            return True
        self.asked.append(question)
        self.on.append(self.session.board.on())
        if self.answer is True:
            self.lead_at = question.node
            self.session.board.simulator.clip_sense(question.node)
        return self.answer


def shorted(place: str, position: float, ohm: float) -> Scenario:
    """Bulbs, as drawn to the millimetre, with one short."""
    fault = InjectedFault("short-to-ground", place, position=position, ohm=ohm)
    return replace(load_scenario("healthy-bulbs"), faults=(fault,), spread=0.0, ambient_c=20.0)


def inspected(scenario: Scenario, answer: object = True, **options: object) -> tuple[Session, Clipper]:
    lacks = options.pop("lacks", Capability(0))
    session = on_simulator(scenario, lacks=lacks)  # type: ignore[arg-type]
    clipper = Clipper(session, answer)
    run_virtual(inspect_in(session, only=STEPS, operator=clipper, **options))
    return session, clipper


@pytest.mark.parametrize("contact_ohm", [0.005, 0.03])
def test_the_wire_up_to_the_short_is_read_whatever_its_contact_has(contact_ohm: float) -> None:
    readings = []
    scenario = shorted("main.rear.stop", 0.5, contact_ohm)
    inspected(scenario, infer=lambda measurements: readings.append(measurements.readings) or ())
    reading = readings[-1][-1]
    pin = scenario.profile.circuit("stop").pin
    contact = next(joint for joint in scenario.profile.joints if joint.name == "contact.stop")

    assert reading.sense_at == "rear.stop"
    wire_ohm = COPPER_OHM_MM2_PER_M * (26 + 13.5) * FOOT_M / AWG_10_MM2
    amps = (reading.supply_v - reading.pin_v[pin]) / 10.0
    seen_ohm = (reading.pin_v[pin] - reading.chassis_sense_v) / amps
    assert seen_ohm == pytest.approx(
        wire_ohm + contact.resistance_ohm, abs=0.004
    )  # 1.2 m of this wire: two sensors of 3 mV


def test_the_operator_is_asked_with_everything_off_and_the_circuit_is_only_pulsed() -> None:
    session, clipper = inspected(shorted("main.rear.markers", 0.5, 0.02))

    assert [question.node for question in clipper.asked] == ["rear.markers", CHASSIS]
    assert clipper.asked[0].safety, "a lead that is not on would give a wrong place: never taken for granted"
    assert "16.1 m of wire" in clipper.asked[0].text
    assert clipper.on == [set(), set()]
    assert clipper.lead_at == CHASSIS
    channel = session.scenario.profile.channel_of_pin[session.scenario.profile.circuit("markers").pin]
    assert (CommandCode.DRIVE, channel) not in session.board.commands
    assert [value.value is not None for value in session.step("two-ended").values] == [True, True]


def test_the_pulses_wait_until_the_lamps_that_were_lit_are_cold() -> None:
    session, _ = inspected(shorted("main.rear.markers", 0.5, 0.02))

    assert session.step("circuits").duration_s > 0.5
    assert 4.5 < session.step("two-ended").duration_s < 7.0


@pytest.mark.parametrize("answer", [None, False, "no"])
def test_without_somebody_at_the_far_end_the_short_is_placed_from_the_front_and_that_is_said(answer: object) -> None:
    session, clipper = inspected(shorted("main.rear.markers", 0.5, 0.02), answer)
    step = session.step("two-ended")

    assert step.verdict is Verdict.NOT_TESTED
    assert "from the front only" in (step.reason or "")
    assert len(clipper.asked) == 1


def test_nobody_is_asked_where_nothing_is_shorted() -> None:
    session, clipper = inspected(replace(load_scenario("healthy-bulbs"), spread=0.0))

    assert clipper.asked == []
    assert [step.step for step in session.run.steps] == STEPS[:-1]


def test_a_board_without_a_sense_lead_says_so() -> None:
    session, clipper = inspected(shorted("main.rear.markers", 0.5, 0.02), lacks=Capability.CHASSIS_SENSE)

    assert session.step("two-ended").reason == "the board has no chassis sense"
    assert clipper.asked == []
