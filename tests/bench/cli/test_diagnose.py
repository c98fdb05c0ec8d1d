"""The inference on stored readings: what a person sees, what a program gets, what is refused."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from bench import cli

Captured = pytest.CaptureFixture[str]
PROFILE, SCENARIO, ONLY = "machine-door", "sim:lab-door-switch", "self-check,look,circuits"


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> str:
    return str(tmp_path_factory.mktemp("records") / "records.sqlite")


@pytest.fixture(scope="module")
def inspection(records: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What `inspect --json` said of a harness with a worn switch contact."""
    out = tmp_path_factory.mktemp("inspection") / "stdout"
    recorded = ["--record", records]
    with pytest.MonkeyPatch.context() as patched, out.open("w") as stdout:
        patched.setattr("sys.stdout", stdout)
        assert cli.run(["inspect", PROFILE, "--board", SCENARIO, "--only", ONLY, *recorded, "--json", "--why"]) == 1
    return dict(json.loads(out.read_text()))


@pytest.fixture(scope="module")
def exported(inspection: dict[str, Any], records: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("exported") / "readings.json"
    export = ["records", "export", inspection["record"], "--record", records, "--format", "json", "--out", str(file)]
    assert cli.run(export) == 0
    return file


def rewritten(exported: Path, tmp_path: Path, **changes: Any) -> str:
    document = json.loads(exported.read_text()) | changes
    file = tmp_path / "changed.json"
    file.write_text(json.dumps({key: each for key, each in document.items() if each is not None}))
    return str(file)


def diagnosed(file: str, capsys: Captured, *more: str) -> tuple[int, dict[str, Any]]:
    code = cli.run(["diagnose", file, "--json", *more])
    return code, json.loads(capsys.readouterr().out)


def test_exported_readings_give_the_inspections_findings_word_for_word(
    exported: Path, inspection: dict[str, Any], capsys: Captured
) -> None:
    code, document = diagnosed(str(exported), capsys)

    assert code == 1
    assert document["verdict"] == "fail"
    assert inspection["findings"]
    assert document["findings"] == inspection["findings"]
    assert document["hypotheses"] == inspection["hypotheses"]


def test_the_board_found_its_own_gain_and_the_file_has_it(exported: Path) -> None:
    board = json.loads(exported.read_text())["board"]

    assert board["current_gain"] != 1.0
    assert board["current_gain_error"] < 0.02


def test_a_person_reads_what_where_how_bad_by_which_reading_what_next_and_on_request_why(
    exported: Path, capsys: Captured
) -> None:
    assert cli.run(["diagnose", str(exported), "--why"]) == 1
    shown = capsys.readouterr().out

    for word in ("what ", "where ", "how bad ", "read ", "next ", "verdict  FAIL", "switch.a1", "expected"):
        assert word in shown
    for word in ("Why: explanations", "a sound harness", "by this,"):
        assert word in shown


def thinned(exported: Path, *keys: str) -> dict[str, Any]:
    """The readings as a board without some of its inputs would have made them."""
    document = json.loads(exported.read_text())
    return {
        how: [{key: each for key, each in row.items() if key not in keys} for row in document[how]]
        for how in ("probe", "drive")
    }


@pytest.mark.parametrize(
    "lost",
    [("return_a", "chassis_sense_v", "supply_v"), ()],
    ids=["no returns and no sense lead", "nothing known of the board"],
)
def test_partial_readings_are_judged_with_what_they_have(
    lost: tuple[str, ...], exported: Path, tmp_path: Path, capsys: Captured
) -> None:
    without = {} if lost else {"board": None, "ambient_c": None, "supply_v": None}
    code, document = diagnosed(rewritten(exported, tmp_path, **thinned(exported, *lost), **without), capsys)

    (found,) = document["findings"]
    assert code == 1
    assert found["circuits"] == ["row-a"]
    assert "wrong-load" in {found["kind"], *(each["kind"] for each in found["alternatives"])}


def test_readings_that_can_hardly_show_it_are_no_reason_to_claim_it(
    exported: Path, inspection: dict[str, Any], tmp_path: Path, capsys: Captured
) -> None:
    _, document = diagnosed(rewritten(exported, tmp_path, drive=None), capsys)

    sure = [each["confidence"] for each in document["findings"]]
    assert all(each <= inspection["findings"][0]["confidence"] for each in sure)


def test_circuits_that_no_reading_fed_are_unknown_not_sound(exported: Path, tmp_path: Path, capsys: Captured) -> None:
    document = json.loads(exported.read_text())
    alone = [row for row in document["drive"] if isinstance(row["driven"], str)]
    sound = [row for row in alone if row["driven"] != "1"][-1:]

    code, told = diagnosed(rewritten(exported, tmp_path, probe=None, pulse=None, drive=sound), capsys)

    assert code == 2
    assert told["verdict"] == "not-tested"
    assert len(told["untested"]) > 3
    assert told["findings"] == []


def test_a_file_without_readings_is_not_tested(exported: Path, tmp_path: Path, capsys: Captured) -> None:
    code, told = diagnosed(rewritten(exported, tmp_path, probe=None, pulse=None, drive=None), capsys)

    assert (code, told["verdict"], told["readings"]) == (2, "not-tested", 0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", r":1: "),
        ('{\n "format": "umbilical-measurements/9",\n "profile": "machine-door"\n}', r":2: "),
        ('{\n "format": "umbilical-measurements/1",\n "profile": "no-such-trailer"\n}', r":3: "),
        ('{\n "format": "umbilical-measurements/1",\n "profile": "machine-door",\n "drvie": []\n}', r":4: .*drvie"),
    ],
)
def test_a_bad_file_is_one_line_with_its_place(text: str, said: str, tmp_path: Path, capsys: Captured) -> None:
    file = tmp_path / "bad.json"
    file.write_text(text)

    assert cli.run(["diagnose", str(file)]) == 64
    (line,) = capsys.readouterr().err.splitlines()
    assert re.search(r"bad\.json" + said, line)


