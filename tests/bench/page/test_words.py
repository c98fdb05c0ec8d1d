"""Every text of the page is in the one catalogue, in every language."""

import json
import re
from pathlib import Path

import pytest

from bench.page.server import STATIC
from bench.reports import words as report_words
from bench.sequences import cautions as said
from bench.sequences.air import emergency, rig, stroke
from bench.sequences.operator import Question

LANGUAGES = ("es",)
CATALOGUE = json.loads((STATIC / "words.json").read_text(encoding="utf-8"))
SCRIPTS = [path for path in sorted(STATIC.rglob("*.js")) if "vendor" not in path.parts]
AIR = (
    rig.SET_REGULATORS, rig.CHOCKS, rig.GLAD_HANDS, rig.CLEAR, emergency.SPRINGS, emergency.APPLIED, stroke.CLEAR_AGAIN,
)  # fmt: skip


def asked_for(path: Path) -> set[str]:
    """Texts that a script asks the catalogue for, by themselves or out of a table."""
    code = path.read_text(encoding="utf-8")
    direct = re.findall(r'\bt\("((?:[^"\\]|\\.)*)"', code)
    tables = re.findall(r"const [A-Z_]+ = [\[{](.*?)[\]}];", code, re.DOTALL)
    looked_up = [text for table in tables for text in re.findall(r'"([A-Z][a-z][^"]*)"', table)]
    complaints = re.findall(r'complain\("([^"]+)"\)', code)
    return {*direct, *looked_up, *complaints} - {"English", "Español"}  # languages say themselves what they are


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_every_text_of_a_script_is_in_the_catalogue(path: Path) -> None:
    assert asked_for(path) - set(CATALOGUE) == set()


def test_every_entry_is_said_in_every_language_with_the_same_blanks() -> None:
    for english, others in CATALOGUE.items():
        assert set(others) == set(LANGUAGES)
        for text in others.values():
            assert text
            assert sorted(re.findall(r"\{\w+\}", text)) == sorted(re.findall(r"\{\w+\}", english))


def test_what_is_said_for_safety_is_in_the_catalogue() -> None:
    texts = {text for name, text in vars(said).items() if name.isupper() and isinstance(text, str)}
    asked = {each.text for each in (*vars(said).values(), *AIR) if isinstance(each, Question)}

    assert texts | asked | {stroke.WHILE_APPLIED} <= set(CATALOGUE)


def test_verdicts_and_faults_are_in_the_catalogue() -> None:
    assert set(report_words.KIND.values()) | set(report_words.VERDICT.values()) <= set(CATALOGUE)


def test_the_page_names_the_languages_that_it_has() -> None:
    code = (STATIC / "words.js").read_text(encoding="utf-8")

    assert set(re.findall(r"(\w\w): \"", code)) == {"en", *LANGUAGES}
