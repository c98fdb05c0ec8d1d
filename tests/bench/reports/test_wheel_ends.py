"""A row for each wheel end, beside the limits it was judged by."""

from dataclasses import replace

from bench.profiles import load_profile
from bench.reports import render_html
from bench.reports.wheel_ends import end_notes, wheel_end_views
from bench.results import Run, StepResult, Value, Verdict
from tests.bench.reports.html_reading import read
from tests.bench.reports.made_run import healthy_run

PROFILE = load_profile("tandem-53ft")
AIR = PROFILE.air
assert AIR is not None
STROKES = "49 CFR 393.47(e), clamp-type table, by makers' and training texts (second-hand)"


def run(*values: Value) -> Run:
    step = StepResult("stroke", "Push-rod strokes", Verdict.FAIL, 0.0, 1.0, values)
    return replace(healthy_run(PROFILE), steps=(step,))


OVER = Value("front-left stroke", 61.0, "mm", None, 50.8, Verdict.FAIL, STROKES)
WITHIN = Value("rear-right stroke", 48.0, "mm", None, 50.8, Verdict.PASS, STROKES)
APPLIED = Value("rear-right application time, mean", 0.31, "s", None, 0.6, Verdict.PASS, "49 CFR 571.121 S5.3.3")
PRESSURE = Value("reservoir while strokes were measured", 590_000.0, "Pa")


def test_each_wheel_end_has_its_chamber_stroke_limit_and_times() -> None:
    rows = {view.title: view for view in wheel_end_views(run(OVER, WITHIN, APPLIED), AIR, "us")}
    front, rear = rows["front axle, left"], rows["rear axle, right"]

    assert (front.stroke.measured, front.stroke.limit, front.verdict) == ("2.4 in", "at most 2 in", "Fail")
    assert (rear.application.measured, rear.application.limit, rear.verdict) == ("0.31 s", "at most 0.6 s", "Pass")
    assert front.chamber == "type 30, standard stroke (2.5 in full), spring"
    assert (rows["front axle, right"].verdict, rows["front axle, right"].stroke.measured) == ("Not tested", "")


def test_strokes_are_told_in_the_units_of_the_reader() -> None:
    rows = {view.title: view for view in wheel_end_views(run(OVER), AIR, "metric")}

    assert (rows["front axle, left"].stroke.measured, rows["front axle, left"].stroke.limit) == (
        "61 mm",
        "at most 50.8 mm",
    )


def test_a_run_that_measured_no_wheel_end_has_no_table() -> None:
    assert wheel_end_views(run(PRESSURE), AIR, "us") == ()
    assert end_notes(run(PRESSURE), AIR, "us") == {}


def test_the_page_shows_table_and_drawing_and_names_the_sources_of_the_limits() -> None:
    page = read(render_html(run(OVER, WITHIN, APPLIED, PRESSURE), PROFILE))
    (table,) = [each for each in page.all("table") if each.attributes.get("class") == "ends"]

    assert page.broken == []
    assert "type 30, standard stroke (2.5 in full), spring" in " ".join(table.text.split())
    assert STROKES.removesuffix(" (second-hand)") in page.words
    assert "Drawing of the air side" in page.words


def test_a_run_without_air_shows_neither() -> None:
    page = read(render_html(healthy_run(PROFILE), PROFILE))

    assert "Wheel ends" not in page.words
    assert "Drawing of the air side" not in page.words
