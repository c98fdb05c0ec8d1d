"""Checking any file, whatever its kind."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from bench.errors import InputError
from bench.profiles.board_map import board_map_of
from bench.profiles.forms.connector import ConnectorForm
from bench.profiles.forms.lamps import LampsForm
from bench.profiles.forms.limits import LimitsForm
from bench.profiles.forms.scenario import AnswersForm
from bench.profiles.kinds import kind_of
from bench.profiles.library import find
from bench.profiles.loading import profile_of
from bench.profiles.measurements import measurements_of
from bench.profiles.problems import fill
from bench.profiles.scenarios import scenario_of
from bench.profiles.sequences import sequence_of
from bench.profiles.source import Document, read_document

_CHECKS: Mapping[str, Callable[[Document], Any]] = {
    "answers": lambda document: fill(AnswersForm, document),
    "board": board_map_of,
    "connector": lambda document: fill(ConnectorForm, document),
    "harness": profile_of,
    "lamps": lambda document: fill(LampsForm, document),
    "limits": lambda document: fill(LimitsForm, document),
    "measurements": measurements_of,
    "scenario": scenario_of,
    "sequence": sequence_of,
}


def check_file(name_or_path: str | Path) -> str:
    """Check one file, or one that comes with the program; the kind of file it is.

    Raises:
        InputError: all that is wrong with it.
    """
    document = read_document(_found(str(name_or_path)))
    kind = kind_of(document.data)
    _CHECKS[kind](document)
    return kind


def _found(text: str) -> Path:
    path = Path(text)
    if path.suffix or len(path.parts) > 1:
        return path
    for kind in ("harness", "scenario", "sequence", "connector", "limits"):
        try:
            return find(kind, text)
        except InputError:
            continue
    raise InputError(f"no file and no name '{text[:80]}'")
