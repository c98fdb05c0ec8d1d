from functools import cache
from itertools import pairwise

from bench.profiles import load_profile
from bench.profiles.model import Profile
from bench.reports.harness_drawing import draw_harness, marks_of
from bench.reports.harness_layout import lay_out
from bench.results import Finding, Verdict, Where
from tests.bench.reports.html_reading import read
from tests.bench.reports.made_run import GROUND, MARKER, OPEN_STOP


@cache
def tandem() -> Profile:
    return load_profile("tandem-53ft")


def finding_at(where: Where | None, pins: tuple[int, ...] = ()) -> Finding:
    return Finding("open", ("stop",), pins, Verdict.FAIL, "safety", 0.9, "", "", where)


def circles(findings: list[Finding], name: str) -> list[tuple[float, float]]:
    page = read(f"<main>{draw_harness(tandem(), findings, 'us')}</main>")
    assert page.broken == []
    return [
        (float(each.attributes["cx"]), float(each.attributes["cy"]))
        for each in page.all("circle")
        if each.attributes["class"] == name
    ]


def test_a_fault_on_a_wire_is_marked_at_its_distance():
    near, far = (
        circles([finding_at(Where("segment", "main.rear.stop", metres))], "balloon")[0] for metres in (8.2, 15.9)
    )
    wire = lay_out(tandem(), frozenset({"main.rear.stop"})).find_edge("main.rear.stop")
    metres = (near[0] - wire.start[0]) / (wire.end[0] - wire.start[0]) * (wire.to_m - wire.from_m) + wire.from_m

    assert abs(metres - 8.2) < 0.1
    assert near[0] < far[0] <= wire.end[0]


def test_a_distance_outside_its_wire_is_marked_at_its_end():
    (x, _) = circles([finding_at(Where("segment", "main.rear.stop", 99.0))], "balloon")[0]

    assert x == lay_out(tandem(), frozenset({"main.rear.stop"})).find_edge("main.rear.stop").end[0]


def test_lamps_joints_and_pins_can_be_marked():
    wheres = [Where("lamp", "turn.left"), Where("joint", "rear-plug.tail"), Where("component", "abs-unit")]
    findings = [*(finding_at(where) for where in wheres), finding_at(None, (6,))]

    assert len(circles(findings, "balloon")) == 4


def test_other_places_are_marked_open_with_the_same_number():
    assert len(circles([MARKER], "balloon")) == 1
    assert len(circles([MARKER], "balloon open")) == 2


def test_a_place_that_the_profile_lacks_is_not_marked_and_breaks_nothing():
    assert circles([finding_at(Where("component", "left front chamber"))], "balloon") == []


def test_marks_say_the_kind_and_the_distance_with_its_doubt():
    marks = marks_of([OPEN_STOP, GROUND], "us")

    assert marks[0].words == "open, 39 ± 3.6 ft"
    assert marks[-1].words == "ground high resistance, 57.4 ± 1.3 ft"


def test_many_faults_on_one_wire_do_not_cover_each_other():
    findings = [finding_at(Where("segment", "main.rear.stop", 11.0 + 0.1 * number)) for number in range(6)]
    xs = sorted(x for x, _ in circles(findings, "balloon"))

    assert len(xs) == 6
    assert all(after - before >= 17 for before, after in pairwise(xs))
