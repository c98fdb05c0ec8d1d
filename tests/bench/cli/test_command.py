"""The command as a whole: exit codes, one-line errors, help."""

import subprocess
import sys

import pytest

from bench import __version__, cli
from bench.contract.table import Fault
from bench.errors import BoardFault, NoBoard, RecordError

Captured = pytest.CaptureFixture[str]


def umbilical(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own."""
    code = "import bench.cli; bench.cli.main()"
    return subprocess.run([sys.executable, "-W", "error", "-c", code, *arguments], capture_output=True, text=True)


def test_help_needs_no_heavy_library() -> None:
    heavy = {"numpy", "sqlalchemy", "pydantic", "pymodbus", "jinja2", "scipy", "firmware_sim", "rich.console"}
    code = f"import sys, bench.cli; bench.cli.run(['--help']); print(sorted({heavy!r} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert run.stdout.splitlines()[-1] == "[]"
    assert "inspect" in run.stdout


def test_the_version_is_printed_and_nothing_else() -> None:
    run = umbilical("--version")

    assert (run.returncode, run.stdout, run.stderr) == (0, f"umbilical {__version__}\n", "")


def test_no_command_at_all_shows_the_help_and_is_a_usage_error() -> None:
    run = umbilical()

    assert run.returncode == 64
    assert "Commands:" in run.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nonsense"], "nonsense"),
        (["inspect"], "PROFILE"),
        (["inspect", "tandem-53ft", "--bord", "sim:"], "--bord"),
        (["sim", "demo", "--tcp", "many"], "--tcp"),
        (["sim", "demo", "--tcp", "70000"], "--tcp"),
        (["records", "list", "--limit", "0"], "--limit"),
        (["records", "forget"], "forget"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_64(arguments: list[str], said: str, capsys: Captured) -> None:
    code = cli.run(arguments)

    printed = capsys.readouterr()
    assert (code, printed.out) == (64, "")
    assert printed.err.startswith("umbilical: ")
    assert said in printed.err
    assert printed.err.count("\n") == 1


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (NoBoard("tcp://nowhere:1: nobody answers"), 69),
        (RecordError("disk full"), 74),
        (BoardFault(Fault.EMERGENCY_STOP), 2),
        (KeyboardInterrupt(), 130),
        (ZeroDivisionError("oh"), 70),
    ],
)
def test_every_error_becomes_one_line_and_its_code(
    error: BaseException, code: int, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("bench.cli.commands.program", lambda: fail)

    assert cli.run(["anything"]) == code
    assert capsys.readouterr().err.count("\n") == 1


def test_the_whole_story_of_an_internal_error_is_told_on_request(
    capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("bench.cli.commands.program", lambda: fail)
    monkeypatch.setenv("UMBILICAL_DEBUG", "1")
    cli.run(["anything"])

    assert "Traceback" in capsys.readouterr().err
