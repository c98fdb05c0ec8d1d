"""Sequences on the simulated door harness: what each step does, and that nothing stays on however one ends."""

import asyncio
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import CommandCode
from bench.errors import BoardFault, BoardRefused, InputError, PermitDenied, Stopped
from bench.profiles import load_scenario, load_sequence
from bench.profiles.model import InjectedFault
from bench.results import Verdict
from bench.sequences.operator import Question
from tests.bench.sequences.scripted.scripts import play, sequence

DRIVE = CommandCode.DRIVE


def drives(played: object) -> int:
    return sum(code is DRIVE for code, _ in played.board.commands)  # type: ignore[attr-defined]


def test_the_shipped_example_passes_on_a_sound_harness() -> None:
    played = play(load_sequence("lock-motor"))

    assert played.run.command == "run"
    assert [(step.step, step.verdict) for step in played.run.steps] == [
        ("supply", Verdict.PASS),
        ("switching", Verdict.PASS),
        ("levels", Verdict.PASS),
    ]
    assert len(played.step("switching").traces) == 5
    assert max(played.step("switching").traces[0].columns["current_a"]) > 2.0
    assert drives(played) == 8
    assert played.store.calls[-1] == "finish complete"


def test_a_circuit_that_takes_its_drawn_current_passes_and_one_beyond_a_limit_fails() -> None:
    played = play(
        sequence("""
steps:
  - {do: drive, circuits: [lock]}
  - {do: wait, seconds: 0.2}
  - {do: measure, quantity: current_a, circuit: lock, limit: drawing}
  - {do: measure, quantity: current_a, circuit: lock, name: too much, high: 1.0}
  - {do: measure, quantity: supply_v, name: in doubt, low: 20, outside: unsure}
  - {do: measure, quantity: supply_v, name: by a limit, limit: supply-low-v}
""")
    )

    verdicts = {value.name: value.verdict.value for step in played.run.steps for value in step.values}
    assert verdicts == {"lock current_a": "pass", "too much": "fail", "in doubt": "unsure", "by a limit": "pass"}
    assert played.value("lock current_a").value == pytest.approx(12.8 / 3.9, rel=0.2)
    assert played.run.verdict is Verdict.FAIL


def test_a_loop_follows_its_count_its_condition_and_its_period() -> None:
    played = play(
        sequence("""
steps:
  - do: repeat
    times: 4
    every_s: 0.25
    steps:
      - {do: measure, quantity: uptime_s, name: when}
  - do: repeat
    times: 100
    until: {value: again, above: 1.2}
    steps:
      - {do: measure, quantity: uptime_s, name: again}
""")
    )

    times_s = [value.value or 0.0 for value in played.run.steps[0].values if value.name.startswith("when (")]
    assert len(times_s) == 4
    assert [later - sooner for sooner, later in pairwise(times_s)] == pytest.approx([0.25] * 3, abs=0.02)
    assert played.value("again, most").value == pytest.approx(1.2, abs=0.05)


def test_a_loop_over_circuits_names_its_values_after_them_and_one_over_levels_sets_them() -> None:
    played = play(
        sequence("""
steps:
  - do: for-each
    name: circuit
    values: [row-a, row-b]
    steps:
      - {do: measure, quantity: probe_ohm, circuit: {parameter: circuit}, name: resistance}
      - do: when
        condition: {value: resistance, circuit: {parameter: circuit}, above: 900}
        then:
          - {do: stop, verdict: unsure, reason: a row above 900 ohm}
""")
    )

    # Row A sees 1010 ohm beside 1530 ohm, row B 2130 ohm beside 3030 ohm: 608 and 1251 ohm.
    assert played.value("row-a resistance").value == pytest.approx(608, rel=0.05)
    assert played.value("row-b resistance").value == pytest.approx(1251, rel=0.05)
    assert played.run.verdict is Verdict.UNSURE
    assert "a row above 900 ohm" in (played.run.steps[0].reason or "")


