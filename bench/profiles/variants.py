"""``extends``: a profile as a variant of another one."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.profiles.problems import Problem, referred, refusal
from bench.profiles.source import Document, read_document

LONGEST_CHAIN = 4


def with_bases(document: Document) -> Document:
    """``document`` laid over the profiles it extends, with every line still known.

    Groups of keys are merged key by key, to any depth; anything else replaces what the base has;
    ``null`` removes it.

    Raises:
        InputError: no such base, a loop, or a chain of more than four.
    """
    return _over_base(document, (document.path,))


def _over_base(document: Document, chain: tuple[Path, ...]) -> Document:
    base_name = document.data.get("extends") if isinstance(document.data, Mapping) else None
    if not isinstance(base_name, str):
        return document
    path = _base_path(document, base_name, chain)
    base = _over_base(read_document(path), (*chain, path))
    if not isinstance(base.data, Mapping):
        return document
    # what was replaced keeps no key in the data, so its old line is never asked for
    return Document(
        document.path, document.label, _merged(base.data, document.data), lambda: {**base.lines, **document.lines}
    )


def _base_path(document: Document, name: str, chain: tuple[Path, ...]) -> Path:
    path = referred(document, ("extends",), "harness", name)
    if path.resolve() in {each.resolve() for each in chain}:
        why = f"'{name}' extends this file in turn; a profile cannot extend itself"
    elif len(chain) > LONGEST_CHAIN:
        why = f"more than {LONGEST_CHAIN} profiles extend each other; write it out"
    else:
        return path
    raise refusal(document, [Problem(("extends",), why)])


def _merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    result = dict(base)
    for key, value in over.items():
        old = result.get(key)
        result[key] = _merged(old, value) if isinstance(old, Mapping) and isinstance(value, Mapping) else value
    return {key: value for key, value in result.items() if value is not None}
