"""The leak judgement on traces of an independent thermal simulation, and on whatever else sensors deliver."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.air.gas import PSI_PA
from bench.air.leak import LeakJudgement, LeakWatch, judge_trace
from bench.results import Verdict
from tests.bench.air.traces import PSI_PER_MIN, SLOW_S, FloatArray, readings, supply

LIMIT = 2 * PSI_PER_MIN


def judged(times: FloatArray, pressure: FloatArray, **columns: FloatArray) -> LeakJudgement:
    return judge_trace(supply(times, pressure, **columns), "supply", LIMIT)


@pytest.mark.parametrize("fill_s", [25.0, SLOW_S])
@pytest.mark.parametrize("weak", [False, True])
@pytest.mark.parametrize(("leak", "verdict"), [(0.0, Verdict.PASS), (1.0, Verdict.PASS), (4.0, Verdict.FAIL)])
def test_a_clear_case_is_decided_rightly_and_within_the_watch(
    leak: float, verdict: Verdict, weak: bool, fill_s: float
) -> None:
    times, pressure, _ = readings(leak, seed=3, fill_s=fill_s, weak=weak)
    found = judged(times, pressure)

    assert found.verdict is verdict
    assert found.decided_at_s is not None
    assert 70 <= found.decided_at_s <= 300
    assert found.low_pa_per_s is not None
    assert found.high_pa_per_s is not None
    assert found.low_pa_per_s / PSI_PER_MIN - 0.3 <= leak <= found.high_pa_per_s / PSI_PER_MIN + 0.3


def test_a_rate_is_what_it_would_be_at_100_psig() -> None:
    """A choked leak falls in proportion to absolute pressure: 2 psi/min at 100 psig is 1.3 at 60 psig."""
    times = np.arange(0.0, 200.0)
    absolute = (60 + 14.696) * np.exp(-2 / 114.696 / 60 * times) + np.random.default_rng(1).normal(0, 0.03, 200)
    found = judged(times, (absolute - 14.696) * PSI_PA)

    assert found.rate_pa_per_s is not None
    assert found.rate_pa_per_s / PSI_PER_MIN == pytest.approx(2.0, abs=0.25)


def test_nothing_is_decided_before_the_air_had_a_minute() -> None:
    times, pressure, _ = readings(8.0, seed=2)
    watch = LeakWatch(LIMIT)
    early = []
    for time_s, each in zip(times[:69], pressure[:69], strict=True):
        watch.add(float(time_s), float(each))
        early.append(watch.judgement().verdict)

    assert set(early) == {None}
    assert "settle" in (watch.judgement().reason or "")


def test_who_has_waited_already_is_told_so_sooner() -> None:
    times, pressure, _ = readings(0.0, seed=2, fill_s=SLOW_S)
    found = judge_trace(supply(times, pressure), "supply", LIMIT, waited_s=120)

    assert found.verdict is Verdict.PASS
    assert (found.decided_at_s or 999) < 130


def test_the_live_watch_says_about_how_long_it_will_take() -> None:
    times, pressure, _ = readings(0.0, seed=6, fill_s=SLOW_S)
    watch, told, decided = LeakWatch(LIMIT), [], None
    for time_s, each in zip(times, pressure, strict=True):
        watch.add(float(time_s), float(each))
        now = watch.judgement()
        if now.verdict is not None:
            decided = now
            break
        if now.seconds_to_go is not None:
            told.append(time_s + now.seconds_to_go)

    assert decided is not None
    assert decided.verdict is Verdict.PASS
    assert told[-5:] == pytest.approx([decided.decided_at_s] * 5, abs=20)


def test_a_leak_at_the_limit_is_unsure_in_the_end_with_its_estimate_or_takes_long() -> None:
    times, pressure, _ = readings(2.0, seed=9, fill_s=SLOW_S)
    found = judged(times, pressure)

    assert found.rate_pa_per_s is not None
    assert found.verdict is Verdict.UNSURE or (found.decided_at_s or 0) > 90


@pytest.mark.parametrize(("before", "after", "at_s"), [(0.0, 4.0, 120), (6.0, 0.2, 80), (0.0, 2.5, 150)])
def test_a_slope_that_changes_is_not_steady_and_not_decided(before: float, after: float, at_s: int) -> None:
    leak = np.full(301, before)
    leak[at_s:] = after
    times, pressure, _ = readings(leak, seed=4)
    found = judged(times, pressure)

    assert (found.verdict, found.steady) == (Verdict.UNSURE, False)
    assert found.changed_at_s == pytest.approx(at_s, abs=12)
    assert "not steady" in (found.reason or "")


def test_a_pressure_that_jumps_is_not_steady() -> None:
    times, pressure, _ = readings(0.0, seed=5)
    pressure[150:] -= 3 * PSI_PA
    found = judged(times, pressure)

    assert (found.verdict, found.steady, found.changed_at_s) == (Verdict.UNSURE, False, 150.0)


@pytest.mark.parametrize("psi_per_min", [60.0, 250.0])
def test_a_line_that_empties_fails_without_waiting_for_the_statistics(psi_per_min: float) -> None:
    """Isothermal until choked flow ends, then slower: an open drain or a split hose."""
    times = np.arange(0.0, 300.0)
    absolute = np.maximum(114.7 * np.exp(-psi_per_min / 114.7 / 60 * times), 14.9)
    noisy = absolute - 14.696 + np.random.default_rng(1).normal(0, 0.05, times.size)
    found = judged(times, noisy * PSI_PA)

    assert found.verdict is Verdict.FAIL
    assert (found.decided_at_s or 999) < 60
    assert found.low_pa_per_s is not None
    assert found.high_pa_per_s is not None
    assert found.low_pa_per_s <= psi_per_min * PSI_PER_MIN <= found.high_pa_per_s


def test_a_fast_fill_of_a_small_tank_is_not_taken_for_emptying() -> None:
    times = np.arange(0.0, 300.0)
    absolute = 114.7 * (1 + 0.2 * (1 + 0.02 * times) ** -3.0)
    noisy = absolute - 14.696 + np.random.default_rng(1).normal(0, 0.05, times.size)

    assert judged(times, noisy * PSI_PA).verdict is not Verdict.FAIL


def test_a_rising_pressure_never_passes() -> None:
    """A fill valve that does not close hides any leak."""
    times, pressure, _ = readings(0.0, seed=5, fill_s=SLOW_S)
    found = judged(times, pressure + 2 * PSI_PER_MIN * times)

    assert found.verdict is Verdict.UNSURE
    assert "rises" in (found.reason or "")


def test_a_skin_sensor_takes_the_weather_out() -> None:
    """A tank cooling by 1.5 K/min falls by 0.6 psi/min without a leak."""
    times, pressure, skin = readings(0.0, seed=8, fill_s=SLOW_S, drift_k_per_min=-1.5)
    with_skin, without = judged(times, pressure, tank_c=skin), judged(times, pressure)

    assert with_skin.rate_pa_per_s is not None
    assert without.rate_pa_per_s is not None
    assert abs(with_skin.rate_pa_per_s) < 0.15 * PSI_PER_MIN
    assert without.rate_pa_per_s > 0.4 * PSI_PER_MIN
    assert any("warming or cooling" in each for each in without.cannot_tell)
    assert not any("warming or cooling" in each for each in with_skin.cannot_tell)


def test_a_drift_of_the_air_around_is_said() -> None:
    times, pressure, _ = readings(0.0, seed=8)

    assert any("weather" in each for each in judged(times, pressure, ambient_c=10 + 0.01 * times).cannot_tell)
    assert not any("weather" in each for each in judged(times, pressure, ambient_c=10 + 0 * times).cannot_tell)


# --- other rates, gaps, shapes ---


@pytest.mark.parametrize(("leak", "verdict"), [(0.0, Verdict.PASS), (5.0, Verdict.FAIL)])
@pytest.mark.parametrize("way", ["every 4 s", "20 Hz", "gaps", "irregular", "late clock", "coarse", "hardly any noise"])
def test_how_it_was_sampled_does_not_change_the_verdict(way: str, leak: float, verdict: Verdict) -> None:
    rng = np.random.default_rng(12)
    noise = 0.004 if way == "hardly any noise" else 0.05
    times, pressure, _ = readings(leak, seed=7, noise_psi=noise)
    if way == "every 4 s":
        times, pressure = times[::4], pressure[::4]
    if way == "20 Hz":
        fine = np.arange(0, 300, 0.05)
        pressure = np.interp(fine, times, readings(leak, seed=7, noise_psi=0)[1])
        times, pressure = fine, pressure + rng.normal(0, 0.05 * PSI_PA, fine.size)
    if way == "gaps":
        keep = (times < 40) | ((times > 55) & (times < 120)) | (times > 160)
        times, pressure = times[keep], pressure[keep]
    if way == "irregular":
        keep = rng.random(times.size) < 0.6
        times, pressure = times[keep] + 0.1, pressure[keep]
    if way == "late clock":
        times = times + 4321.0
    if way == "coarse":
        pressure = np.round(pressure / PSI_PA, 1) * PSI_PA

    found = judged(times, pressure)
    assert found.verdict in (verdict, Verdict.UNSURE)
    assert found.verdict is verdict or way == "coarse"


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda p: p * 6.894757, "kPa"),  # kPa written as psi
        (lambda p: p / 6.894757, "not charged"),  # psi written as kPa
        (lambda p: p * 0 - 14.0 * PSI_PA, "unplugged"),
        (lambda p: p * 0 + 0.2 * PSI_PA, "not charged"),
        (lambda p: p * 0 + 99.3 * PSI_PA, "stuck"),
        (lambda p: np.concatenate([p[:100], np.full(p.size - 100, p[100])]), "stuck"),
    ],
)
def test_readings_that_cannot_be_are_said_and_not_judged(spoil: object, said: str) -> None:
    times, pressure, _ = readings(0.0, seed=1)
    found = judged(times, spoil(pressure))  # type: ignore[operator]

    assert found.verdict is Verdict.UNSURE
    assert said in (found.reason or "")
    assert found.cannot_tell


def test_swapped_columns_are_noticed() -> None:
    times, pressure, _ = readings(0.0, seed=1)
    trace = supply(times, pressure * 0 + 0.1 * PSI_PA)
    swapped = type(trace)(times, {"supply": trace.pressure_pa["supply"], "service": pressure})

    assert "swapped" in (judge_trace(swapped, "supply", LIMIT).reason or "")
    assert judge_trace(swapped, "service", LIMIT).verdict is Verdict.UNSURE


def test_a_service_line_at_rest_is_not_tested() -> None:
    times, pressure, _ = readings(0.0, seed=1)
    both = type(supply(times, pressure))(times, {"supply": pressure, "service": pressure * 0 + 500.0})

    assert judge_trace(both, "service", LIMIT).verdict is Verdict.NOT_TESTED
    assert judge_trace(both, "supply", LIMIT).verdict is Verdict.PASS


@pytest.mark.parametrize("length", [2, 10, 30, 68])
def test_a_trace_that_is_too_short_is_unsure(length: int) -> None:
    times, pressure, _ = readings(4.0, seed=1)
    found = judged(times[:length], pressure[:length])

    assert found.verdict is Verdict.UNSURE
    assert found.reason


@settings(max_examples=15, deadline=None)
@given(
    steps=st.lists(st.floats(0.05, 30), min_size=2, max_size=60),
    values=st.lists(st.floats(-2e5, 1.6e6), min_size=60, max_size=60),
)
def test_whatever_is_read_ends_in_a_judgement_with_its_limits_said(steps: list[float], values: list[float]) -> None:
    times = np.cumsum(steps)
    found = judged(times, np.array(values[: len(steps)]))

    assert found.verdict is not None
    assert found.cannot_tell
    assert found.verdict in (Verdict.PASS, Verdict.FAIL) or found.reason
