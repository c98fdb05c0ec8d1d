"""A trailer with a fault is inspected, repaired and tested again, all with the command."""

import json
from pathlib import Path

import pytest

from bench import cli

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def record(tmp_path: Path) -> str:
    """A database with an inspection that found a lamp out."""
    file = str(tmp_path / "records.sqlite")
    inspect = ["inspect", "tandem-53ft-filament", "--board", "sim:lamp-out", "--unit-number", "TR-117"]
    assert cli.run([*inspect, "--record", file]) == 1
    return file


def retest(record: str, scenario: str, *more: str, of: str = "last") -> int:
    return cli.run(["retest", of, "--board", f"sim:{scenario}", "--record", record, *more])


def test_a_repair_closes_what_was_found_and_the_report_shows_both(
    record: str, tmp_path: Path, capsys: Captured
) -> None:
    page = tmp_path / "after.html"
    capsys.readouterr()
    assert retest(record, "healthy-bulbs", "--report", str(page)) == 0
    shown = capsys.readouterr().out

    assert "CLOSED  lamp out (stop)" in shown
    assert "Before and after the repair" in page.read_text()
    assert cli.run(["records", "history", "TR-117", "--record", record]) == 0
    assert "lamp out (stop): closed, retest" in capsys.readouterr().out
    assert cli.run(["records", "verify", "--record", record]) == 0


def test_a_fault_that_is_still_there_stays_open_and_can_be_tested_again(record: str, capsys: Captured) -> None:
    cli.run(["records", "list", "--record", record, "--json"])
    (inspected,) = json.loads(capsys.readouterr().out)
    first = inspected["id"]

    assert retest(record, "lamp-out", "--json", of=first) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["retest_of"] == first
    assert {each["state"] for each in document["followups"]} == {"open"}
    assert {step["step"] for step in document["steps"]} < {"self-check", "supply", "look", "cold-pulse", "circuits"} | {
        "all-lamps",
        "diagnosis",
    }

    assert retest(record, "healthy-bulbs", of=first) == 0
    capsys.readouterr()
    assert retest(record, "healthy-bulbs", of=first) == 0
    assert "nothing is left to test again" in capsys.readouterr().out


def test_a_third_try_closes_what_the_inspection_found_and_every_record_shows_it(record: str, capsys: Captured) -> None:
    cli.run(["records", "list", "--record", record, "--json"])
    first = json.loads(capsys.readouterr().out)[0]["id"]
    assert retest(record, "lamp-out") == 1
    assert retest(record, "healthy-bulbs", "--json") == 0  # of the retest, the newest record
    capsys.readouterr()

    assert cli.run(["records", "show", first, "--record", record]) == 0
    shown = capsys.readouterr().out
    assert "CLOSED  lamp out (stop)" in shown
    assert cli.run(["records", "show", first, "--record", record, "--json"]) == 0
    assert {each["state"] for each in json.loads(capsys.readouterr().out)["followups"]} == {"closed"}
    assert retest(record, "healthy-bulbs", of=first) == 0
    assert "nothing is left to test again" in capsys.readouterr().out
