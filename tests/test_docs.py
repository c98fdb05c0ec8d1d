"""The documents say what is there, and what is there is in the documents."""

import re
import shlex
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from bench.cli.commands import application

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROGRAM: Any = get_command(application())


def blocks(text: str, info: str) -> list[str]:
    """Fenced code blocks whose opening line says ``info``."""
    found = re.findall(rf"^ *```{info}\n(.*?)^ *```", text, re.MULTILINE | re.DOTALL)
    return [textwrap.dedent(block) for block in found]


def quoted_commands(text: str) -> Iterator[list[str]]:
    """Every ``umbilical ...`` line of the shell blocks and inline code, as words."""
    lines = [line for block in blocks(text, "sh") for line in block.replace("\\\n", " ").splitlines()]
    lines += re.findall(r"`(umbilical [^`]+)`", text)
    for line in lines:
        words = shlex.split(line, comments=True)
        if words[:1] == ["umbilical"]:
            yield words[1:]


def commands(group: Any = PROGRAM, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every command that can be given, with its words."""
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, (*path, name))
        else:
            yield (*path, name), command


COMMANDS = dict(commands())


def command_of(words: list[str]) -> tuple[str, ...]:
    return next((path for path in COMMANDS if tuple(words[: len(path)]) == path), ())


@pytest.mark.parametrize("words", list(quoted_commands(README + DEVELOPERS)), ids=" ".join)
def test_every_command_and_option_in_the_documents_exists(words: list[str]) -> None:
    path = command_of(words)
    command = COMMANDS[path] if path else PROGRAM
    known = {spelling for parameter in command.params for spelling in parameter.opts} | {"--help", "-h"}
    used = {word.split("=")[0] for word in words if re.fullmatch(r"--?[a-z][\w-]*(=.*)?", word)}

    assert path or words[0].startswith("-"), "no such command"
    assert used <= known


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_command_is_in_the_readme(path: tuple[str, ...]) -> None:
    shown = {command_of(words) for words in quoted_commands(README)}

    assert path in shown


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_command_and_option_explains_itself(path: tuple[str, ...]) -> None:
    command = COMMANDS[path]

    assert command.help
    assert [parameter.name for parameter in command.params if not getattr(parameter, "help", None)] == []


@pytest.mark.parametrize("command", ["tools/try", "tools/test"])
def test_the_readme_opens_with_the_two_commands(command: str) -> None:
    opening = README.split("\n## ")[0]

    assert command in "".join(blocks(opening, "sh"))
    assert (ROOT / command).stat().st_mode & 0o111


@pytest.mark.parametrize("code", blocks(README, "python run"), ids=["example"] * len(blocks(README, "python run")))
def test_python_examples_of_the_readme_run(code: str, tmp_path: Path) -> None:
    script = tmp_path / "example.py"
    script.write_text(code, encoding="utf-8")
    command = [sys.executable, "-W", "error", str(script)]
    run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env={"PYTHONPATH": str(ROOT)})

    assert (run.returncode, run.stderr) == (0, "")
    assert run.stdout


def test_there_is_a_python_example() -> None:
    assert blocks(README, "python run")


def paths_named(text: str) -> set[str]:
    """Files of this project that a document speaks of."""
    rooms = "bench|firmware_sim|profiles|tests|tools"
    return set(re.findall(rf"(?<![\w/])(?:(?:{rooms})/[\w./-]*\w|[A-Z]+\.md)", text))


@pytest.mark.parametrize("path", sorted(paths_named(README + DEVELOPERS)))
def test_every_file_that_the_documents_name_is_there(path: str) -> None:
    assert (ROOT / path).exists()


def test_every_figure_comes_with_a_command_that_can_be_run() -> None:
    table = DEVELOPERS.split("## Figures", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in table.splitlines() if line.startswith("| ") and "`" in line]
    scripts = [re.sub(r"python -m tools\.(\w+)", r"tools/\1.py", row.rsplit("`", 2)[1]) for row in rows]

    assert rows
    assert [each for each in scripts if not (ROOT / each.removeprefix("pytest ").split()[0]).is_file()] == []
