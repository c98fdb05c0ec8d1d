"""What no linter checks: where things live, who may import what, and what must not be left behind."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "bench", "firmware_sim", "profiles", "tests", "tools"}
MADE = {"build", "dist", "umbilical.egg-info", "__pycache__"}
CODE = [path for room in ("bench", "firmware_sim", "tools", "tests") for path in sorted((ROOT / room).rglob("*.py"))]
PURE = [path for room in ("electrical", "air") for path in sorted((ROOT / "bench" / room).rglob("*.py"))]
PROGRAM = [path for path in CODE if path.relative_to(ROOT).parts[0] in ("bench", "firmware_sim")]

LONGEST_LINES = 500


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def imports(path: Path) -> Iterator[str]:
    """Absolute names of everything a file imports, wherever in the file."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def importers(*modules: str) -> set[str]:
    def is_one(imported: str) -> bool:
        return any(imported == module or imported.startswith(f"{module}.") for module in modules)

    return {name(path) for path in PROGRAM if any(is_one(imported) for imported in imports(path))}


def test_the_top_level_holds_the_rooms_and_nothing_else() -> None:
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - MADE

    assert found == TOP


def test_only_the_composition_root_imports_the_simulator() -> None:
    outside = {file for file in importers("firmware_sim") if not file.startswith("firmware_sim/")}

    assert outside <= {"bench/app/simulated.py"}


def test_nothing_but_the_command_imports_the_command() -> None:
    assert {file for file in importers("bench.cli") if not file.startswith("bench/cli/")} == set()


def test_pydantic_stays_at_the_edges() -> None:
    edges = ("bench/profiles/", "bench/page/", "bench/mqtt/")

    assert {file for file in importers("pydantic") if not file.startswith(edges)} == set()


@pytest.mark.parametrize("path", PURE, ids=name)
def test_the_inference_knows_no_clock_no_loop_and_no_file(path: Path) -> None:
    worlds = {"asyncio", "time", "datetime", "os", "pathlib", "socket", "subprocess", "threading", "random"}

    assert worlds & {imported.split(".")[0] for imported in imports(path)} == set()


def test_time_below_the_command_is_the_loops_time() -> None:
    """A clock that does not follow virtual time makes a simulated run neither fast nor repeatable."""
    clocks = re.compile(r"\btime\.(monotonic|time|perf_counter|sleep)\(")
    rooms = ("bench/cli/", "bench/records/", "firmware_sim/servers/", "tools/", "tests/")

    assert [name(path) for path in CODE if not name(path).startswith(rooms) and clocks.search(path.read_text())] == []


@pytest.mark.parametrize("path", CODE, ids=name)
def test_a_file_is_finished_and_names_no_machine(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    here = Path(__file__).name
    unfinished = re.findall(r"\braise NotImplemented", text)  # the linter finds what comments put off
    machine = re.findall(r"(?<![\w.])/(?:work|root)/\w", text)

    assert path.name == here or (unfinished, machine) == ([], [])


@pytest.mark.parametrize("path", PROGRAM, ids=name)
def test_a_file_is_one_room(path: Path) -> None:
    assert path.read_text(encoding="utf-8").count("\n") <= LONGEST_LINES


def test_the_version_is_said_once_and_matches_the_package() -> None:
    import tomllib

    import bench

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

    assert bench.__version__ == project["version"]


def test_tests_stand_where_what_they_test_stands() -> None:
    tests = [path for path in (ROOT / "tests").rglob("test_*.py") if path.parent != ROOT / "tests"]
    rooms = {path.parent.relative_to(ROOT / "tests") for path in tests}

    assert {str(room) for room in rooms if not (ROOT / room).is_dir()} == set()
