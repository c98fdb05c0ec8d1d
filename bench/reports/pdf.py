"""The same page on paper: HTML to PDF through WeasyPrint (extra ``report``).

WeasyPrint lays out no grid inside an inline box, and draws an inline SVG by the rules that stand inside it, without
variables. So the page goes through with two additions: ``paper.css``, which says the same with simpler
boxes, and a copy of the drawing rules in each drawing. Nothing is fetched: photos stand in the page itself.
"""

import logging
import re
from functools import cache
from importlib.resources import files
from typing import Literal

from bench.errors import InputError

Paper = Literal["letter", "a4"]
_SIZE: dict[Paper, str] = {"letter": "letter", "a4": "A4"}
_SVG = re.compile(r"(<svg\b[^>]*>)(.*?</svg>)", re.DOTALL)
_RULE = re.compile(r"([^{}]+)(\{[^}]*\})")
_CLASS = re.compile(r"\.([\w-]+)")
_CLASSES = re.compile(r'class="([^"]*)"')
_VARIABLE = re.compile(r"--([\w-]+):\s*([^;}]+)")
_USED = re.compile(r"var\(--([\w-]+)\)")


def render_pdf(html: str, paper: Paper) -> bytes:
    """A page of ``render_html`` as PDF.

    Raises:
        InputError: the extra ``report``, or the Pango library that it needs, is not installed.
    """
    check_installed()
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    logging.getLogger("weasyprint").setLevel(logging.ERROR)  # it tells of every rule that is for screens only
    # Only what stands in the page itself, its photos, may be fetched.
    document = HTML(string=_for_paper(html, paper), url_fetcher=URLFetcher(allowed_protocols=("data",)))
    return bytes(document.write_pdf())


def check_installed() -> None:
    """See that a PDF can be made.

    Raises:
        InputError: the extra ``report``, or the Pango library that it needs, is not installed.
    """
    try:
        import weasyprint  # noqa: F401 - loads Pango, which may be missing
    except ImportError:
        raise InputError("PDF needs weasyprint: pip install 'umbilical[report]'") from None
    except OSError:
        raise InputError("PDF needs the Pango library: apt install libpango-1.0-0 libpangoft2-1.0-0") from None


def _for_paper(html: str, paper: Paper) -> str:
    drawn = _SVG.sub(lambda found: f"{found[1]}<style>{_rules_for(found[0])}</style>{found[2]}", html)
    size = f"@page {{ size: {_SIZE[paper]}; }}"
    return drawn.replace("</head>", f"<style>{_template('paper.css')}{size}</style></head>", 1)


def _rules_for(drawing: str) -> str:
    """Only the rules that one drawing uses: there are a hundred small ones, and each would read all rules anew."""
    used = frozenset(name for names in _CLASSES.findall(drawing) for name in names.split())
    return _rules_of(used)


@cache
def _rules_of(used: frozenset[str]) -> str:
    return "\n".join(
        f"{selectors} {block}"
        for selectors, block in _drawing_rules()
        if any(set(_CLASS.findall(selector)) <= used for selector in selectors.split(","))
    )


@cache
def _drawing_rules() -> list[tuple[str, str]]:
    """The rules of the drawings, selectors and block, with their variables put in."""
    sheet = _template("report.css")
    variables = dict(_VARIABLE.findall(sheet.split("}", 1)[0]))
    drawings = sheet.split("/* drawings */", 1)[1].split("/* closing */", 1)[0]
    # It paints a stroke over its fill, whatever the order asked for: a halo would hide its own letters.
    drawings = "\n".join(line for line in drawings.splitlines() if "paint-order" not in line)
    plain = _USED.sub(lambda used: variables[used[1]].strip(), drawings)
    return [(selectors.strip(), block) for selectors, block in _RULE.findall(plain)]


def _template(name: str) -> str:
    return files("bench.reports").joinpath("templates", name).read_text(encoding="utf-8")
