"""Import, history, due days and statistics on the command line."""

import json
from pathlib import Path

import pytest

from bench import cli
from bench.records import Store
from bench.results import Verdict
from tests.bench.records.made_runs import small_run, small_step

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def record(tmp_path: Path) -> str:
    """Seven visits of one unit."""
    file = tmp_path / "records.sqlite"
    with Store(file) as store:
        for day in range(1, 8):
            started = f"2026-01-{day:02}T08:00:00+00:00"
            step = small_step(0, Verdict.PASS)
            store.save(small_run(f"202601{day:02}-080000-aaaa", started=started, state="complete", steps=(step,)))
    return str(file)


def run(record: str, *words: str) -> int:
    return cli.run(["records", *words, "--record", record])


def test_a_history_lists_visits_and_counts_what_did_not_move(record: str, capsys: Captured) -> None:
    assert run(record, "history", "T-104") == 0
    shown = capsys.readouterr().out
    assert shown.count("20260") == 7
    assert "1 values without a change" in shown

    assert run(record, "history", "T-104", "--json") == 0
    assert json.loads(capsys.readouterr().out)["trends"][0]["words"] == "steady, 2.1 A in 14 visits"


def test_a_unit_without_records_is_no_error(record: str, capsys: Captured) -> None:
    assert run(record, "history", "T-999") == 0
    assert "no records of T-999" in capsys.readouterr().err


@pytest.mark.parametrize(("on", "code", "word"), [("2026-06-01", 0, "in time"), ("2027-01-08", 1, "OVERDUE")])
def test_units_that_are_overdue_have_their_own_exit_code(
    on: str, code: int, word: str, record: str, capsys: Captured
) -> None:
    assert run(record, "due", "--on", on) == code
    assert word in capsys.readouterr().out


def test_due_days_say_where_they_come_from(record: str, capsys: Captured) -> None:
    run(record, "due", "--on", "2026-06-01", "--json")
    document = json.loads(capsys.readouterr().out)

    assert document["sources"]["due"] == "49 CFR 396.17 (second-hand)"
    assert document["units"][0]["due"] == "2027-01-07"


def test_a_value_is_described_by_name_with_a_star_for_anything(record: str, capsys: Captured) -> None:
    assert run(record, "stats", "Stop*") == 0
    assert "14 times, 0 not passed" in capsys.readouterr().out
    assert run(record, "stats", "no such value") == 64


def test_a_day_that_is_none_is_refused(record: str, capsys: Captured) -> None:
    assert run(record, "list", "--since", "yesterday") == 64
    assert "--since yesterday: not a day" in capsys.readouterr().err


def test_records_travel_in_an_archive(record: str, tmp_path: Path, capsys: Captured) -> None:
    file, other = str(tmp_path / "all.jsonl"), str(tmp_path / "other.sqlite")
    assert run(record, "export", "all", "--format", "archive", "--out", file) == 0
    assert run(other, "import", file) == 0
    capsys.readouterr()

    assert run(other, "list", "--json") == 0
    assert len(json.loads(capsys.readouterr().out)) == 7
    assert run(other, "verify") == 0


def test_an_archive_that_is_none_is_refused(record: str, tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "x").write_text("a,b,c\n")

    assert run(record, "import", str(tmp_path / "x")) == 64
    assert "x:1: not JSON" in capsys.readouterr().err
    assert run(record, "import", str(tmp_path / "nothing")) == 64
    assert run(record, "export", "all", "--format", "csv") == 64


def test_a_value_is_drawn_into_a_page(record: str, tmp_path: Path) -> None:
    page = tmp_path / "stats.html"

    assert cli.run(["records", "stats", "*", "--record", record, "--plots", str(page)]) == 0
    assert page.read_text().count("<svg") >= 2
    assert cli.run(["records", "stats", "*", "--record", record, "--plots", str(tmp_path / "no" / "x.html")]) == 74
