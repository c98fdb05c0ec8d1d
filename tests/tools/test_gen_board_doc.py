"""The board's paper is fresh and leaves nothing of the contract out."""

import re

import pytest

from bench.contract.table import BLOCKS, COMMANDS, Capability, ChannelState, EventKind, Fault, Mode, Refusal, TripReason
from tools import gen_board_doc

TEXT = gen_board_doc.DOCUMENT.read_text(encoding="utf-8")


def test_the_document_is_what_the_tables_say():
    assert gen_board_doc.document() == TEXT, "run tools/gen_board_doc.py"


@pytest.mark.parametrize("names", [Capability, ChannelState, EventKind, Fault, Mode, Refusal, TripReason])
def test_every_name_of_the_contract_is_explained(names):
    assert [name.name for name in names if f"| {name.name} |" not in TEXT] == []


def test_every_field_and_command_is_there():
    fields = {field.name for block in BLOCKS for field in (*block.header, *block.row)}

    assert [name for name in fields if f"| `{name}` |" not in TEXT] == []
    assert [command.line for command in COMMANDS if f"| `{command.line}` |" not in TEXT] == []


def test_check_says_so_when_the_document_is_stale(tmp_path, monkeypatch, capsys):
    stale = tmp_path / "BOARD.md"
    stale.write_text(TEXT.replace("1 ms", "2 ms"), encoding="utf-8")
    monkeypatch.setattr(gen_board_doc, "DOCUMENT", stale)
    monkeypatch.setattr("sys.argv", ["gen_board_doc", "--check"])

    assert gen_board_doc.main() == 1
    assert "stale" in capsys.readouterr().err


def test_every_line_header_in_the_document_is_known_to_the_server():
    from firmware_sim.servers.line.meanings import _VOCABULARY
    from firmware_sim.servers.line.syntax import spellings

    section = TEXT.split("## 11. Line protocol")[1]
    headers = re.findall(r"`((?:[A-Z]+[a-z]*|\[:[A-Za-z]+\]|:)+\??)(?: [^`]*)?`", section)
    tree = [header for header in headers if ":" in header and re.search("[a-z]", header)]

    assert len(tree) > 20
    assert [h for h in tree if any(_VOCABULARY.get(s, None) is None for s in spellings(h))] == []
