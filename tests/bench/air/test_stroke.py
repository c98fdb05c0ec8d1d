"""Strokes against 49 CFR 393.47(e), typed by hand, and what follows from them."""

from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.air.gas import PSI_PA
from bench.air.stroke import (
    StrokeJudgement,
    Tractor,
    judge_strokes,
    mean_stroke_from_dip_m,
    push_rod_force_n,
    stroke_limit,
)
from bench.profiles import load_limits, load_profile
from bench.profiles.air_model import AirSystem, WheelEnd
from bench.profiles.chambers import CHAMBERS
from bench.results import Verdict

INCH = 0.0254
LIMITS = load_limits("air-us")

# 49 CFR 393.47(e), clamp-type chambers: type, long stroke, limit in inches, how well it was read
CLAMP = [
    ("6", False, 1.25, "memory"),
    ("9", False, 1.375, "memory"),
    ("12", False, 1.375, "verified"),
    ("12", True, 1.75, "verified"),
    ("16", False, 1.75, "verified"),
    ("16", True, 2.0, "verified"),
    ("20", False, 1.75, "memory"),
    ("20", True, 2.0, "second-hand"),
    ("24", False, 1.75, "memory"),
    ("24", True, 2.0, "second-hand"),
    ("30", False, 2.0, "second-hand"),
    ("30", True, 2.5, "second-hand"),
    ("36", False, 2.25, "second-hand"),
]


@cache
def tandem() -> AirSystem:
    air = load_profile("tandem-53ft").air
    assert air is not None
    return air


def judged(*inches: float, pressure_psi: float | None = 85, tractor: Tractor | None = None) -> StrokeJudgement:
    air = tandem()
    strokes = {each.name: length * INCH for each, length in zip(air.wheel_ends, inches, strict=False)}
    pressure = None if pressure_psi is None else pressure_psi * PSI_PA
    return judge_strokes(air, LIMITS, strokes, pressure, tractor)


@pytest.mark.parametrize(("chamber", "long", "inches", "mark"), CLAMP)
def test_readjustment_limits_are_the_tables(chamber: str, long: bool, inches: float, mark: str) -> None:
    limit_m, source = stroke_limit(WheelEnd("a", "a", 1, "left", chamber, long), LIMITS)
    metric_m, _ = stroke_limit(WheelEnd("a", "a", 1, "left", chamber, long), load_limits("air-metric"))

    assert limit_m == pytest.approx(inches * INCH)
    assert metric_m == pytest.approx(limit_m, abs=6e-5)
    assert f"({mark})" in source


@pytest.mark.parametrize(("chamber", "long", "rated_in"), [("14", False, 2.25), ("18", True, 2.70), ("36", True, 3.60)])
def test_a_chamber_that_is_not_in_the_table_has_80_percent_of_its_rated_stroke(
    chamber: str, long: bool, rated_in: float
) -> None:
    """Appendix A to 49 CFR 396, item 1.a(5)(b) (read); rated strokes of Table V, 571.121 (memory)."""
    limit_m, source = stroke_limit(WheelEnd("a", "a", 1, "left", chamber, long), LIMITS)

    assert limit_m == pytest.approx(0.8 * rated_in * INCH)
    assert "80 %" in source


def test_equal_to_the_limit_passes_and_more_fails() -> None:
    """393.47(e): 'must not be greater than'."""
    found = judged(2.0, 2.001, 1.5, 1.5)

    assert [each.verdict for each in found.brakes][:2] == [Verdict.PASS, Verdict.FAIL]
    assert found.verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("inches", "tractor", "share", "with_tractor", "out"),
    [
        ((2.25, 1.5, 1.5, 1.5), None, 0.25, None, True),  # a quarter inch over is one
        ((2.125, 1.5, 1.5, 1.5), None, 0.125, None, False),  # an eighth is half of one
        ((2.1, 2.1, 2.1, 2.1), None, 0.0, None, False),  # over, but counted from an eighth
        ((2.25, 1.5, 1.5, 1.5), Tractor(6), 0.25, 0.1, False),  # 1 of 10
        ((2.25, 1.5, 1.5, 1.5), Tractor(6, 1), 0.25, 0.2, True),  # 2 of 10: 20 % is enough
    ],
)
def test_the_share_of_defective_brakes(
    inches: tuple[float, ...], tractor: Tractor | None, share: float, with_tractor: float | None, out: bool
) -> None:
    """Out-of-service counting, by public explanations of the criteria: 10 brakes, so 2 defective (read)."""
    found = judged(*inches, tractor=tractor)

    assert found.share == pytest.approx(share)
    assert found.share_with_tractor == (None if with_tractor is None else pytest.approx(with_tractor))
    assert found.out_of_service is out


