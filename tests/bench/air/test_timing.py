"""Times of movements with known crossings, and the rows of the regulation's tables."""

import math

import numpy as np
import pytest

from bench.air.gas import PSI_PA
from bench.air.timing import MOVEMENTS, Rule, coupling_alone, first_crossing, judge_chamber, movements, rules_of
from bench.profiles import load_limits
from bench.profiles.traces import PressureTrace
from bench.results import Verdict

FloatArray = np.ndarray[tuple[int], np.dtype[np.float64]]
RULES = rules_of("semitrailer", load_limits("air-us"))


def made(
    lag_s: float = 0.2,
    dead_s: float = 0.1,
    start_psi: float = 100.0,
    repeats: int = 5,
    *,
    step_s: float = 0.002,
    noise_psi: float = 0.05,
    zero_psi: float = 0.0,
    seed: int = 1,
) -> PressureTrace:
    """Applications and releases that are plain exponentials after a dead time, so that crossings are known."""
    rng = np.random.default_rng(seed)
    times = np.arange(0, 1 + 6 * repeats, step_s)
    phase = (times - 1) % 6
    on = (times >= 1) & (phase < 3)
    after = np.maximum(np.where(on, phase, phase - 3) - dead_s, 0)
    rise, fall = start_psi * (1 - np.exp(-after / lag_s)), start_psi * np.exp(-after / lag_s)
    psi = np.where(times < 1, 0.0, np.where(on, rise, fall)) + zero_psi + rng.normal(0, noise_psi, times.size)
    return PressureTrace(times, {"chamber": psi * PSI_PA}, command=on.astype(float))


def true_times(lag_s: float, dead_s: float, start_psi: float = 100.0) -> tuple[float, float]:
    return dead_s + lag_s * math.log(start_psi / (start_psi - 60)), dead_s + lag_s * math.log(start_psi / 5)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("zero_psi", [0.0, 0.5, -0.4])
def test_times_are_right_within_5_and_15_ms_whatever_the_zero(seed: int, zero_psi: float) -> None:
    apply, release = judge_chamber(made(zero_psi=zero_psi, seed=seed), "chamber", RULES)
    true_apply, true_release = true_times(0.2, 0.1)

    assert apply.mean_s == pytest.approx(true_apply, abs=0.005)
    assert release.mean_s == pytest.approx(true_release, abs=0.015)
    assert (apply.repeats, release.repeats) == (5, 5)
    assert (apply.verdict, release.verdict) == (Verdict.PASS, Verdict.PASS)


def test_the_filters_known_delay_is_taken_off() -> None:
    trace = made()
    plain = judge_chamber(trace, "chamber", RULES)
    corrected = judge_chamber(trace, "chamber", RULES, delay_s=0.010)

    for movement in (0, 1):
        first, second = plain[movement].mean_s, corrected[movement].mean_s
        assert first is not None
        assert second == pytest.approx(first - 0.010)


@pytest.mark.parametrize(
    ("vehicle", "application_s", "release_s"),
    # 49 CFR 571.121 S5.3.3 and S5.3.4, trailer rows, as a trailer-ABS maker's manual prints them (second-hand)
    [("semitrailer", 0.60, 1.20), ("towing-trailer", 0.50, 1.00), ("dolly", 0.55, 1.10)],
)
def test_limits_are_the_tables(vehicle: str, application_s: float, release_s: float) -> None:
    rules = rules_of(vehicle, load_limits("air-us"))

    assert (rules["application"].limit_s, rules["release"].limit_s) == (application_s, release_s)
    assert rules["application"].threshold_pa == pytest.approx(60 * PSI_PA)
    assert rules["release"].threshold_pa == pytest.approx(5 * PSI_PA)
    assert "second hand" in rules["application"].source


@pytest.mark.parametrize(
    ("lag_s", "dead_s", "verdicts"),
    [
        (0.60, 0.10, (Verdict.FAIL, Verdict.FAIL)),
        (0.30, 0.50, (Verdict.FAIL, Verdict.FAIL)),
        (0.30, 0.10, (Verdict.PASS, Verdict.PASS)),
    ],
)
def test_a_slow_brake_fails(lag_s: float, dead_s: float, verdicts: tuple[Verdict, Verdict]) -> None:
    found = judge_chamber(made(lag_s, dead_s), "chamber", RULES)

    assert tuple(each.verdict for each in found) == verdicts
    assert all(each.cannot_tell and "indicative" in each.cannot_tell[0] for each in found)


def test_repeats_that_scatter_do_not_promise_the_next_one() -> None:
    rule = RULES["application"]
    times = [0.50, 0.58, 0.47, 0.59, 0.52]
    from bench.air.timing import Timed, judge_timing

    found = judge_timing("application", [Timed(each, 0.0) for each in times], rule, 0.002)

    assert found.verdict is Verdict.UNSURE
    assert found.bound_s is not None
    assert found.bound_s > 0.6 > max(times)
    assert judge_timing("application", [Timed(0.5, 0.0)], rule, 0.002).verdict is Verdict.PASS
    assert "1 of 5 repeats" in " ".join(judge_timing("application", [Timed(0.5, 0.0)], rule, 0.002).cannot_tell)


def test_a_release_from_too_little_pressure_does_not_pass() -> None:
    _, release = judge_chamber(made(start_psi=80), "chamber", RULES)

    assert release.verdict is Verdict.UNSURE
    assert "80 psi instead of 95" in (release.reason or "")


def test_a_brake_that_does_not_get_there_is_unsure() -> None:
    apply, _ = judge_chamber(made(start_psi=50), "chamber", RULES)

    assert apply.verdict is Verdict.UNSURE
    assert "did not reach 60 psi" in (apply.reason or "")


def test_too_few_samples_a_second_decide_nothing_near_the_limit() -> None:
    near = made(lag_s=0.53, dead_s=0.1, step_s=0.05)

    assert judge_chamber(near, "chamber", RULES)[0].verdict is Verdict.UNSURE


def test_the_coupling_alone_gives_no_verdict() -> None:
    assert {each.verdict for each in coupling_alone()} == {Verdict.NOT_TESTED}
    assert {each.movement for each in coupling_alone()} == set(MOVEMENTS)


def test_a_trace_without_a_command_is_not_timed() -> None:
    trace = made()
    silent = PressureTrace(trace.time_s, trace.pressure_pa)

    assert {each.verdict for each in judge_chamber(silent, "chamber", RULES)} == {Verdict.NOT_TESTED}


def test_a_threshold_that_is_never_passed_has_no_crossing() -> None:
    times = np.linspace(0, 1, 101)

    assert first_crossing(times, times, 2.0, rising=True) is None
    assert first_crossing(times, 1 - times, 2.0, rising=False) is None
    assert first_crossing(times, times, 0.335, rising=True) == pytest.approx(0.335)
    assert first_crossing(times, 1 - times, 0.335, rising=False) == pytest.approx(0.665)


def test_a_trace_that_begins_applied_uses_no_zero_and_starts_with_the_release() -> None:
    trace = made()
    late = trace.time_s > 2
    found = movements(
        trace.time_s[late],
        trace.pressure_pa["chamber"][late],
        trace.command[late] if trace.command is not None else trace.time_s[late],
        {each: Rule(1.0, 60 * PSI_PA if each == "application" else 5 * PSI_PA, 0, "") for each in MOVEMENTS},
    )

    assert (len(found["application"]), len(found["release"])) == (4, 5)
