"""Exports on the command line, from a run made with it."""

import csv
import io
import json
from pathlib import Path

import pytest

from bench import cli

Captured = pytest.CaptureFixture[bytes]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with one run that found a fault."""
    file = str(tmp_path_factory.mktemp("records") / "records.sqlite")
    inspect = ["inspect", "tandem-53ft-filament", "--board", "sim:lamp-out", "--only", "look,circuits"]
    assert cli.run([*inspect, "--record", file]) == 1
    return file


def export(record: str, kind: str, *more: str) -> int:
    return cli.run(["records", "export", "last", "--record", record, "--format", kind, *more])


def test_a_csv_with_a_name_is_a_file_for_each_table(record: str, tmp_path: Path) -> None:
    assert export(record, "csv", "--out", str(tmp_path / "run.csv")) == 0

    assert {file.name for file in tmp_path.iterdir()} == {"run.csv", "run-findings.csv", "run-traces.csv"}


def test_one_table_comes_on_standard_output(record: str, capsysbinary: Captured) -> None:
    assert export(record, "csv", "--part", "findings") == 0
    (row,) = csv.DictReader(io.StringIO(capsysbinary.readouterr().out.decode()))

    assert row["kind"] == "lamp-out"


@pytest.mark.parametrize(("kind", "begins"), [("junit", b"<?xml"), ("json", b"{"), ("mf4", b"MDF     4.10")])
def test_every_other_format_comes_on_standard_output_or_in_a_file(
    kind: str, begins: bytes, record: str, tmp_path: Path, capsysbinary: Captured
) -> None:
    assert export(record, kind) == 0
    assert capsysbinary.readouterr().out.startswith(begins)

    assert export(record, kind, "--out", str(tmp_path / "run"), "--json") == 0
    assert json.loads(capsysbinary.readouterr().out) == {"files": [str(tmp_path / "run")]}
    assert (tmp_path / "run").read_bytes().startswith(begins)


def test_a_file_that_cannot_be_written_is_one_line_and_its_own_code(record: str, capsysbinary: Captured) -> None:
    assert export(record, "junit", "--out", "/dev/null/run.xml") == 74
    assert capsysbinary.readouterr().err.count(b"\n") == 1


def test_json_on_standard_output_is_either_the_export_or_the_list_of_files(record: str) -> None:
    assert export(record, "csv", "--json") == 64
