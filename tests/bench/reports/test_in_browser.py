"""The page in a real browser: it draws, complains of nothing and fits a telephone."""

import re
import shutil
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from bench.profiles import load_profile
from bench.reports import render_html
from tests.bench.reports.made_run import faulty_run


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium")
    assert chromium, "this test needs the system's chromium"
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        opened = playwright.chromium.launch(executable_path=chromium, args=arguments)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    profile = load_profile("tandem-53ft")
    file = tmp_path_factory.mktemp("report") / "report.html"
    run = faulty_run(profile, unit_number="<script>document.title='run'</script>", operator="W" * 300, vin="V" * 200)
    file.write_text(render_html(run, profile), encoding="utf-8")
    return file


@pytest.fixture(scope="module", params=[390, 1280], ids=["phone", "desk"])
def page(request: pytest.FixtureRequest, browser: Browser, report: Path) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": request.param, "height": 900})
    page.complaints = []
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("request", lambda request: page.complaints.append(request.url) if request.url != report.as_uri() else None)
    page.goto(report.as_uri())
    yield page
    page.close()


def test_it_draws_without_complaint_or_fetch_and_runs_nothing(page: Page):
    assert page.complaints == []
    assert page.title().startswith("Fail: <script>")


def test_it_does_not_scroll_sideways(page: Page):
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_no_text_is_wider_than_its_box(page: Page):
    wide = page.evaluate(
        """() => [...document.querySelectorAll('dd, td, th, p, h1, h2, h3, li')]
        .filter(box => box.scrollWidth > box.clientWidth + 1 && !box.closest('.unseen') && box.clientWidth)
        .map(box => box.textContent.trim().slice(0, 40))"""
    )
    assert wide == []


def test_the_verdict_is_on_the_first_screen(page: Page):
    box = page.locator(".word").bounding_box()

    assert box["y"] + box["height"] < 900
    assert box["height"] > 40


def test_something_is_to_be_seen(page: Page):
    picture = page.screenshot(full_page=True)

    assert len(picture) > 50_000  # a blank page of this size is a few kB
    assert BytesIO(picture).read(4) == b"\x89PNG"


CONTRAST = """() => {
  const shine = colour => {
    const [r, g, b] = colour.match(/[\\d.]+/g).map(Number).map(v => v / 255)
      .map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = box => {
    for (; box; box = box.parentElement) {
      const colour = getComputedStyle(box).backgroundColor;
      if (!/^rgba.*, 0\\)$|transparent/.test(colour)) return colour;
    }
    return 'rgb(255, 255, 255)';
  };
  return [...document.querySelectorAll('main *')]
    .filter(box => [...box.childNodes].some(node => node.nodeType === 3 && node.textContent.trim()))
    .filter(box => !box.closest('svg'))
    .map(box => {
      const [one, other] = [shine(getComputedStyle(box).color), shine(ground(box))].sort((a, b) => b - a);
      return [(one + 0.05) / (other + 0.05), box.textContent.trim().slice(0, 40)];
    })
    .filter(([ratio]) => ratio < 4.5);
}"""


def test_all_words_have_the_contrast_of_wcag_2_1_level_aa(page: Page):
    """Relative luminance and the ratio of 4.5 to 1: WCAG 2.1, success criterion 1.4.3."""
    assert page.evaluate(CONTRAST) == []


def test_no_words_in_a_drawing_cover_others(page: Page):
    covered = page.evaluate(
        """() => {
        const boxes = [...document.querySelectorAll('.harness text')]
          .map(text => [text.getBBox(), text.textContent, text.closest('svg')]);
        const hits = [];
        for (let i = 0; i < boxes.length; i++) for (let j = 0; j < i; j++) {
          if (boxes[i][2] !== boxes[j][2]) continue;
          const [a, b] = [boxes[i][0], boxes[j][0]];
          const x = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
          const y = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
          if (x > 1 && y > 3) hits.push([boxes[i][1], boxes[j][1]]);
        }
        return hits;
        }"""
    )
    assert covered == []


def test_drawings_keep_their_words_on_the_paper(page: Page):
    outside = page.evaluate(
        """() => [...document.querySelectorAll('.harness text')]
        .filter(text => {
          const [box, paper] = [text.getBBox(), text.closest('svg').viewBox.baseVal];
          return box.x < -1 || box.x + box.width > paper.width + 1;
        })
        .map(text => text.textContent)"""
    )
    assert outside == []


def test_it_prints_on_letter_and_a4(browser: Browser, report: Path):
    page = browser.new_page()
    page.goto(report.as_uri())
    for size in ("Letter", "A4"):
        paper = page.pdf(format=size, print_background=True)
        pages = len(re.findall(rb"/Type\s*/Page\b", paper))
        assert 4 <= pages <= 10, size
    page.close()
