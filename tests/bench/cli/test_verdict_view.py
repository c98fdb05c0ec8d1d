import io

import pytest
from rich.console import Console

from bench.cli import stdio, verdict_view
from bench.cli.letters import tall
from bench.cli.terminal import WORD
from bench.results import BoardInfo, Finding, Run, Size, StepResult, Verdict, Where

stdio.prepare()
BOARD = BoardInfo("sim:", "1", "sim", "1.0", 8, "")
SHORT = Finding(
    kind="short-to-ground",
    circuits=("stop",),
    pins=(5,),
    verdict=Verdict.FAIL,
    severity="safety",
    confidence=0.97,
    explain="The wire touches the [frame].",
    next="Look at the bolster.",
    where=Where("segment", "stop.trunk", 3.1, 0.4),
    size=Size(0.08, "ohm"),
)


def screen(verdict: Verdict, width: int = 80, encoding: str = "utf-8", findings: tuple[Finding, ...] = ()) -> str:
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors=stdio.HANDLER)
    console = Console(file=stream, width=width, markup=False, highlight=False)
    step = StepResult("abs", "ABS supply", verdict, 0.0, 1.0, findings=findings, reason="no answer")
    run = Run("id", "inspect", "anything", "2026", BOARD, state="complete", steps=(step,))
    verdict_view.show(console, run, [("report", "/a/" + "long/" * 20 + "report.html")])
    stream.seek(0)
    return stream.read()


@pytest.mark.parametrize("verdict", list(Verdict))
@pytest.mark.parametrize("width", [60, 80])
def test_every_verdict_is_large_and_framed_at_any_width(verdict: Verdict, width: int) -> None:
    lines = screen(verdict, width).splitlines()

    frame = [line for line in lines if line[:1] in ("║", "┃")]
    for row in tall(WORD[verdict].upper(), "█").splitlines():
        assert any(row.strip() in line for line in frame)
    assert max(len(line) for line in frame) == width


def test_a_finding_says_what_where_how_bad_and_what_next() -> None:
    text = " ".join(screen(Verdict.FAIL, findings=(SHORT,)).split())

    assert "SAFETY short to ground (stop)" in text
    assert "The wire touches the [frame]." in text
    assert "wire stop.trunk, 10.2 ft (3.1 m) from the connector, give or take 1.31 ft (0.4 m)" in text
    assert "80 mΩ, 97% sure" in text
    assert "Look at the bolster." in text


def test_what_was_not_tested_says_why() -> None:
    assert "ABS supply: no answer" in screen(Verdict.NOT_TESTED)


def test_a_long_path_is_never_broken() -> None:
    assert "/a/" + "long/" * 20 + "report.html" in screen(Verdict.PASS, width=60)


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_a_pipe_gets_no_control_characters(encoding: str) -> None:
    text = screen(Verdict.FAIL, encoding=encoding, findings=(SHORT,))

    assert all(character.isprintable() or character == "\n" for character in text)


def test_a_terminal_without_unicode_gets_plain_characters_and_units_in_words() -> None:
    text = screen(Verdict.FAIL, encoding="ascii", findings=(SHORT,))

    assert text.isascii()
    assert "80 mohm" in text