@pytest.mark.parametrize(
    ("pressure_psi", "inches", "verdict"),
    [
        (80, 1.9, Verdict.PASS),
        (90, 1.9, Verdict.PASS),
        (60, 1.9, Verdict.UNSURE),
        (60, 2.2, Verdict.FAIL),  # over with less than the rule's pressure is over
        (120, 1.9, Verdict.PASS),  # within with more than it is within
        (120, 2.2, Verdict.UNSURE),
        (None, 1.9, Verdict.PASS),
        (85, 0.1, Verdict.UNSURE),
    ],
)
def test_the_pressure_window_decides_what_a_stroke_can_say(
    pressure_psi: float | None, inches: float, verdict: Verdict
) -> None:
    found = judged(inches, 1.5, 1.5, 1.5, pressure_psi=pressure_psi)

    assert found.brakes[0].verdict is verdict
    assert any("nobody said" in each for each in found.cannot_tell) is (pressure_psi is None)


def test_left_and_right_of_an_axle_are_compared() -> None:
    first, second = judged(1.2, 1.9, 1.5, 1.6).axles

    assert (first.within, second.within) == (False, True)
    assert first.difference_m == pytest.approx(-0.7 * INCH)


def test_a_brake_that_was_not_measured_is_not_tested() -> None:
    found = judged(1.5, 1.5)

    assert found.verdict is Verdict.NOT_TESTED
    assert found.missing == ("rear-left", "rear-right")


def test_a_type_30_pushes_1800_pounds_at_60_psi() -> None:
    """Area times pressure (trade convention): 8.0 kN without the return spring."""
    assert push_rod_force_n(CHAMBERS["30"], 60 * PSI_PA, push_out_pa=0) == pytest.approx(8007, rel=0.002)
    assert push_rod_force_n(CHAMBERS["30"], 2 * PSI_PA) == 0


def test_four_type_30_chambers_ask_for_2848_cubic_inches() -> None:
    """A trailer-ABS maker's worked example: 4 x 89 x 8 (second-hand)."""
    air = tandem()
    chambers = sum(CHAMBERS[each.chamber].volume_m3 for each in air.wheel_ends)

    assert air.reservoir_m3 == pytest.approx(8 * chambers, rel=1e-6)


def test_a_dip_screens_the_mean_stroke_only() -> None:
    stroke_m, doubt_m = mean_stroke_from_dip_m(7.6 * PSI_PA)

    assert stroke_m == pytest.approx(2 * INCH)
    assert doubt_m == pytest.approx(0.15 * INCH)


@settings(deadline=None, max_examples=50)
@given(st.floats(0, 2.5), st.floats(0, 2.5))
def test_more_stroke_is_never_better(one: float, other: float) -> None:
    short, long = sorted((max(one, 0.25), max(other, 0.25)))
    better, worse = judged(short, 1.5, 1.5, 1.5), judged(long, 1.5, 1.5, 1.5)

    assert better.share <= worse.share
    assert (better.verdict, worse.verdict) != (Verdict.FAIL, Verdict.PASS)


def test_a_limit_that_a_shop_changed_is_the_one_that_counts() -> None:
    air = tandem()
    strict = {**LIMITS, "stroke-type-30": replace(LIMITS["stroke-type-30"], high=1.75)}

    assert judge_strokes(air, strict, {"front-left": 1.9 * INCH}, 85 * PSI_PA).brakes[0].verdict is Verdict.FAIL
