import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import get_args

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bench.profiles import load_profile, profile_names
from bench.profiles.model import Profile
from bench.reports import render_html
from bench.reports.words import KIND, REPAIR_CAUTIONS
from bench.results import (
    Alternative,
    BoardInfo,
    Evidence,
    Finding,
    FindingKind,
    Run,
    Size,
    StepResult,
    Trace,
    Value,
    Verdict,
    Where,
)
from tests.bench.reports.html_reading import Page, read
from tests.bench.reports.made_run import board, faulty_run, healthy_run

SEAL = "870d6b82468fb3ad988506f9dfa41fd7eab8a6b21e7aaf49529231022da74e34"


@cache
def tandem() -> Profile:
    return load_profile("tandem-53ft")


@cache
def faulty_html() -> str:
    return render_html(faulty_run(tandem()), tandem(), seal=SEAL)


@cache
def faulty_page() -> Page:
    return read(faulty_html())


def untested_run(**changes: object) -> Run:
    steps = (
        StepResult(
            "circuits", "Lamp circuits", Verdict.NOT_TESTED, 0, 0, reason="nobody said that the wheels are chocked"
        ),
    )
    fields = {"steps": steps, "state": "complete"} | changes
    return Run("20260112-193015-7k2m", "inspect", "tandem-53ft", "2026-01-12T14:30:15-05:00", board(), **fields)


def opening_words(page: Page) -> str:
    header = next(element for element in page.all("header") if element.attributes.get("class") == "opening")
    return " ".join(header.text.split())


# --- what it says ---


def test_the_opening_answers_which_unit_whether_it_passed_what_to_repair_when_by_which_board_and_by_whom():
    words = opening_words(faulty_page())

    assert "Unit 4127-B" in words
    assert "Fail 2 faults found. Repair, then test again." in words
    assert "Repair first 1 Open circuit, stop (pin 4)" in words
    assert "39 ± 3.6 ft (11.9 ± 1.1 m) along the wire from the connector" in words
    assert "12 January 2026, 14:30 (UTC−05:00)" in words
    assert "Board UB-0231 Calibrated 2025-11-03" in words
    assert "By S. Okafor" in words
    assert "1UMBX532XTB000127" in words


def test_every_finding_is_a_card_in_order_of_severity():
    cards = faulty_page().all("article")
    titles = [" ".join(card.text.split()).split(",")[0] for card in cards]

    assert titles == ["1 Open circuit", "2 Lamp out", "3 High resistance in the ground return"]
    for card, finding in zip(cards, faulty_run(tandem()).findings, strict=True):
        words = " ".join(card.text.split())
        assert finding.explain in words
        assert f"Next {finding.next}" in words
        assert all(evidence.name in words for evidence in finding.evidence)
    assert "What the measurements can't rule out" in cards[0].text
    assert "Lamp out: stop left, rear left, inner (2 %)" in cards[0].text


def test_every_value_stands_beside_its_limit_and_its_source():
    words = faulty_page().words

    assert "ground path, left rear cluster 0.62 Ω at most 0.1 Ω [4] Fail" in words
    assert "supply without load 12.8 V at least 11 V [2] Pass" in words
    assert "leak rate, supply line 0.801 psi/min at most 2 psi/min" in words
    assert "ambient temperature 39.2 °F no limit for the record" in words


def test_every_source_is_listed_with_how_well_it_was_checked():
    words = faulty_page().words

    assert "[2] SAE J590-1999: lowest 12 V test point. Second-hand: read in another text that cites it." in words
    assert "feed and return together, lighting. Common practice, no published source." in words
    numbered = set(re.findall(r"#source-(\d+)", faulty_html()))
    listed = {
        element.attributes["id"].removeprefix("source-")
        for element in faulty_page().all("li")
        if "id" in element.attributes
    }
    assert numbered == listed


def test_a_limit_of_the_profile_has_the_profiles_mark():
    limit = tandem().limits["lamp-voltage-share"]
    step = StepResult("s", "Step", Verdict.PASS, 0, 1, (Value("v", 12.0, "V", 10.9, None, Verdict.PASS, limit.source),))

    words = read(render_html(untested_run(steps=(step,)), tandem())).words
    assert f"{limit.source}. Verified: read in the source or a copy of it." in words


def test_what_was_not_tested_says_why():
    assert "ABS warning lamp the lamp is not in sight of the bench and nobody answered" in faulty_page().words


