"""The grammar on the board's paper, read by a general ABNF library, takes every golden conversation."""

import re
from pathlib import Path

import pytest
from abnf import ParseError, Rule

from tools.gen_board_doc import DOCUMENT

GOLDEN = Path(__file__).resolve().parents[1] / "golden"
MALFORMED = {"00ab|*IDN?*29", "?;:SYST:ERR?"}  # on purpose: the board's answer to them is what is golden
TEXT = DOCUMENT.read_text(encoding="utf-8")


class Grammar(Rule):
    """The rules of BOARD.md."""


(SOURCE,) = re.findall(r"^```abnf\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)
for _rule in re.split(r"\n(?=[a-z])", re.sub(r" *;.*", lambda m: "" if '"' not in m[0] else m[0], SOURCE)):
    Grammar.create(" ".join(_rule.split()))


def lines(mark: str) -> list[str]:
    """Lines of all golden conversations of the line protocol that one side sends."""
    files = sorted(GOLDEN.glob("line_*.wire"))
    texts = [line for file in files for line in file.read_text(encoding="utf-8").splitlines()]
    return sorted({line[2:] for line in texts if line.startswith(mark) and "\\x" not in line})


def takes(rule: str, text: str) -> bool:
    try:
        Grammar(rule).parse_all(text)
    except ParseError:
        return False
    return True


@pytest.mark.parametrize("line", [line for line in lines("> ") if line not in MALFORMED])
def test_every_golden_request_is_in_the_grammar(line: str) -> None:
    checked = re.fullmatch(r"[0-9A-F]{4}\|.*", line)

    assert takes("checked-line" if checked else "bare-line", line)


@pytest.mark.parametrize("line", lines("< "))
def test_every_golden_reply_is_in_the_grammar(line: str) -> None:
    checked = re.fullmatch(r"[0-9A-F]{4}\|.*", line)

    assert takes("checked-reply" if checked else "bare-reply", line)


@pytest.mark.parametrize(
    "line",
    [*sorted(MALFORMED), "OUTP:DRIV (@1,1", "OUTP:DRIV (@1),", "*", "1OUTP", "OUTP DRIV 3x", 'CAL:COMM "2031'],
)
def test_what_is_no_line_is_not_in_the_grammar(line: str) -> None:
    assert not takes("checked-line" if "|" in line else "bare-line", line)
