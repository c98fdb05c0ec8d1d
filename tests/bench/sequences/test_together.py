"""Circuits that look joined get the readings that separate their explanations, and nobody else does."""

import pytest

from bench.electrical import first_look
from bench.electrical.wording import finding
from bench.profiles import load_profile
from bench.sequences.together import joined
from tests.bench.sequences.sessions import Session, inspect


def read(scenario: str, **options: object) -> tuple[Session, list[tuple[str, frozenset[int]]]]:
    seen = []
    session = inspect(scenario, infer=lambda readings: seen.append(readings) or first_look(readings), **options)
    driven = [(reading.returns, frozenset(reading.driven)) for reading in seen[-1].readings if reading.how == "drive"]
    return session, driven


@pytest.mark.parametrize(
    ("scenario", "circuits"),
    [("cross-connection", {"tail", "right-turn"}), ("back-feed", {"left-turn", "markers"})],
)
def test_circuits_that_look_joined_are_driven_together_by_every_return(scenario: str, circuits: set[str]) -> None:
    session, driven = read(scenario, only=["look", "cold-pulse", "circuits", "together"])
    pins = frozenset(circuit.pin for circuit in session.scenario.profile.circuits if circuit.name in circuits)

    assert [way for way, fed in driven if fed == pins] == ["both", "pin", "chassis"]
    assert all(name in (session.step("together").reason or "") for name in circuits)
    session.board.assert_everything_off()


def test_a_sound_harness_has_no_such_reading() -> None:
    session, _ = read("healthy-bulbs", only=["look", "cold-pulse", "circuits", "together"])

    assert [step.step for step in session.run.steps] == ["look", "cold-pulse", "circuits"]


def test_a_ground_that_all_share_is_no_joint_of_two() -> None:
    profile = load_profile("tandem-53ft")
    every = finding("ground-open", profile.circuits, confidence=0.9)
    pair = finding("cross-connection", profile.circuits[:2], confidence=0.9)
    out = finding("lamp-out", profile.circuits[:1], confidence=0.9)

    assert joined([every, pair, out]) == {frozenset(circuit.name for circuit in profile.circuits[:2])}
