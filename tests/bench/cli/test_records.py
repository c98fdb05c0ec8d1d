"""Records and reports on the command line, from a run made with it."""

import json
import sqlite3
from pathlib import Path

import pytest

from bench import cli

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def records(tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A database with one run of a unit, made by the user whose default it is."""
    file = tmp_path / "umbilical" / "records.sqlite"
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    inspect = ["inspect", "tandem-53ft", "--board", "sim:", "--only", "self-check,supply", "--unit-number", "TR-117"]
    assert cli.run(inspect) == 0
    capsys.readouterr()
    return file


def test_a_run_is_kept_in_the_users_data_folder_without_being_asked(records: Path) -> None:
    assert records.is_file()


def test_records_are_listed_for_people_and_for_programs(records: Path, capsys: Captured) -> None:
    assert cli.run(["records", "list", "--unit", "tr-117"]) == 0
    assert "TR-117" in capsys.readouterr().out

    assert cli.run(["records", "list", "--json"]) == 0
    (run,) = json.loads(capsys.readouterr().out)
    assert (run["profile"], run["verdict"]) == ("tandem-53ft", "pass")


def test_no_records_yet_is_no_error(tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))

    assert cli.run(["records", "list", "--json"]) == 0
    assert capsys.readouterr().out == "[]\n"


def test_a_record_shows_as_its_run_ended(records: Path, capsys: Captured) -> None:
    assert cli.run(["records", "show", "last", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)

    assert [step["step"] for step in shown["steps"]] == ["self-check", "supply"]
    assert cli.run(["records", "show", shown["record"]]) == 0
    assert "TR-117" in capsys.readouterr().out


def test_a_report_is_written_for_any_record(records: Path, tmp_path: Path) -> None:
    page = tmp_path / "report.html"

    assert cli.run(["report", "last", "--out", str(page)]) == 0
    assert "TR-117" in page.read_text(encoding="utf-8")


def test_a_report_keeps_the_profile_as_it_was(tmp_path: Path, capsys: Captured) -> None:
    profile, record, page = tmp_path / "mine.yaml", str(tmp_path / "records.sqlite"), tmp_path / "report.html"
    profile.write_text("extends: tandem-53ft\ntitle: a trailer that was sold\n")
    inspect = ["inspect", str(profile), "--board", "sim:", "--only", "supply", "--record", record]
    assert cli.run(inspect) == 0
    profile.unlink()

    assert cli.run(["report", "last", "--record", record, "--out", str(page)]) == 0
    assert "a trailer that was sold" in page.read_text(encoding="utf-8")


def test_a_changed_record_is_named(records: Path, capsys: Captured) -> None:
    assert cli.run(["records", "verify"]) == 0
    with sqlite3.connect(records) as connection:
        connection.execute("UPDATE step SET verdict = 'fail' WHERE step_no = 0")
    connection.close()

    assert cli.run(["records", "verify"]) == 1
    assert "step" in capsys.readouterr().err
