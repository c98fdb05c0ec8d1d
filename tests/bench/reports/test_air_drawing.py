"""The air side as a picture: every part is there, a finding is marked where its words say, nothing leaves the paper."""

import re
from dataclasses import replace

import pytest

from bench.profiles import load_profile
from bench.profiles.air_model import AirSystem, WheelEnd
from bench.reports.air_drawing import EndNote, draw_air, unplaced
from bench.results import Alternative, Finding, Verdict, Where
from tests.bench.reports.html_reading import Page, read

AIR = load_profile("tandem-53ft").air
assert AIR is not None

# Every place that the steps and the pattern table of the air inference name.
PLACES = (
    "supply line and its glad hand", "service line and its glad hand", "service line", "relay valve, control side",
    "relay valve, inlet seat", "relay valve, exhaust seat", "relay valve", "relay emergency valve",
    "brake chamber diaphragm", "spring brake seal", "reservoir and its drain", "reservoir or supply line",
    "brake, rear-left", "hose and chamber, rear-right", "axle 1, left brake",
)  # fmt: skip


def found(place: str, *others: str) -> Finding:
    alternatives = tuple(Alternative("leak-supply", Where("component", name), 0.3) for name in others)
    return Finding(
        "leak-supply", (), (), Verdict.FAIL, "safety", 0.5, "It leaks.", "Listen.",
        where=Where("component", place), alternatives=alternatives,
    )  # fmt: skip


def drawn(*findings: Finding, air: AirSystem = AIR, **notes: EndNote) -> str:
    return str(draw_air(air, findings, notes, "a trailer", "us"))


def balloons(page: str, name: str) -> int:
    return len(re.findall(rf'<circle[^>]*class="{name}"', page))


def test_every_part_of_the_profile_is_there() -> None:
    words = " ".join(texts_of(drawn()))

    assert all(end.title in words for end in AIR.wheel_ends)
    assert all(part in words for part in ("supply line", "service line", "check valve", "reservoir", "type 30"))


def test_a_trailer_without_a_check_valve_has_none_on_its_drawing() -> None:
    assert "check valve" not in " ".join(texts_of(drawn(air=replace(AIR, check_valve=False))))


@pytest.mark.parametrize("place", PLACES)
def test_every_place_that_a_finding_can_name_is_on_the_drawing(place: str) -> None:
    assert unplaced(AIR, [found(place)]) == []
    assert balloons(drawn(found(place)), "balloon") >= 1


def test_places_named_by_the_inference_are_all_known_here() -> None:
    from bench.air.place import TABLE

    assert {name for row in TABLE for name, _ in row.places} <= set(PLACES)


def test_a_part_that_there_are_several_of_is_marked_at_each() -> None:
    assert balloons(drawn(found("brake chamber diaphragm")), "balloon") == len(AIR.wheel_ends)
    assert balloons(drawn(found("brake, rear-left")), "balloon") == 1


def test_what_cannot_be_ruled_out_is_marked_open_and_a_place_that_is_elsewhere_is_told() -> None:
    page = drawn(found("relay valve, inlet seat", "reservoir and its drain"))

    assert (balloons(page, "balloon"), balloons(page, "balloon open")) == (1, 1)
    assert unplaced(AIR, [found("relay valve"), found("the moon")]) == [2]


def test_a_wheel_end_beyond_its_limit_stands_out_by_more_than_colour() -> None:
    page = drawn(**{"rear-left": EndNote((("stroke 2.4 in", Verdict.FAIL),))})

    assert "stroke 2.4 in" in texts_of(page)
    assert page.count("air-beyond") == 1
    assert 'class="marked"' in page


def test_the_description_says_what_is_marked() -> None:
    assert "mark 1: leak supply at relay valve" in drawn(found("relay valve"))
    assert "No fault of the air side is marked" in drawn()


def texts_of(page: str) -> list[str]:
    return [" ".join(each.text.split()) for each in read(page).all("text")]


def numbers(page: Page, *names: str) -> list[float]:
    return [float(each.attributes[name]) for each in page.elements for name in names if name in each.attributes]


@pytest.mark.parametrize("axles", [1, 2, 3, 5])
def test_any_number_of_axles_stays_on_the_paper(axles: int) -> None:
    ends = tuple(
        WheelEnd(f"{side}-{axle}", f"axle {axle}, {side}", axle, side, "30")
        for axle in range(1, axles + 1)
        for side in ("left", "right")
    )
    page = read(drawn(found("brake chamber diaphragm"), air=replace(AIR, wheel_ends=ends, inputs=())))
    across, down = numbers(page, "x", "cx", "x1", "x2"), numbers(page, "y", "cy", "y1", "y2")
    width, height = map(float, page.all("svg")[0].attributes["viewbox"].split()[2:])

    assert 0 <= min(across) <= max(across) <= width
    assert 0 <= min(down) <= max(down) <= height
