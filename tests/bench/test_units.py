"""Reference values: NIST SP 811 (2008), appendix B, factors; degrees by definition."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import InputError
from bench.units import both, columns, convert, number, parse_quantity, spread, text


@pytest.mark.parametrize(
    ("value", "unit", "into", "expected"),
    [
        (1, "psi", "Pa", 6894.757),  # NIST SP 811 B.8: pound-force per square inch, 6.894 757 E+03
        (1, "bar", "Pa", 1e5),  # exact
        (1, "ft", "m", 0.3048),  # exact
        (1, "in", "mm", 25.4),  # exact
        (3, "psi/min", "kPa/min", 20.684271),
        (2, "psi/min", "Pa/s", 2 * 6894.757 / 60),
        (100, "degC", "degF", 212),
        (-40, "degF", "degC", -40),
        (0, "degF", "degC", -17.777778),
        (2500, "mohm", "ohm", 2.5),
        (25, "%", "1", 0.25),
    ],
)
def test_conversions_agree_with_published_factors(value: float, unit: str, into: str, expected: float):
    assert convert(value, unit, into) == pytest.approx(expected, rel=1e-6)


@given(
    value=st.floats(-1e6, 1e6),
    pair=st.sampled_from([("psi", "kPa"), ("ft", "m"), ("degF", "degC"), ("psi/min", "Pa/s")]),
)
def test_there_and_back_is_where_it_began(value: float, pair: tuple[str, str]):
    one, other = pair

    assert convert(convert(value, one, other), other, one) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "into", "words"),
    [
        ("psi", "m", "psi is a pressure, m is a length"),
        ("furlong", "m", "unit 'furlong' is not known"),
        ("m", "", "unit '' is not"),
    ],
)
def test_what_cannot_be_converted_is_said(unit: str, into: str, words: str):
    with pytest.raises(InputError, match=words):
        convert(1, unit, into)


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("3 psi/min", (3, "psi/min")),
        ("0.2ohm", (0.2, "ohm")),
        (" -40 °C ", (-40, "degC")),
        ("1e2 kPa", (100, "kPa")),
        ("5", (5, "1")),
    ],
)
def test_quantities_are_read_as_people_type_them(typed: str, expected: tuple[float, str]):
    assert parse_quantity(typed) == expected


@pytest.mark.parametrize("typed", ["", "psi", "3 psi per min", "3,5 psi", "nan psi", "3 psi 4"])
def test_what_is_no_quantity_is_refused(typed: str):
    with pytest.raises(InputError):
        parse_quantity(typed)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (12.5678, "12.6"), (0.00012345, "0.000123"), (12345.6, "12346"), (100.0, "100"), (-0.5, "−0.5"), (-1e-15, "0"),
        (0.0, "0"), (math.inf, "∞"), (-math.inf, "−∞"), (math.nan, "no number"), (9.999, "10"),
        (1e20, "100000000000000000000"),
    ],
)  # fmt: skip
def test_numbers_have_three_figures_or_are_whole_and_have_no_exponent(value: float, expected: str):
    assert number(value) == expected


def test_a_value_and_its_limits_share_one_unit():
    assert columns([0.012, None, 0.05], "ohm", "us") == (["12", "", "50"], "mΩ")
    assert columns([0.08, 0.1, 0.5], "A", "us") == (["0.08", "0.1", "0.5"], "A")
    assert columns([250_000.0, 100_000.0], "ohm", "metric") == (["250", "100"], "kΩ")
    assert columns([1.2e6], "ohm", "metric") == (["1.2"], "MΩ")
    assert columns([600_000.0, 700_000.0], "Pa", "us") == (["87", "102"], "psi")


@pytest.mark.parametrize(
    ("value", "unit", "system", "expected"),
    [
        (7.5, "m", "us", "24.6 ft (7.5 m)"),
        (7.5, "m", "metric", "7.5 m (24.6 ft)"),
        (344.7379, "Pa/s", "us", "3 psi/min (20.7 kPa/min)"),
        (12.6, "V", "us", "12.6 V"),
        (55.0, "mm", "us", "2.17 in (55 mm)"),
        (4.0, "blinks", "us", "4 blinks"),
        (1.0, "lamps", "us", "1 lamp"),
        (1.0, "s", "us", "1 s"),
        (0.06, "Ω", "us", "60 mΩ"),
        (12e-6, "A", "us", "12 µA"),
        (3.0, "1", "us", "3"),
        (12.0, "%", "us", "12%"),
    ],
)
def test_both_systems_are_shown_where_they_differ(value: float, unit: str, system, expected: str):
    assert both(value, unit, system) == expected


@pytest.mark.parametrize(
    ("value", "doubt", "expected"),
    [(11.9, 1.1, "39 ± 3.6 ft"), (16.15, 0.031, "52.99 ± 0.1 ft"), (16.15, None, "53 ft"), (16.15, 0.0, "53 ft")],
)
def test_a_place_is_no_finer_than_its_uncertainty(value: float, doubt: float | None, expected: str):
    assert spread(value, doubt, "m", "us") == expected


def test_one_system_alone():
    assert text(7.5, "m", "us") == "24.6 ft"
