from dataclasses import replace
from functools import cache
from random import Random

from bench.electrical import Baseline, Diagnosis, Hypothesis, conclude, first_look
from bench.electrical.wording import finding
from bench.profiles.model import InjectedFault, Measurements, Profile, Reading, Scenario
from bench.results import Finding, Where
from tools.measure import measure
from tools.random_harness import random_profile
from tools.spice_source import SpiceSource

OPEN = InjectedFault("open", "nose.stop--mid.stop")


@cache
def trailer() -> Profile:
    return random_profile(Random(3), lamp_mix="filament")


@cache
def readings(*faults: InjectedFault) -> Measurements:
    return measure(trailer(), SpiceSource(Scenario(trailer(), seed=3, faults=faults)), Random(3))


def found(kind: str, *circuits: str, where: Where | None = None, confidence: float = 0.95) -> Finding:
    return finding(kind, [trailer().circuit(name) for name in circuits], confidence=confidence, where=where)


def ranks(*findings: Finding, untested: tuple[str, ...] = ()) -> object:
    hypothesis = Hypothesis("a sound harness", (), (), 0.0, 1.0, "no single reading")
    return lambda _m, _b: Diagnosis(findings, (hypothesis,), 1.2, False, 1.0, untested)


def keys(findings: tuple[Finding, ...]) -> list[tuple[str, tuple[str, ...]]]:
    return [(one.kind, one.circuits) for one in findings]


def test_the_rankings_word_stands_where_rules_say_another() -> None:
    assert first_look(readings(OPEN))

    conclusion = conclude(readings(OPEN), rank=ranks(found("high-resistance", "stop")))

    assert keys(conclusion.findings) == [("high-resistance", ("stop",))]


def test_rules_have_no_say_where_the_ranking_saw_the_same_readings_and_found_nothing() -> None:
    assert conclude(readings(OPEN), rank=ranks()).findings == ()


def test_a_short_that_only_a_tripped_reading_shows_stays() -> None:
    pin = trailer().circuit("stop").pin
    tripped = Reading("drive", "both", (pin,), {pin: 0.9}, {pin: 15.0}, supply_v=12.6, limited=True, tripped=True)
    others = tuple(reading for reading in readings().readings if pin not in reading.driven)
    measurements = replace(readings(), readings=(*others, tripped))

    conclusion = conclude(measurements, rank=ranks())

    assert keys(conclusion.findings) == [("short-to-ground", ("stop",))]


def test_what_comes_and_goes_takes_the_place_of_what_it_looked_like_and_keeps_where_that_was() -> None:
    pin, open_readings = (
        trailer().circuit("stop").pin,
        {(r.how, r.returns, r.driven): r for r in readings(OPEN).readings},
    )
    measurements = replace(
        readings(),
        readings=tuple(
            open_readings[r.how, r.returns, r.driven] if (r.how, r.driven) == ("pulse", (pin,)) else r
            for r in readings().readings
        ),
    )
    where = Where("segment", trailer().segments[0].name, 1.0)

    conclusion = conclude(measurements, rank=ranks(found("open", "stop", where=where), found("lamp-out", "tail")))

    assert keys(conclusion.findings) == [("lamp-out", ("tail",)), ("intermittent", ("stop",))]
    assert conclusion.findings[1].where == where


def test_a_ranking_that_fails_leaves_the_rules_findings_and_says_so() -> None:
    def fails(_m: Measurements, _b: Baseline | None) -> Diagnosis:
        raise ArithmeticError("singular matrix")

    conclusion = conclude(readings(OPEN), rank=fails)

    assert keys(conclusion.findings) == keys(first_look(readings(OPEN)))
    assert conclusion.ranked is None
    assert conclusion.explanations == ()
    assert "singular matrix" in conclusion.notes[0]
    assert "clear rules" in conclusion.notes[0]


def test_what_was_never_fed_is_said_to_be_unknown() -> None:
    (note,) = conclude(readings(), rank=ranks(untested=("stop", "tail"))).notes

    assert trailer().circuit("stop").title in note
    assert trailer().circuit("tail").title in note


def test_the_worst_comes_first_and_the_next_step_says_where_a_person_finds_it() -> None:
    joint = next(joint for joint in trailer().joints if "pin.4" in (joint.a, joint.b))
    slight = found("high-resistance", "stop", where=Where("joint", joint.name, 0.0))

    conclusion = conclude(readings(), rank=ranks(slight, found("open", "tail", confidence=0.8)))

    assert keys(conclusion.findings) == [("open", ("tail",)), ("high-resistance", ("stop",))]
    assert "pin 4's contact, at the nose" in conclusion.findings[1].next


def test_explanations_are_the_ranked_hypotheses() -> None:
    (one,) = conclude(readings(), rank=ranks()).explanations

    assert (one.title, one.probability) == ("a sound harness", 1.0)


def test_nothing_fed_is_not_ranked_at_all() -> None:
    def never(_m: Measurements, _b: Baseline | None) -> Diagnosis:
        raise AssertionError

    assert conclude(replace(readings(), readings=()), rank=never).findings == ()


def test_a_sensor_of_the_board_that_is_wrong_is_told_in_place_of_what_it_looked_like() -> None:
    pin = trailer().circuit("stop").pin
    measurements = replace(
        readings(),
        readings=tuple(replace(each, pin_a={**each.pin_a, pin: 0.0}) for each in readings().readings),
    )

    (only,) = conclude(measurements, rank=ranks(found("open", "stop"))).findings

    assert (only.kind, only.circuits) == ("board-fault", ("stop",))
    assert [other.kind for other in only.alternatives] == ["open"]
    assert only.alternatives[0].confidence < 0.2
