"""``umbilical board``: conformance, calibration and monitor as a builder uses them."""

import csv
import io
import json
from pathlib import Path

import pytest

from bench import cli
from bench.keeping import open_records

Captured = pytest.CaptureFixture[str]


def test_conformance_says_what_was_kept_and_leaves_with_zero(capsys: Captured) -> None:
    code = cli.run(["board", "conformance", "--board", "sim:", "--level", "load", "--json"])

    document = json.loads(capsys.readouterr().out)
    assert (code, document["verdict"], document["level"]) == (0, "pass", "load")
    assert {check["outcome"] for check in document["checks"]} == {"pass"}
    assert all(check["clause"] and check["expected"] and check["seen"] for check in document["checks"])


def test_conformance_with_the_wrong_resistor_fails_and_says_what_was_seen(capsys: Captured) -> None:
    code = cli.run(["board", "conformance", "--board", "sim:", "--level", "load", "--only", "drive", "--ohm", "20"])

    printed = capsys.readouterr()
    assert code == 1
    assert "NOT KEPT" in printed.out
    assert "0 kept, 1 not kept" in printed.out
    assert "Caution" in printed.err


def test_conformance_that_needs_a_hand_and_has_none_is_not_told(capsys: Captured) -> None:
    code = cli.run(["board", "conformance", "--board", "sim:", "--level", "hand", "--only", "emergency-stop"])

    assert code == 2
    assert "nobody presses the emergency stop" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [(["--level", "deep"], "there is no level 'deep'"), (["--only", "speed"], "there is no check 'speed'")],
)
def test_conformance_refuses_what_it_does_not_know(arguments: list[str], said: str, capsys: Captured) -> None:
    code = cli.run(["board", "conformance", "--board", "sim:", *arguments])

    assert code == 64
    assert said in capsys.readouterr().err


def test_a_calibration_is_in_the_records_and_on_the_screen(tmp_path: Path, capsys: Captured) -> None:
    record = tmp_path / "records.sqlite"
    code = cli.run(["board", "calibrate", "--board", "sim:", "--channels", "1", "--record", str(record)])

    printed = capsys.readouterr()
    assert code == 0
    assert "current gain, channel 1" in printed.out
    assert "Caution" in printed.err
    with open_records(record) as records:
        (summary,) = records.runs(5)
        run = records.load(summary.id)
    assert run.command == "calibrate"
    assert [step.step for step in run.steps] == ["at-rest", "meter", "resistor", "stored"]


def test_a_calibration_names_channels_that_are_none(capsys: Captured) -> None:
    code = cli.run(["board", "calibrate", "--board", "sim:", "--channels", "one"])

    assert code == 64
    assert "no list of channels" in capsys.readouterr().err


def test_the_monitor_writes_csv_into_a_pipe(capsys: Captured) -> None:
    code = cli.run(["board", "monitor", "--board", "sim:healthy-air", "--every", "0.02", "--seconds", "0.1"])

    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert code == 0
    assert len(rows) >= 3
    assert 12 < float(rows[0]["supply_v"]) < 13
    assert rows[0]["state_1"] == "held-off"
    assert float(rows[-1]["uptime_s"]) > float(rows[0]["uptime_s"])
    assert {"air_1", "air_2", "air_3"} <= set(rows[0])
