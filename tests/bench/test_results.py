import pytest

from bench.results import StepResult, Value, Verdict


@pytest.mark.parametrize(
    ("verdict", "reason", "said"),
    [
        (Verdict.PASS, None, None),
        (Verdict.PASS, "the board has no calibration date", "the board has no calibration date"),
        (Verdict.UNSURE, None, "not as expected: tail cold, stop cold"),
        (Verdict.UNSURE, "nobody answered", "nobody answered"),
        (Verdict.NOT_TESTED, None, "not measured: tail current"),
        (Verdict.FAIL, None, None),
    ],
)
def test_a_step_in_doubt_says_why(verdict: Verdict, reason: str | None, said: str | None) -> None:
    values = (
        Value("tail cold", 0.5, "ohm", verdict=Verdict.UNSURE),
        Value("stop cold", 0.7, "ohm", verdict=Verdict.UNSURE),
        Value("tail current", None, "A", verdict=Verdict.NOT_TESTED),
    )

    assert StepResult("cold-pulse", "Cold resistance", verdict, 0.0, 1.0, values, reason=reason).in_doubt == said
