"""However a run is ended, in a process of its own: outputs are off, the record is closed, the code says so."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bench import cli
from tests.bench.cli.served import ServedBoard

MAIN = "import bench.cli; bench.cli.main()"


def wait_until(true: Callable[[], object], within_s: float) -> bool:
    """Whether ``true()`` becomes so in time."""
    end_s = time.monotonic() + within_s
    while not (so := bool(true())) and time.monotonic() < end_s:
        time.sleep(0.02)
    return so


@pytest.mark.parametrize(
    ("number", "code", "state"),
    [(signal.SIGINT, 130, "stopped"), (signal.SIGTERM, 130, "stopped"), (signal.SIGKILL, -9, "interrupted")],
)
def test_a_run_that_is_ended_under_load_leaves_nothing_on(
    number: signal.Signals, code: int, state: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record, answers = str(tmp_path / "records.sqlite"), tmp_path / "answers.yaml"
    answers.write_text("clear-to-power: yes\n")
    with ServedBoard() as board:
        walk = ["walk", "tandem-53ft", "--board", board.tcp, "--record", record, "--answers", str(answers)]
        with subprocess.Popen([sys.executable, "-c", MAIN, *walk], stderr=subprocess.PIPE, text=True) as process:
            assert wait_until(lambda: board.on, within_s=20), process.stderr
            process.send_signal(number)
            assert process.wait(10) == code
            said = process.stderr.read() if process.stderr else ""
        assert wait_until(lambda: not board.on, within_s=2)

    assert cli.run(["records", "show", "last", "--record", record, "--json"]) == 0
    run = json.loads(capsys.readouterr().out)
    assert run["state"] == state
    assert [step["reason"] for step in run["steps"]] == ["cut short: stopped by the operator"] * (state == "stopped")
    assert state == "interrupted" or said.splitlines()[-1] == "umbilical: stopped by the operator; outputs are off"


def test_a_simulator_is_stopped_as_everything_else_is() -> None:
    play = [sys.executable, "-c", MAIN, "sim", "healthy-tandem", "--tcp", "0"]
    with subprocess.Popen(play, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout
        assert process.stdout.readline().startswith("tcp://127.0.0.1:")
        process.send_signal(signal.SIGTERM)

        assert process.wait(10) == 130


def test_a_reader_that_has_seen_enough_is_no_error() -> None:
    command = f"{sys.executable} -c '{MAIN}' profile show tandem-53ft --json | head -n 1; echo ${{PIPESTATUS[0]}}"
    run = subprocess.run(["bash", "-c", command], capture_output=True, text=True)

    assert run.stderr == ""
    assert run.stdout.split() == ["{", "0"]
