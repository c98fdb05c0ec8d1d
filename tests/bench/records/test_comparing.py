"""A finding is closed by evidence, or it stays open."""

from dataclasses import replace

import pytest

from bench.records.comparing import compare
from bench.results import Finding, Run, StepResult, Value, Verdict
from tests.bench.records.made_runs import small_run

PASS, FAIL, UNSURE, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNSURE, Verdict.NOT_TESTED
LAMP = Finding("lamp-out", ("tail",), (6,), FAIL, "safety", 0.9, "A lamp is out.", "Replace it.")


def step(name: str, verdict: Verdict, *findings: Finding, **values: tuple[float | None, Verdict]) -> StepResult:
    measured = tuple(Value(f"{key} current", value, "A", 2.3, 3.3, own) for key, (value, own) in values.items())
    return StepResult(name, name.capitalize(), verdict, 0.0, 1.0, measured, findings)


def run(*steps: StepResult, **more: object) -> Run:
    return small_run(**{"state": "complete", "steps": steps} | more)


BEFORE = run(step("circuits", FAIL, LAMP, tail=(1.8, FAIL), stop=(2.8, PASS)))
REPAIRED = run(step("circuits", PASS, tail=(2.8, PASS)), run_id="after")


def test_a_finding_whose_numbers_pass_now_is_closed_by_them() -> None:
    (followup,) = compare(BEFORE, REPAIRED)
    (value,) = followup.evidence

    assert (followup.step_no, followup.finding_no, followup.state, followup.retest_id) == (0, 0, "closed", "after")
    assert (value.name, value.before, value.after, value.verdict) == ("tail current", 1.8, 2.8, PASS)


OPEN = {
    "still there": run(step("circuits", FAIL, LAMP, tail=(1.8, FAIL))),
    "now there is another: high resistance": run(
        step("circuits", FAIL, replace(LAMP, kind="high-resistance"), tail=(2.4, PASS))
    ),
    "does not pass yet: tail current": run(step("circuits", UNSURE, tail=(2.2, UNSURE))),
    "does not pass yet: tail current (not measured)": run(step("circuits", PASS, stop=(2.8, PASS))),
    "not tested again: the step was not done": run(step("supply", PASS)),
    "not tested again: nobody answered": run(replace(step("circuits", UNTESTED), reason="nobody answered")),
    "the retest did not come to its end: stopped by the operator": run(
        step("circuits", PASS, tail=(2.8, PASS)), state="stopped", reason="stopped by the operator"
    ),
}


@pytest.mark.parametrize("why", OPEN)
def test_anything_less_leaves_it_open_and_says_why(why: str) -> None:
    (followup,) = compare(BEFORE, OPEN[why])

    assert (followup.state, followup.reason) == ("open", why.removesuffix(" (not measured)"))


def test_values_that_no_finding_names_are_followed_by_their_step() -> None:
    before = run(step("supply", FAIL, sag=(4.0, FAIL)), step("look", PASS))
    (followup,) = compare(before, run(step("supply", PASS, sag=(2.5, PASS))))

    assert (followup.step_no, followup.finding_no, followup.state) == (0, None, "closed")


def test_what_was_closed_already_is_not_judged_again() -> None:
    assert compare(BEFORE, REPAIRED, closed={(0, 0)}) == ()


def test_advice_and_passed_steps_need_no_retest() -> None:
    advice = replace(LAMP, severity="advice", verdict=PASS)

    assert compare(run(step("circuits", PASS, advice, tail=(2.8, PASS))), REPAIRED) == ()
