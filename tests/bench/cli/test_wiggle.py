"""The commands ``wiggle`` and ``power`` as people give them."""

import asyncio
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from rich.console import Console

from bench import cli
from bench.cli.progress import ProgressView
from bench.events import Changed
from bench.virtual_time import run_virtual

MAIN = "import bench.cli; bench.cli.main()"


def test_a_watch_is_one_json_document_with_its_finding(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--board", "sim:intermittent", "--record", str(tmp_path / "records.sqlite")]
    code = cli.run(["wiggle", "tandem-53ft-filament", *where, "--circuit", "stop", "--seconds", "3", "--json"])

    said = capsys.readouterr()
    run = json.loads(said.out)
    assert code == 1
    assert [finding["kind"] for finding in run["findings"]] == ["intermittent"]
    assert "BROKE" in said.err
    assert "made contact again" in said.err
    assert "CAUTION" in said.err


def test_marks_come_through_a_pipe_and_enter_alone_ends_the_watch(tmp_path: Path) -> None:
    command = [
        "wiggle",
        "tandem-53ft-filament",
        "--board",
        "sim:healthy-bulbs",
        "--circuit",
        "stop",
        "--mark",
        "--json",
    ]
    run = subprocess.run(
        [sys.executable, "-c", MAIN, *command, "--record", str(tmp_path / "r.sqlite")],
        input="rear plug\n\n",
        capture_output=True,
        text=True,
    )

    assert run.returncode == 2, run.stderr  # over before anything had been watched
    assert json.loads(run.stdout)["verdict"] == "not-tested"


@pytest.mark.parametrize("per_minute", ["59", "121", "nan"])
def test_a_flash_rate_out_of_range_is_a_usage_error_with_its_source(
    per_minute: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["--board", "sim:", "--record", str(tmp_path / "records.sqlite")]
    code = cli.run(["power", "tandem-53ft", *where, "--circuit", "left-turn", "--flash", per_minute])

    assert code == 64
    assert "49 CFR 571.108" in capsys.readouterr().err


def test_power_is_recorded_with_the_currents(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--board", "sim:", "--record", str(tmp_path / "records.sqlite")]
    code = cli.run(["power", "tandem-53ft", *where, "--circuit", "stop", "--seconds", "2", "--json"])

    assert code == 0
    assert json.loads(capsys.readouterr().out)["steps"][0]["values"][0]["name"] == "stop current"


@pytest.mark.parametrize(("what", "bells"), [("made", 1), ("cleared", 1), ("broke", 2), ("shorted", 3)])
def test_what_changed_can_be_told_by_ear_and_by_words(what: str, bells: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    out = io.StringIO()
    view = ProgressView(Console(file=out, force_terminal=True, width=100))

    async def main() -> None:
        view(Changed("wiggle", 1.234, "stop", what, 2, "third crossmember"))  # type: ignore[arg-type]
        await asyncio.sleep(1.0)

    run_virtual(main())

    assert out.getvalue().count("\a") == bells
    assert "third crossmember" in out.getvalue()
