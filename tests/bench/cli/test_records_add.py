"""What people add to a record: remarks, photos, their names; kept in the chain and shown."""

import base64
import json
import sqlite3
from pathlib import Path

import pytest

from bench import cli
from bench.records import Store
from tests.bench.records.made_runs import small_run, small_step

Captured = pytest.CaptureFixture[str]
RUN_ID = "20260112-143015-7k2m"
# The smallest PNG: one pixel.
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)


@pytest.fixture
def record(tmp_path: Path) -> str:
    file = tmp_path / "records.sqlite"
    with Store(file) as store:
        store.save(small_run(RUN_ID, state="complete", steps=(small_step(),)))
    return str(file)


def test_notes_photos_and_names_stay_with_the_record_and_are_shown(
    record: str, tmp_path: Path, capsys: Captured
) -> None:
    photo = tmp_path / "ring.png"
    photo.write_bytes(PNG)
    assert cli.run(["records", "note", "last", "ground ring cleaned", "--author", "R. Vale", "--record", record]) == 0
    assert cli.run(["records", "attach", "last", str(photo), "--record", record]) == 0
    assert cli.run(["records", "sign", "last", "--name", "R. Vale", "--role", "technician", "--record", record]) == 0
    capsys.readouterr()

    assert cli.run(["records", "show", "last", "--record", record, "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    with Store(record) as store:
        seal = store.seal(RUN_ID)
        assert store.verify() == []
    assert [note["text"] for note in shown["notes"]] == ["ground ring cleaned"]
    assert shown["files"] == {"ring.png": len(PNG)}
    assert [(each["name"], each["role"], each["seal"]) for each in shown["signatures"]] == [
        ("R. Vale", "technician", seal)
    ]
    assert cli.run(["records", "show", "last", "--record", record]) == 0
    words = capsys.readouterr().out
    assert all(each in words for each in ("ground ring cleaned", "ring.png", "R. Vale, technician"))


def test_a_name_that_was_put_under_another_record_is_seen(record: str, capsys: Captured) -> None:
    assert cli.run(["records", "sign", "last", "--name", "R. Vale", "--role", "technician", "--record", record]) == 0
    with sqlite3.connect(record) as connection:
        connection.execute("UPDATE signature SET name = 'S. Hale'")
    connection.close()
    capsys.readouterr()

    assert cli.run(["records", "verify", "--record", record]) == 1
    assert f"record {RUN_ID}, signature 1: signature 1 of 1 changed" in capsys.readouterr().err


def test_an_open_record_is_not_signed(tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "open.sqlite"
    with Store(file) as store:
        store.begin(small_run(RUN_ID))
        assert cli.run(["records", "sign", "last", "--name", "A", "--role", "b", "--record", str(file)]) == 74
    assert "is not closed yet" in capsys.readouterr().err


REFUSED = {
    "a name the bench uses itself": ["--name", "profile.json"],
    "a name of its readings": ["--name", "measurements-000.json"],
}


@pytest.mark.parametrize("why", REFUSED)
def test_a_file_does_not_take_the_place_of_the_benchs_own(why: str, record: str, tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    file.write_text("x")

    assert cli.run(["records", "attach", "last", str(file), *REFUSED[why], "--record", record]) == 64


def test_a_file_that_is_not_there_or_empty_is_one_line(record: str, tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "empty").write_bytes(b"")
    for name in ("missing", "empty"):
        assert cli.run(["records", "attach", "last", str(tmp_path / name), "--record", record]) == 64
        assert len(capsys.readouterr().err.strip().splitlines()) == 1