@pytest.mark.parametrize(
    ("condition", "wanted"),
    [
        ("{value: v, above: 10}", "then"),
        ("{value: v, above: 10, below: 11}", "otherwise"),
        ("{quantity: supply_v, below: 20}", "then"),
        ("{quantity: voltage_v, circuit: lock, above: 1}", "otherwise"),
        ("{verdict_of: v, verdict: pass}", "then"),
        ("{verdict_of: run, verdict: fail}", "otherwise"),
        ("{answer: ready, equals: yes}", "then"),
        ("{answer: size, equals: 4}", "then"),
        ("{every: [{value: v, above: 10}, {value: v, above: 14}]}", "otherwise"),
        ("{either: [{value: v, above: 10}, {value: v, above: 14}]}", "then"),
        ("{unless: {value: v, above: 10}}", "otherwise"),
    ],
)
def test_a_branch_goes_the_way_its_condition_says(condition: str, wanted: str) -> None:
    played = play(
        sequence(f"""
steps:
  - {{do: ask, key: ready, text: Ready?}}
  - {{do: ask, key: size, text: How big?, must: false}}
  - {{do: measure, quantity: supply_v, name: v, low: 11}}
  - do: when
    condition: {condition}
    then: [{{do: measure, quantity: board_c, name: then}}]
    otherwise: [{{do: measure, quantity: board_c, name: otherwise}}]
"""),
        answers={"ready": True, "size": "4.0"},
    )

    assert [value.name for value in played.run.steps[0].values] == ["v", wanted]


def test_a_wait_ends_with_its_condition_or_with_its_time_and_is_judged() -> None:
    played = play(
        sequence("""
steps:
  - {do: drive, circuits: [lock]}
  - {do: wait, until: {quantity: current_a, circuit: lock, above: 2}, at_most_s: 1, name: starts}
  - {do: wait, until: {quantity: current_a, circuit: lock, above: 50}, at_most_s: 0.2, name: never, otherwise: unsure}
  - {do: wait, until: {quantity: supply_v, above: 50}, at_most_s: 0.1}
""")
    )

    assert (played.value("starts").value or 1) < 0.1
    assert played.value("never").verdict is Verdict.UNSURE
    assert "did not come" in (played.run.steps[0].reason or "")


def test_a_question_without_a_yes_ends_it_there_not_tested() -> None:
    played = play(
        sequence("""
steps:
  - {do: ask, key: mounted, text: Is the harness mounted?}
  - {do: measure, quantity: supply_v}
""")
    )

    assert played.run.verdict is Verdict.NOT_TESTED
    assert "mounted" in (played.run.steps[0].reason or "")
    assert played.run.steps[0].values == ()


def test_nothing_is_fed_without_the_operators_yes_and_nobody_is_asked_when_nothing_would_be() -> None:
    feeding = sequence("steps: [{do: measure, quantity: supply_v}, {do: drive, circuits: [lock]}]")
    looking = sequence("steps: [{do: measure, quantity: supply_v}]")

    refused = play(feeding, answers={})
    assert refused.run.verdict is Verdict.NOT_TESTED
    assert drives(refused) == 0
    assert play(looking, answers={}).run.verdict is Verdict.PASS


def test_what_a_rule_refuses_is_remarked_and_what_hangs_on_it_not_tested() -> None:
    short = replace(load_scenario("lab-door"), faults=(InjectedFault("short-to-ground", "contact.5", ohm=0.01),))
    played = play(
        sequence("""
steps:
  - {do: measure, quantity: pulse_ohm, circuit: sounder}
  - {do: drive, circuits: [sounder]}
  - {do: wait, seconds: 0.1}
  - {do: measure, quantity: current_a, circuit: sounder, low: 0.1}
"""),
        short,
    )

    assert drives(played) == 0
    assert played.value("sounder current_a").verdict is Verdict.NOT_TESTED
    assert "short" in (played.run.steps[0].reason or "")


def test_a_trip_of_the_board_is_a_failure_that_says_why() -> None:
    overload = replace(load_scenario("lab-door"), faults=(InjectedFault("overload", "contact.2", ohm=0.7),))
    played = play(
        sequence("""
steps:
  - {do: drive, circuits: [lock]}
  - {do: wait, seconds: 0.5}
  - {do: measure, quantity: current_a, circuit: lock}
"""),
        overload,
    )

    assert played.value("lock current_a").verdict is Verdict.FAIL
    assert "switched it off by itself: " in (played.value("lock current_a").source or "")


