"""Scenarios that a test makes up: one that is there, with some keys of its own."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.errors import InputError
from bench.profiles.library import find
from bench.profiles.source import read_document


def written(folder: Path, base: str, changes: Mapping[str, Any]) -> Path:
    """A scenario file in ``folder``: that of ``base`` with ``changes`` in the place of its keys.

    Raises:
        InputError: there is no such scenario.
    """
    document = read_document(find("scenario", base))
    if not isinstance(document.data, dict):
        raise InputError(f"{document.label}: is no scenario")
    file = folder / f"scenario-{len(list(folder.glob('scenario-*.json')))}.json"
    file.write_text(json.dumps({**document.data, **changes}), encoding="utf-8")
    return file
