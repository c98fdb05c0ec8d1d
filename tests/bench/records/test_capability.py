"""Figures of one value over many runs."""

from dataclasses import replace

import pytest

from bench.records import Point
from bench.records.capability import document_of, figures_of, words_of
from bench.results import Verdict

VALUES = [15.0, 17.0, 16.5, 15.5, 16.0, 16.0, 14.0, 18.0]


def points(low: float | None = 8.0, high: float | None = 20.0) -> list[Point]:
    return [
        Point(f"r{no}", f"2026-01-{no:02}T08:00:00", "T-104", "p", "circuits", "x", value, "A", low, high, Verdict.PASS)
        for no, value in enumerate(VALUES, 1)
    ]


def test_figures_are_those_of_the_sample() -> None:
    (figures,) = figures_of(points())
    document = document_of(figures)

    assert document["distribution"]["mean"] == 16.0
    assert document["distribution"]["deviation"] == pytest.approx(1.2247, abs=1e-4)
    assert document["cpk"]["value"] == pytest.approx(4 / 3 / 1.2247, abs=1e-3)
    assert (document["low"], document["high"], document["limits_differ"]) == (8.0, 20.0, False)


def test_limits_of_each_run_give_the_same_indices_where_they_agree() -> None:
    """Scale value and limits of one run together: its place between them, and with it the index, stays."""
    same = points()
    scaled = [*same[:-1], replace(same[-1], value=36.0, low=16.0, high=40.0)]
    (fixed,), (own,) = figures_of(same), figures_of(scaled)

    assert own.own_limits
    assert own.capability is not None
    assert fixed.capability is not None
    assert own.capability.cpk.value == pytest.approx(fixed.capability.cpk.value)


def test_words_say_why_there_is_no_index() -> None:
    assert words_of(figures_of(points(None, None))[0])["Cpk"] == "not without spread and limits"
    assert words_of(figures_of(points()[:3])[0])["Cp"] == "not from fewer than 6 values"
    assert words_of(figures_of(points())[0])["Cpk"].startswith("1.09 (95 % confidence: ")