def test_inspection_steps_stand_in_the_record_among_the_others() -> None:
    played = play(
        sequence("""
steps:
  - {do: inspect, names: [supply, look]}
  - {do: measure, quantity: supply_v, name: afterwards}
""")
    )

    assert [step.step for step in played.run.steps] == ["supply", "look", "test"]
    assert played.run.verdict is Verdict.PASS


def test_an_inspection_step_that_is_none_is_refused_before_anything_is_touched() -> None:
    with pytest.raises(InputError, match="there is no step 'lok'"):
        play(sequence("steps: [{do: inspect, names: [lok]}]"))


def test_a_set_point_between_nothing_and_full_takes_that_share_of_the_current() -> None:
    played = play(
        sequence("""
steps:
  - do: for-each
    name: level
    values: [0.5, 1]
    steps:
      - {do: drive, circuits: [lock], level: {parameter: level}}
      - {do: wait, seconds: 0.3}
      - {do: measure, quantity: current_a, circuit: lock, over_s: 0.1}
      - {do: off}
      - {do: wait, seconds: 0.1}
""")
    )

    half, full = (value.value or 0.0 for value in played.run.steps[0].values)
    assert half == pytest.approx(full / 2, rel=0.1)


# --- ways out ---

LONG = "steps: [{do: drive, circuits: [lock, heater]}, {do: measure, quantity: supply_v}, {do: wait, seconds: 30}]"


def test_a_cancelled_sequence_is_off_at_once_and_closed_as_stopped() -> None:
    played = play(sequence(LONG), cancel_at_s=3.0, expect=asyncio.CancelledError)

    assert played.run.state == "stopped"
    assert played.store.on_at_finish == set()
    assert "cut short" in (played.run.steps[0].reason or "")
    assert played.run.steps[0].values[0].verdict is Verdict.PASS


def test_an_emergency_stop_ends_it_and_keeps_what_it_had() -> None:
    pressed = replace(load_scenario("lab-door"), faults=(InjectedFault("board-fault", "emergency-stop", at_s=2.0),))
    played = play(sequence(LONG), pressed, expect=BoardFault)

    assert played.run.state == "failed"
    assert played.store.on_at_finish == set()
    assert len(played.run.steps) == 1


def test_a_stop_asked_for_while_the_operator_is_being_asked_is_a_stop() -> None:
    class Stopping:
        async def ask(self, question: Question) -> bool:
            if question.key == "ready":
                raise Stopped("stopped by the operator")
            return True

    played = play(
        sequence("steps: [{do: drive, circuits: [lock]}, {do: ask, key: ready, text: Ready?}]"),
        answers={},
        operator=Stopping(),
        expect=Stopped,
    )

    assert played.run.state == "stopped"


LEAF = st.sampled_from([
    "{do: drive, circuits: [lock]}",
    "{do: drive, circuits: [heater, light], level: 0.5}",
    "{do: off, circuits: [lock]}",
    "{do: off}",
    "{do: wait, seconds: 0.2}",
    "{do: wait, until: {quantity: current_a, circuit: lock, above: 1}, at_most_s: 0.3}",
    "{do: measure, quantity: settled_a, circuit: light}",
    "{do: measure, quantity: probe_ohm, circuit: row-a}",
    "{do: returns, closed: pin}",
])  # fmt: skip
STEPS = st.recursive(
    st.lists(LEAF, min_size=1, max_size=4).map(lambda each: f"[{', '.join(each)}]"),
    lambda inner: st.lists(inner, min_size=1, max_size=2).map(
        lambda each: f"[{', '.join(f'{{do: repeat, times: 3, steps: {steps}}}' for steps in each)}]"
    ),
    max_leaves=3,
)


@settings(max_examples=25)
@given(steps=STEPS, after_s=st.floats(0.35, 3.0))
def test_whenever_a_sequence_is_cancelled_everything_is_off(steps: str, after_s: float) -> None:
    """``play`` looks at the board itself afterwards."""
    endless = sequence(f"steps: [{{do: repeat, times: 1000, steps: {steps}}}]")
    played = play(endless, cancel_at_s=after_s, expect=(asyncio.CancelledError, PermitDenied, BoardRefused))

    assert played.run.state in ("stopped", "failed")
    assert played.store.on_at_finish == set()
