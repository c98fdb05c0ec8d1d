"""PDFs read back by poppler, which had no part in making them."""

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import load_profile
from bench.reports import check_answers, render_html, render_pdf
from bench.results import Compared, Followup, Reexamined, Verdict
from tests.bench.reports.made_run import faulty_run

SEEN = {"inspector": "A. Fitter", "plate": "ABC 123", "tires": "pass: 8/32 in", "frame": "fail"}


def text_of(file: Path) -> str:
    found = subprocess.run(["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True)
    return found.stdout


def size_of(file: Path) -> str:
    found = subprocess.run(["pdfinfo", str(file)], capture_output=True, text=True, check=True)
    return re.findall(r"Page size: +(.*)", found.stdout)[0]


@pytest.fixture(scope="module")
def page() -> str:
    profile = load_profile("tandem-53ft")
    run = faulty_run(profile)
    compared = Compared("stop current", "A", 1.94, 4.05, 3.45, 4.77, Verdict.PASS)
    followup = Followup(0, None, "closed", "20260114-080000-bbbb", "tested again", (compared,))
    return render_html(
        run, profile, seal="ab" * 32, reexamined=[Reexamined(run.id, "Circuits", None, followup)], answers=SEEN
    )


def test_the_paper_says_what_the_page_says(page: str, tmp_path: Path) -> None:
    file = tmp_path / "report.pdf"
    file.write_bytes(render_pdf(page, "letter"))
    text = text_of(file)

    assert size_of(file) == "612 x 792 pts (letter)"  # 8.5 by 11 in
    for words in ("ab" * 32, "Before and after the repair", "4.05 A", "seen by A. Fitter", "Not inspected", "8/32 in"):
        assert words in text
    assert re.search(r"page 1 of \d", text)


def test_a4_is_a4(tmp_path: Path) -> None:
    """ISO 216: 210 by 297 mm, 595.28 by 841.89 pt."""
    profile = load_profile("tandem-53ft")
    file = tmp_path / "report.pdf"
    file.write_bytes(render_pdf(render_html(replace(faulty_run(profile), steps=()), profile), "a4"))

    assert size_of(file) == "595.276 x 841.89 pts (A4)"


def test_drawings_carry_their_own_rules_without_variables(page: str) -> None:
    from bench.reports.pdf import _for_paper

    drawn = _for_paper(page, "a4")
    rules = re.findall(r"<svg\b[^>]*><style>(.*?)</style>", drawn, re.DOTALL)

    assert len(rules) == page.count("<svg")
    assert "var(" not in rules[0]
    assert ".badge.fault { fill: #a01c17; }" in rules[0]


def test_without_the_extra_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)

    with pytest.raises(InputError, match=r"pip install 'umbilical\[report\]'"):
        render_pdf("<p>", "a4")


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"tyres": "pass"}, "nothing is called 'tyres'; known are inspector"),
        ({"tires": "fine"}, "tires: say one of pass, fail, not-applicable"),
    ],
)
def test_answers_that_nobody_asked_for_are_refused_by_name(answers: dict[str, str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        check_answers(answers, "seen.yaml")


def test_what_nobody_looked_at_is_not_inspected(page: str) -> None:
    assert page.count("<td>Not inspected</td><td>nobody</td>") == 7
    assert "measured by this bench" in page