def test_cautions_of_the_steps_and_of_the_work_are_shown_and_it_defers():
    words = faulty_page().words

    assert words.count("Nobody touches the trailer's wiring while circuits are powered.") == 1
    assert all(caution in words for caution in REPAIR_CAUTIONS["trailer"])
    assert "Where local law or code, the maker's instructions or a qualified inspector say otherwise" in words


def test_record_hash_and_lines_to_sign_are_there():
    words = faulty_page().words

    assert f"Hash of the record {SEAL}" in words
    assert "20260112-193015-7k2m" in words
    for line in ("Tested by", "Operated by (carrier, owner)", "Plate or mark", "Place", "signature, date"):
        assert line in words


def test_without_a_store_it_says_that_there_is_no_hash():
    assert "Hash of the record not given" in read(render_html(healthy_run(tandem()), tandem())).words


def test_the_units_of_the_profile_come_first_and_the_others_beside_them():
    metric = read(render_html(faulty_run(tandem()), tandem(), units="metric")).words

    assert "17.5 ± 0.4 m (57.4 ± 1.3 ft)" in metric
    assert "57.4 ± 1.3 ft (17.5 ± 0.4 m)" in faulty_page().words


@pytest.mark.parametrize(
    ("changes", "verdict", "says"),
    [
        ({}, "Pass", "Everything that was tested is within its limits."),
        (
            {"state": "stopped", "reason": "stop pressed"},
            "Not tested",
            "part of it was not tested. The run is stopped by the operator. stop pressed",
        ),
        ({"state": "running"}, "Not tested", "The run is still running."),
    ],
)
def test_a_run_without_findings_says_its_verdict_in_a_word(changes: dict[str, object], verdict: str, says: str):
    page = read(render_html(healthy_run(tandem(), **changes), tandem()))

    assert page.broken == []
    assert f" {verdict} " in opening_words(page)
    assert says in opening_words(page)
    assert "No fault was found in what was tested." in page.words


def test_a_run_in_which_nothing_was_tested_says_so_and_why():
    page = read(render_html(untested_run(), tandem()))

    assert page.broken == []
    assert "Not tested Nothing was tested." in opening_words(page)
    assert "Lamp circuits nobody said that the wheels are chocked" in page.words
    assert "Measured against limits" not in page.words


def test_a_run_with_no_step_at_all_is_a_page():
    page = read(render_html(untested_run(steps=(), state="interrupted", reason="power cut"), tandem()))

    assert page.broken == []
    assert "Nothing was tested, so nothing was found." in page.words


def test_values_beyond_their_limits_are_named_when_no_finding_explains_them():
    value = Value("markers current", 9.0, "A", 1.0, 2.0, Verdict.FAIL)
    page = read(
        render_html(untested_run(steps=(StepResult("c", "Each circuit", Verdict.FAIL, 0, 1, (value,)),)), tandem())
    )

    assert "Look at first markers current: 9 A, limit 1 to 2 A" in opening_words(page)
    assert "No single fault explains it, but these values are beyond their limits" in page.words
    assert "No fault was found" not in page.words


def test_a_value_within_its_limits_names_the_finding_that_failed_it():
    (stop,) = (finding for finding in faulty_run(tandem()).findings if finding.kind == "open")
    value = Value("stop voltage", 12.6, "V", 10.9, None, Verdict.FAIL)
    step = StepResult("c", "Each circuit", Verdict.FAIL, 0, 1, (value,), (stop,))

    assert "at least 10.9 V Fail, by finding 1" in read(render_html(untested_run(steps=(step,)), tandem())).words


def test_a_value_far_from_its_limit_keeps_a_unit_of_its_own():
    value = Value("markers probed", 0.31, "ohm", None, 20_000.0, Verdict.PASS)
    step = StepResult("look", "Look", Verdict.PASS, 0, 1, (value,))

    assert "markers probed 0.31 Ω at most 20 kΩ Pass" in read(render_html(untested_run(steps=(step,)), tandem())).words


def test_every_kind_of_finding_has_a_title():
    assert set(KIND) == set(get_args(FindingKind))


# --- how it is built ---


@pytest.mark.parametrize("name", profile_names())
def test_every_profile_gives_a_page_that_nests(name: str):
    profile = load_profile(name)

    assert read(render_html(faulty_run(profile), profile)).broken == []


def test_headings_go_down_one_level_at_a_time_from_one_first():
    levels = [int(element.tag[1]) for element in faulty_page().elements if re.fullmatch("h[1-6]", element.tag)]

    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_tables_have_captions_and_headers_with_a_scope():
    page = faulty_page()

    assert len(page.all("caption")) == len(page.all("table")) > 4
    assert all(header.attributes.get("scope") for header in page.all("th"))


