"""Blink codes from traces with recorded truth, and from pulses that are known."""

import numpy as np
import pytest

from bench.electrical.blinks import Pulse, find_levels, read_blinks, read_pulses
from tools.blink_figures import figures, trace

DT_S = 0.001


def pulses(
    code: str, on_s: float = 0.35, off_s: float = 0.35, digit_s: float = 1.4, code_s: float = 4.0, repeats: int = 2
):
    now_s, found = 1.0, []
    for _ in range(repeats):
        for digit in code:
            for _ in range(int(digit)):
                found.append(Pulse(now_s, now_s + on_s))
                now_s += on_s + off_s
            now_s += digit_s - off_s
        now_s += code_s - digit_s
    return found


def lit(blinks: list[Pulse], after_s: float = 3.0) -> np.ndarray:
    times_s = np.arange(0.0, blinks[-1].end_s + after_s, DT_S)
    return sum(((times_s >= each.start_s) & (times_s < each.end_s)).astype(float) for each in blinks)


@pytest.mark.parametrize("code", ["23", "11", "12", "91", "55", "77"])
def test_known_pulses_are_the_digits_they_spell(code):
    read = read_pulses(pulses(code))

    assert "".join(map(str, read.code or ())) == code
    assert read.repeats == 2


@pytest.mark.parametrize(("on_s", "off_s"), [(0.2, 0.5), (0.6, 0.25), (0.3, 0.3)])
def test_short_and_long_blinks_are_read_alike(on_s, off_s):
    assert read_pulses(pulses("43", on_s, off_s, 1.8, 5.0)).code == (4, 3)


def test_a_trace_with_ripple_is_read_with_confidence():
    seen = trace(7, 0.03, 3.0)
    read = read_blinks(seen.current_a.tolist(), DT_S)

    assert read.code == seen.code
    assert read.confidence > 0.8
    assert read.step_a == pytest.approx(0.09, rel=0.15)


def test_of_synthetic_traces_nearly_all_with_a_clear_step_are_right_and_none_is_wrong():
    cells = figures(each=1, seed=90_000)

    clear = [cell for (_, step), cell in cells.items() if step >= 2]
    assert sum(cell.right for cell in clear) >= sum(cell.count for cell in clear) - 1
    assert sum(cell.wrong for cell in cells.values()) == 0


def test_without_a_step_it_says_so():
    flat = 0.3 + np.random.default_rng(1).normal(0, 0.003, 12_000)

    read = read_blinks(flat.tolist(), DT_S)

    assert (read.code, read.confidence) == (None, 0.0)
    assert "no step" in read.why


@pytest.mark.parametrize("hertz", [0.7, 2.0, 5.0])
def test_a_slow_wave_is_not_taken_for_a_lamp(hertz):
    wave = 0.3 + 0.05 * np.sin(2 * np.pi * hertz * np.arange(0, 20, DT_S))
    noise = np.random.default_rng(2).normal(0, 0.002, len(wave))

    assert read_blinks((wave + noise).tolist(), DT_S).code is None


def test_repetitions_that_differ_are_no_code():
    mixed = [*pulses("23", repeats=1), *(Pulse(p.start_s + 10, p.end_s + 10) for p in pulses("32", repeats=1))]

    assert read_pulses(mixed).code is None


def test_gaps_that_are_too_alike_are_no_code():
    even = [Pulse(n * 0.7, n * 0.7 + 0.3) for n in range(12)]

    assert read_pulses(even).code is None


def test_the_bulb_check_is_one_step_down():
    current = np.where(np.arange(0, 5, DT_S) < 2.5, 0.4, 0.3) + np.random.default_rng(3).normal(0, 0.003, 5000)

    levels = find_levels(current.tolist(), DT_S)

    assert levels.clear
    assert levels.step_a == pytest.approx(0.1, rel=0.05)
    assert np.flatnonzero(np.diff(levels.lit))[0] * levels.dt_s == pytest.approx(2.5, abs=0.03)


def test_a_trace_of_the_board_s_slowest_rate_is_read():
    """100 samples a second keep 40 s in a capture memory of 4096."""
    light = lit(pulses("23"))[::10]
    noise = np.random.default_rng(4).normal(0, 0.003, len(light))

    assert read_blinks((0.3 + 0.1 * light + noise).tolist(), 0.01).code == (2, 3)
