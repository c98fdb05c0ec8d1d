"""The command ``run``: screens, JSON, exit codes, resuming, refusals."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from bench import keeping
from bench.cli import run

ROOT = Path(__file__).resolve().parents[3]
SIM = "sim:lab-door"


def test_a_dry_run_needs_no_board_and_prints_what_would_be_switched(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["run", "lock-motor", "--dry-run"]) == 0

    said = capsys.readouterr().out
    assert "record lock, 0.2 s from its switch-on" in said
    assert "8 times" in said
    assert "nothing was switched" in said


def test_a_dry_run_is_one_json_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["run", "door-endurance", "--set", "cycles=50", "--dry-run", "--json"]) == 0

    plan = json.loads(capsys.readouterr().out)
    assert {each["circuit"]: each["use"]["driven"] for each in plan["switched"]}["latch"] == 50


def test_a_run_is_recorded_and_its_document_is_that_of_an_inspection(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = str(tmp_path / "records.sqlite")

    assert run(["run", "lock-motor", "--board", SIM, "--record", records, "--json", "--unit-number", "D-7"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["command"], document["verdict"], document["unit_number"]) == ("run", "pass", "D-7")

    assert run(["records", "show", "last", "--record", records, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["steps"] == document["steps"]


def test_an_endurance_loop_is_made_longer_by_resuming_its_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = ["--record", str(tmp_path / "records.sqlite")]
    how = ["run", "door-endurance", "--board", SIM, *records]

    assert run([*how, "--set", "cycles=20"]) == 0
    capsys.readouterr()
    assert run([*how, "--set", "cycles=35", "--resume", "last", "--json"]) == 0
    steps = json.loads(capsys.readouterr().out)["steps"]
    assert [step["title"] for step in steps] == ["Before the first cycle", "Cycles 21 to 35", "35 cycles"]

    assert run([*how, "--set", "on_s=0.05", "--resume", "last"]) == 64
    assert "made with other parameters" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["run", "lock-moter", "--dry-run"], "no sequence 'lock-moter': did you mean 'lock-motor'?"),
        (["run", "lock-motor"], "add --board URL"),
        (["run", "lock-motor", "--dry-run", "--set", "passes"], "write NAME=NUMBER"),
        (["run", "lock-motor", "--dry-run", "--set", "passes=nan"], "write NAME=NUMBER"),
        (["run", "lock-motor", "--dry-run", "--set", "passes=0"], "must be at least 1"),
    ],
)
def test_what_is_wrong_is_one_line_and_code_64(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("UMBILICAL_BOARD", raising=False)

    assert run(arguments) == 64
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1


def test_a_record_without_an_endurance_loop_can_t_be_resumed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    how = ["run", "lock-motor", "--board", SIM, "--record", str(tmp_path / "records.sqlite")]

    assert run(how) == 0
    assert run([*how, "--resume", "last"]) == 64
    assert "nothing to resume" in capsys.readouterr().err


def test_a_killed_endurance_run_goes_on_after_its_last_block(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Killed without any warning: what it had written by then is all that there is."""
    file = tmp_path / "records.sqlite"
    records = ["--record", str(file)]
    how = ["run", "door-endurance", "--board", SIM, *records]
    code = "import sys; from bench.cli import run; sys.exit(run(sys.argv[1:]))"
    command = [sys.executable, "-c", code, *how, "--set", "cycles=5000"]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    assert process.stderr
    while "Cycles 101 to 200" not in process.stderr.readline():
        assert process.poll() is None
    process.kill()
    process.communicate()

    state = keeping.endurance_of("last", file)[1]
    assert state["done"] >= 100
    assert run([*how, "--set", f"cycles={state['done'] + 5}", "--resume", "last", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["steps"][1]["title"] == f"Cycles {state['done'] + 1} to {state['done'] + 5}"

    with keeping.open_records(file) as store:
        assert [each.state for each in store.runs()] == ["complete", "interrupted"]