def test_pictures_have_a_name_and_a_description_or_are_hidden():
    page = faulty_page()
    shown = [svg for svg in page.all("svg") if svg.attributes.get("aria-hidden") != "true"]

    assert all(svg.attributes["role"] == "img" for svg in shown)
    assert len(shown) == len(page.all("desc")) >= 2 + 2 * 6
    named = [title for title in page.all("title") if title.within[-1] == "svg"]
    assert len(named) == len(shown)


def test_nothing_comes_from_elsewhere_and_nothing_runs():
    page, html = faulty_page(), faulty_html()

    assert not {"script", "link", "img", "iframe", "object", "embed", "base", "form"} & {
        each.tag for each in page.elements
    }
    assert all(link.attributes["href"].startswith("#") for link in page.all("a"))
    assert not re.search(r"url\(|@import|src=|http://|https://", html)
    assert "default-src 'none'" in html


def test_links_inside_the_page_lead_somewhere():
    page = faulty_page()
    anchors = {element.attributes["id"] for element in page.elements if "id" in element.attributes}

    assert {link.attributes["href"][1:] for link in page.all("a")} <= anchors


def test_the_language_and_the_title_are_given():
    page = faulty_page()

    assert page.all("html")[0].attributes["lang"] == "en"
    assert page.all("title")[0].text == "Fail: 4127-B, test report 20260112-193015-7k2m"


def test_a_page_with_a_hundred_long_recordings_stays_small_enough_to_send():
    noisy = tuple((number * 7919 % 1000) / 7 for number in range(20_000))
    traces = tuple(Trace(f"inrush {number}", 0.0, 0.001, {"current_a": noisy}) for number in range(100))
    run = replace(
        faulty_run(tandem()),
        steps=(*faulty_run(tandem()).steps, StepResult("x", "X", Verdict.PASS, 0, 1, (), (), traces)),
    )

    assert len(render_html(run, tandem()).encode()) < 600_000
    assert len(faulty_html().encode()) < 300_000


# --- what people type ---


def run_of(text: str) -> Run:
    where = Where("segment", text, 3.0, 0.5)
    finding = Finding(
        "open", (text,), (4,), Verdict.FAIL, "safety", 0.9, text, text, where, Size(2.0, text),
        (Evidence(text, 1.0, text),), (Alternative(text, where, 0.1),), text,
    )  # fmt: skip
    trace = Trace(text, 0.0, 0.001, {f"{text}_a": (0.0, 1.0, 2.0)})
    value = Value(text, 1.0, "V", 0.0, 2.0, Verdict.PASS, text)
    step = StepResult(text, text, Verdict.FAIL, 0.0, 1.0, (value,), (finding,), (trace,), (text,), text)
    board = BoardInfo(text, text, text, text, 7, text)
    return Run(text, text, text, text, board, 1.0, "complete", text, text, text, text, (step,))


def shape(html: str) -> list[tuple[str, tuple[str, ...]]]:
    page = read(html)
    assert page.broken == []
    return [(element.tag, tuple(element.attributes)) for element in page.elements]


HARMLESS = "harmless"
nasty = st.sampled_from(
    [
        "<script>",
        "</style>",
        "\"'>",
        "<!--",
        "-->",
        "]]>",
        "&lt;",
        "{{ 7*7 }}",
        "\\",
        "\x00",
        "\u202e",
        "<b",
        "&#60;",
        "</title>",
        "<svg onload=x>",
    ]
)


@settings(max_examples=30, deadline=None)
@given(text=st.lists(nasty | st.text(max_size=6), min_size=1, max_size=4).map("".join).filter(str.strip))
def test_no_text_changes_what_the_page_is_made_of(text: str):
    profile = tandem()
    assume(not any(circuit.name in text.lower() for circuit in profile.circuits))  # the drawing shows what is named
    html = render_html(run_of(f"a{text}"), profile, seal=text)

    assert shape(html) == shape(render_html(run_of(HARMLESS), profile, seal=HARMLESS))
    assert "\u202e" not in html
    assert "\x00" not in html


def test_markup_in_a_unit_number_is_shown_as_it_was_typed():
    evil = "<script>alert('x')</script> & \"Co\""
    html = render_html(healthy_run(tandem(), unit_number=evil), tandem())

    assert f"Unit {evil}" in read(html).words
    assert "<script" not in html


def test_a_record_id_cannot_leave_its_place_in_the_style_sheet():
    html = render_html(replace(healthy_run(tandem()), id='x"}</style>*{display:none}'), tandem())

    assert 'content: "record xstyledisplaynone";' in html
