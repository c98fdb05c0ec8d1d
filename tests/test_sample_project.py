"""The wheel, installed in a fresh environment, and a project that tests harnesses with it.

The environment is new and has this wheel in it, built from these files; what the wheel depends on it borrows from the
environment of these tests by a path, so that nothing is fetched.
"""

import json
import os
import re
import subprocess
import sys
import sysconfig
import venv
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROJECT = ROOT / "tests" / "sample_project"


@dataclass
class Environment:
    """A fresh environment with the wheel."""

    wheel: Path
    python: Path

    def run(self, *arguments: str, cwd: Path = PROJECT) -> subprocess.CompletedProcess[str]:
        clean = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "UMBILICAL"))}
        command = [str(self.python), *arguments]
        clean["PYTHONDONTWRITEBYTECODE"] = "1"
        return subprocess.run(command, capture_output=True, text=True, cwd=cwd, env=clean)


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    folder = tmp_path_factory.mktemp("fresh")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, check=True, capture_output=True, cwd=ROOT)
    (wheel,) = folder.glob("*.whl")
    place = folder / "environment"
    venv.create(place, with_pip=False, symlinks=True)
    python = place / "bin" / "python"
    install = [sys.executable, "-m", "pip", "--python", str(python), "install", "--no-index", "--no-deps", str(wheel)]
    subprocess.run(install, check=True, capture_output=True)
    (library,) = place.glob("lib/python*/site-packages")
    (library / "borrowed.pth").write_text(f"{sysconfig.get_path('purelib')}\n")
    return Environment(wheel, python)


@dataclass
class Outcome:
    """What the sample project's tests came to."""

    run: subprocess.CompletedProcess[str]
    cases: dict[str, str]
    properties: dict[str, dict[str, str]]
    captures: Path


def outcome_of(environment: Environment, folder: Path, *arguments: str) -> Outcome:
    junit, captures = folder / "junit.xml", folder / "captures"
    how = ["-m", "pytest", f"--junitxml={junit}", f"--umbilical-captures={captures}", "-o", "junit_family=xunit1"]
    run = environment.run(*how, *arguments)
    root = ElementTree.parse(junit).getroot()  # noqa: S314 - a file of our own
    cases = {case.get("name", ""): case for case in root.iter("testcase")}
    ends = {
        name: [each.tag for each in case if each.tag in ("failure", "error", "skipped")] for name, case in cases.items()
    }
    words = {name: end[0] if end else "passed" for name, end in ends.items()}
    properties = {
        name: {each.get("name", ""): each.get("value", "") for each in case.iter("property")}
        for name, case in cases.items()
    }
    return Outcome(run, words, properties, captures)


@pytest.fixture(scope="module")
def outcome(environment: Environment, tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return outcome_of(environment, tmp_path_factory.mktemp("outcome"))


def test_the_wheel_holds_the_data_the_simulator_and_the_mark_of_types(environment: Environment) -> None:
    names = set(ZipFile(environment.wheel).namelist())

    assert {"bench/py.typed", "firmware_sim/py.typed", "bench/_profiles/lab/machine-door.yaml"} <= names
    assert "bench/_profiles/sequences/door-endurance.yaml" in names
    assert not any(name.startswith(("tests/", "tools/")) for name in names)


def test_the_package_comes_from_the_wheel_and_not_from_this_folder(environment: Environment) -> None:
    said = environment.run("-c", "import bench; print(bench.__file__)").stdout

    assert said.startswith(str(environment.python.parent.parent))


def test_the_command_of_the_wheel_runs_a_shipped_sequence(environment: Environment, tmp_path: Path) -> None:
    code = "import sys; from bench.cli import run; sys.exit(run(sys.argv[1:]))"
    arguments = ["run", "lock-motor", "--board", "sim:lab-door", "--record", str(tmp_path / "r.sqlite"), "--json"]
    run = environment.run("-c", code, *arguments)

    assert run.returncode == 0
    assert json.loads(run.stdout)["verdict"] == "pass"


def test_each_test_of_the_project_ends_as_it_should(outcome: Outcome) -> None:
    assert outcome.cases == {
        "test_a_walk_of_a_minute_takes_no_minute": "passed",
        "test_a_cancelled_run_has_switched_everything_off": "passed",
        "test_the_latch_takes_what_its_drawing_says": "passed",
        "test_a_script_of_ones_own": "failure",
        "test_an_open_contact_is_found_where_it_is": "passed",
        "test_the_real_harness": "skipped",
        "test_the_board_of_the_option": "passed",
        "test_an_answer_of_the_mark_is_given": "passed",
    }, outcome.run.stdout + outcome.run.stderr
    assert outcome.run.returncode == 1


def test_measured_values_are_properties_with_their_limits(outcome: Outcome) -> None:
    properties = outcome.properties["test_the_latch_takes_what_its_drawing_says"]

    assert properties["umbilical board"] == "sim:lab-door"
    assert re.fullmatch(r"12\.\d+ V; low 11\.5; high 15\.5; pass", properties["supply: supply at rest"])


def test_a_failing_test_says_what_did_not_pass_and_keeps_its_recording(outcome: Outcome) -> None:
    said = outcome.run.stdout
    (traces,) = outcome.captures.glob("*/*/traces.csv")

    assert "umbilical: what was measured" in said
    assert re.search(r"latch current_a: 1\.\d+ A; low 9\.0; fail", said)
    assert traces.parent.parent.name == "check_plain.py-test_a_script_of_ones_own"
    assert len(traces.read_text().splitlines()) == 201
    assert outcome.properties["test_a_script_of_ones_own"]["umbilical captures"] == str(traces.parent.parent)


def test_another_board_is_chosen_on_the_command_line(environment: Environment, tmp_path: Path) -> None:
    other = outcome_of(
        environment, tmp_path, "--umbilical-board=sim:lab-door-switch", "check_plain.py", "-k", "drawing or option"
    )

    assert set(other.cases.values()) == {"passed"}
    assert other.properties["test_the_latch_takes_what_its_drawing_says"]["umbilical board"] == "sim:lab-door-switch"


def test_a_board_that_is_not_there_is_an_error_of_the_test_in_one_line(
    environment: Environment, tmp_path: Path
) -> None:
    lost = outcome_of(
        environment, tmp_path, "--umbilical-board=tcp://127.0.0.1:9", "check_plain.py", "-k", "real_harness"
    )

    assert set(lost.cases.values()) == {"error"}
    assert "NoBoard" in lost.run.stdout


def test_the_plugin_imports_nothing_heavy_before_a_fixture_is_used(environment: Environment) -> None:
    code = (
        "import sys, pytest; before = set(sys.modules); import bench.pytest_plugin; "
        "print(*sorted({name.split('.')[0] for name in set(sys.modules) - before}))"
    )

    assert environment.run("-c", code).stdout.split() == ["bench"]