def test_no_such_file_is_one_line(tmp_path: Path, capsys: Captured) -> None:
    assert cli.run(["diagnose", str(tmp_path / "none.json")]) == 64
    assert capsys.readouterr().err.count("\n") == 1


def test_a_baseline_that_failed_is_refused_with_one_line(
    exported: Path, inspection: dict[str, Any], records: str, capsys: Captured
) -> None:
    arguments = ["--baseline", inspection["record"], "--record", records]

    assert cli.run(["diagnose", str(exported), *arguments]) == 64
    assert cli.run(["inspect", PROFILE, "--board", SCENARIO, *arguments]) == 64
    first, second = capsys.readouterr().err.splitlines()
    assert "is no baseline: its verdict is fail" in first
    assert first == second


def test_a_baseline_that_passed_is_named_in_the_answer(exported: Path, tmp_path: Path, capsys: Captured) -> None:
    records = str(tmp_path / "sound.sqlite")
    assert cli.run(["inspect", PROFILE, "--board", "sim:lab-door", "--only", ONLY, "--record", records, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)["record"]

    code, document = diagnosed(str(exported), capsys, "--baseline", "last", "--record", records)

    assert code == 1
    assert document["baseline"] == record
    assert document["notes"][0].startswith(f"narrowed by record {record} of the same type")


def test_the_plan_needs_no_board_and_gives_a_reason_for_every_reading(capsys: Captured) -> None:
    assert cli.run(["inspect", "tandem-53ft-filament", "--plan"]) == 0
    shown = capsys.readouterr().out
    assert "Cold pulse" in shown
    assert "pin 4 stop" in shown
    assert "is not driven" in shown

    assert cli.run(["inspect", "tandem-53ft-filament", "--plan", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert all(each["why"] and each["driven"] for each in document["readings"])


def test_without_a_board_an_inspection_says_what_is_missing(capsys: Captured, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("UMBILICAL_BOARD", raising=False)

    assert cli.run(["inspect", "tandem-53ft-filament"]) == 64
    assert "--board" in capsys.readouterr().err
