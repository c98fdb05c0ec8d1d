"""The README's commands, as written, one after the other in a folder that holds the files they speak of.

Only what is nowhere on a reader's desk has a stand-in: a simulated board for one at a port, a file for a PostgreSQL,
another record for the one whose id is shown, a free port for one that may be taken. What would go on for ever is
stopped once it runs, as its reader would stop it.
"""

import csv
import math
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from bench import cli
from bench.profiles import data_root
from tests.test_docs import README, ROOT, quoted_commands

FINISHED = {0, 1, 2}  # passed, failed, unsure or not tested
STOPPED = 130
MAIN = "import bench.cli; bench.cli.main()"
HARDWARE = ("serial:", "tcp:", "modbus-rtu:", "modbus-tcp:")
STAND_INS = {
    "postgresql://bench@server/records": "server.sqlite",
    "20260112-143015-7k2m": "last",
    "5025": "0",
    "5020": "0",
}
ENDLESS = ({"sim"}, {"walk", "--rounds"}, {"power", "tail"}, {"run", "door-endurance"})
# Run by the tests of what they need: a broker, paired devices, a meter's readings, others' boards, a keyboard, a loop
# that was interrupted after hours, parts measured by several people.
ELSEWHERE = (
    {"serve"}, {"remote"}, {"--mqtt"}, {"calibrate"}, {"monitor"}, {"map"}, {"abs", "--tap"}, {"wiggle", "--mark"},
    {"--resume"}, {"gauge"},
)  # fmt: skip
JOINED, MAPPED = "tcp://192.0.2.7:5025,tcp://192.0.2.8:5025", "map="


DOOR = """\
title: Half a door
kind: harness
connector: lab-4
limits: machine-12v
circuits:
  lock: {pin: 2, title: lock motor, lit: false}
  light: {pin: 3, title: door light}
cables:
  hinge: {from: pin, to: door, length_m: 1.4, mm2: {"1": 2.5, "2": 1.5, "3": 0.75}}
loads:
  lock-motor: {resistor: {ohm: 3.9}, from: door.2, to: door.1, tolerance: 0.15}
  door-light: {lamp: led-marker, from: door.3, to: door.1}
"""


def is_one_of(words: Sequence[str], sets: Sequence[set[str]]) -> bool:
    return any(each <= set(words) for each in sets)


def is_here(words: Sequence[str]) -> bool:
    """Whether a command needs nothing but the program."""
    return (
        bool(words) and not is_one_of(words, ELSEWHERE) and not any(JOINED in word or MAPPED in word for word in words)
    )


def in_place(word: str) -> str:
    """A word of a command, or what stands in for it here."""
    return "sim:" if word.startswith(HARDWARE) else STAND_INS.get(word, word)


COMMANDS = list({" ".join(words): words for words in quoted_commands(README) if is_here(words)}.values())


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Where the reader works: own files, a record of a trailer with faults, and one of a campaign."""
    folder = tmp_path_factory.mktemp("desk")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("UMBILICAL_RECORDS", str(folder / "records.sqlite"))
        patch.setenv("UMBILICAL_BOARD", "sim:")
        write_files(folder)
        faulty = ["inspect", "tandem-53ft-filament", "--board", "sim:two-faults", "--unit-number", "TR-117"]
        assert cli.run(faulty) == 1
        assert cli.run(["inspect", "door.yaml", "--board", "sim:door-faults.yaml", "--record", "campaign.sqlite"]) == 0
        yield folder


def write_files(folder: Path) -> None:
    """The reader's own files."""
    (folder / "door.yaml").write_text(DOOR)
    (folder / "door-faults.yaml").write_text("title: Faults\nprofile: door.yaml\noperator: {clear-to-power: yes}\n")
    shutil.copy(data_root() / "answers/demo.yaml", folder / "answers.yaml")
    (folder / "seen.yaml").write_text("inspector: A. Fitter\ntires: pass\n")
    (folder / "ring.jpg").write_bytes(b"\xff\xd8\xff\xe0 a photo")
    wheel_ends = ("front-left", "front-right", "rear-left", "rear-right")
    write_rows(folder / "strokes.csv", ("wheel_end", "stroke_in"), [(each, 1.6) for each in wheel_ends])
    write_rows(folder / "supply.csv", ("time_s", "supply_psi"), [(t, 100.0) for t in range(120)])
    write_rows(folder / "brakes.csv", ("time_s", "chamber_psi", "command"), list(braking(repeats=3)))


def braking(repeats: int) -> Iterator[tuple[float, float, int]]:
    """Applications and releases of 90 psi with a lag of 0.2 s, 2.5 s each, a hundred samples a second."""
    for number in range(repeats * 500):
        time_s = number / 100
        gone = math.exp(-(time_s % 2.5) / 0.2)
        applied = time_s % 5 < 2.5
        yield time_s, 90.0 * (1 - gone if applied else gone), int(applied)


def write_rows(file: Path, head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    with file.open("w", newline="") as opened:
        csv.writer(opened).writerows([head, *rows])


@pytest.mark.parametrize("words", [each for each in COMMANDS if not is_one_of(each, ENDLESS)], ids=" ".join)
def test_a_command_of_the_readme_runs_to_its_end(
    words: list[str], desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = cli.run([in_place(word) for word in words])

    printed = capsys.readouterr()
    assert code in FINISHED, f"in {desk}: {printed.err}"
    assert printed.out + printed.err


@pytest.mark.parametrize("words", [each for each in COMMANDS if is_one_of(each, ENDLESS)], ids=" ".join)
def test_a_command_of_the_readme_goes_on_until_it_is_stopped(words: list[str], desk: Path) -> None:
    command = [sys.executable, "-c", MAIN, *map(in_place, words)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    null, pipe, same = subprocess.DEVNULL, subprocess.PIPE, subprocess.STDOUT
    with subprocess.Popen(
        command, cwd=desk, env=environment, stdin=null, stdout=pipe, stderr=same, text=True
    ) as process:
        assert process.stdout
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=20)

    assert process.returncode == STOPPED, first + rest
