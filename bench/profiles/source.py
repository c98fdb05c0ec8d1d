"""Files as plain data plus the line of everything in them.

YAML is composed to nodes, not loaded to objects: nodes carry their lines, and nothing in a
file can name a type. What a profile never needs is refused at the door: aliases (and with them
exponential bombs), tags, directives, duplicate keys, numbers that are not finite, deep nesting
and huge files. Mapping keys are always text, as in JSON, so one set of forms serves both.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, NoReturn

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode
from ruamel.yaml.reader import ReaderError

from bench.errors import InputError

Loc = tuple[str | int, ...]

YAML_LIMIT_BYTES = 128 * 1024
JSON_LIMIT_BYTES = 16 * 1024 * 1024
DEPTH_LIMIT = 16

_CORE = "tag:yaml.org,2002:"
_NUMBERS = {_CORE + "int", _CORE + "float"}
_TEXTS = {_CORE + "str", _CORE + "timestamp"}
_BOOLEANS = {"true": True, "false": False}


@dataclass(frozen=True, slots=True)
class Mark:
    """A line of a file; ``label`` is the file's name as people are shown it."""

    label: str
    line: int

    def __str__(self) -> str:
        return f"{self.label}:{self.line}"


@dataclass
class Document:
    """Plain data of one file.

    Attributes:
        data: mappings (text keys), lists, text, numbers, booleans, None.
        read_lines: gives the marks of all keys and items; called when an error must be placed.
    """

    path: Path
    label: str
    data: Any
    read_lines: Callable[[], Mapping[Loc, Mark]]

    @cached_property
    def lines(self) -> Mapping[Loc, Mark]:
        """Mark of every key and list item by its path; may be empty for JSON that is not also YAML."""
        return self.read_lines()

    def below(self, at: Loc) -> "Document":
        """The part at ``at`` as a document of its own."""
        if not at:
            return self
        data = self.data
        for part in at:
            data = data[part]

        def lines() -> Mapping[Loc, Mark]:
            return {loc[len(at) :]: mark for loc, mark in self.lines.items() if loc[: len(at)] == at}

        return Document(self.path, self.label, data, lines)

    def where(self, loc: Loc) -> str:
        """``file:line`` of the nearest thing at or above ``loc``; the key path where no line is known."""
        for length in range(len(loc), -1, -1):
            mark = self.lines.get(loc[:length])
            if mark is not None:
                return str(mark)
        path = ".".join(str(part) for part in loc)
        return f"{self.label}: {path}" if path else self.label


def shown(path: Path) -> str:
    """``path`` as people are shown it: relative when it is below the working directory."""
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except (ValueError, OSError, RuntimeError):
        return str(path)


def read_document(path: Path) -> Document:
    """Read a YAML file, or a JSON file when its name ends in ``.json``.

    Raises:
        InputError: it cannot be read, or holds what no profile needs; says where.
    """
    return _read_json(path) if path.suffix.lower() == ".json" else _read_yaml(path)


def _read_text(path: Path, label: str, limit_bytes: int) -> str:
    try:
        if not path.is_file():
            raise InputError(f"{label}: there is no such file" if not path.exists() else f"{label}: is not a file")
        with path.open("rb") as file:
            octets = file.read(limit_bytes + 1)
    except (OSError, ValueError) as error:
        raise InputError(f"{label}: cannot be read: {_reason(error)}") from error
    if len(octets) > limit_bytes:
        raise InputError(f"{label}: is larger than {limit_bytes // 1024} KiB, which no file of this kind needs")
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = octets[: error.start].count(b"\n") + 1
        raise InputError(f"{label}:{line}: is not UTF-8 text; save it as UTF-8") from error


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()


# --- YAML ---


def _read_yaml(path: Path) -> Document:
    label = shown(path)
    data, lines = parse_yaml(_read_text(path, label, YAML_LIMIT_BYTES), label)
    return Document(path, label, data, lambda: lines)


def parse_yaml(text: str, label: str) -> tuple[Any, dict[Loc, Mark]]:
    """Data and line marks of YAML 1.2 text.

    Raises:
        InputError: ``label:line: ...``.
    """
    directive = re.search(r"^%", text, re.MULTILINE)
    if directive:
        line = text.count("\n", 0, directive.start()) + 1
        raise InputError(f"{label}:{line}: YAML directives are not used here; remove the line")
    root = _compose(text, label)
    if root is None:
        return None, {(): Mark(label, 1)}
    builder = _Builder(label)
    return builder.value(root, (), 1), builder.lines


def _compose(text: str, label: str) -> Node | None:
    try:
        root: Node | None = YAML(typ="safe", pure=True).compose(text)
        return root
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        why = error.problem or error.context or "is not YAML"
        raise InputError(f"{label}:{mark.line + 1 if mark else 1}: not readable as YAML: {_one_line(why)}") from error
    except ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise InputError(f"{label}:{line}: has a character that is not allowed in YAML") from error
    except RecursionError as error:
        raise InputError(f"{label}:1: is nested too deeply; {DEPTH_LIMIT} levels are allowed") from error
    except Exception as error:  # the YAML library fails in many ways on garbage, and all of them mean this
        raise InputError(f"{label}:1: not readable as YAML: {_one_line(str(error))}") from error


def _one_line(text: str) -> str:
    return " ".join(text.split())[:200]


class _Builder:
    """Turns nodes into plain data once each, noting lines on the way."""

    def __init__(self, label: str) -> None:
        self.lines: dict[Loc, Mark] = {}
        self._label = label
        self._seen: set[int] = set()
        self._constructor = YAML(typ="safe", pure=True).constructor

    def value(self, node: Node, loc: Loc, line: int) -> Any:
        """Data of ``node``; ``line`` is where its key or item stands, counted from 1."""
        self.lines[loc] = Mark(self._label, line)
        if id(node) in self._seen:
            self._refuse(line, "YAML aliases are not used here; write the value out")
        self._seen.add(id(node))
        if len(loc) > DEPTH_LIMIT:
            self._refuse(line, f"is nested too deeply; {DEPTH_LIMIT} levels are allowed")
        if isinstance(node, MappingNode):
            return self._mapping(node, loc)
        if isinstance(node, SequenceNode):
            return [self.value(item, (*loc, i), self._item_line(item, node)) for i, item in enumerate(node.value)]
        return self._scalar(node, line)

    def _item_line(self, item: Node, sequence: Node) -> int:
        """An alias has the line of what it repeats: then its list's line says more."""
        return _line(sequence if id(item) in self._seen else item)

    def _mapping(self, node: MappingNode, loc: Loc) -> dict[str, Any]:
        if node.tag != _CORE + "map":
            self._tagged(node, _line(node))
        data: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = self._key(key_node)
            if key in data:
                self._refuse(_line(key_node), f"'{key}' is here twice; remove or rename one")
            data[key] = self.value(value_node, (*loc, key), _line(key_node))
        return data

    def _key(self, node: Node) -> str:
        if not isinstance(node, ScalarNode):
            self._refuse(_line(node), "a key must be a plain name or number")
        return str(node.value)

    def _scalar(self, node: Node, line: int) -> Any:
        text = str(node.value)
        if node.tag in _TEXTS:
            return text
        if node.tag == _CORE + "null":
            return None
        if node.tag == _CORE + "bool" and text.lower() in _BOOLEANS:
            return _BOOLEANS[text.lower()]
        if node.tag in _NUMBERS:
            return self._number(node, text, line)
        return self._tagged(node, line)

    def _number(self, node: Node, text: str, line: int) -> int | float:
        try:
            number = self._constructor.construct_object(node)
            finite = math.isfinite(number)
        except (ValueError, TypeError, IndexError, OverflowError):
            return self._refuse(line, f"{text[:40]!r} is not a number")
        if not finite:
            return self._refuse(line, f"{text[:40]!r} is not a finite number")
        return int(number) if isinstance(number, int) else float(number)

    def _tagged(self, node: Node, line: int) -> NoReturn:
        self._refuse(line, f"the YAML tag {str(node.tag)[:40]} is not used here; remove it")

    def _refuse(self, line: int, why: str) -> NoReturn:
        raise InputError(f"{self._label}:{line}: {why}")


def _line(node: Node) -> int:
    return int(node.start_mark.line) + 1


# --- JSON ---


def _read_json(path: Path) -> Document:
    label = shown(path)
    text = _read_text(path, label, JSON_LIMIT_BYTES)
    return Document(path, label, parse_json(text, label), lambda: _json_lines(text, label))


class _NotAllowedError(ValueError):
    """Valid for the JSON library, not for us."""


def parse_json(text: str, label: str) -> Any:
    """Data of JSON text. Numbers that are not finite are left to the forms, which know their place.

    Raises:
        InputError: not JSON, a duplicate key, an absurdly long number, too deep.
    """
    try:
        data = json.loads(text, object_pairs_hook=_unique, parse_int=_whole)
    except json.JSONDecodeError as error:
        raise InputError(f"{label}:{error.lineno}: not readable as JSON: {_one_line(error.msg).lower()}") from error
    except _NotAllowedError as error:
        _json_lines_or_error(text, label)
        raise InputError(f"{label}: {error}") from error
    except RecursionError as error:
        raise InputError(f"{label}: is nested too deeply; {DEPTH_LIMIT} levels are allowed") from error
    if _depth(data, DEPTH_LIMIT + 1) > DEPTH_LIMIT:
        raise InputError(f"{label}: is nested too deeply; {DEPTH_LIMIT} levels are allowed")
    return data


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise _NotAllowedError(f"'{twice}' is here twice; remove or rename one")
    return data


def _whole(text: str) -> int:
    if len(text) > 40:  # Python refuses very long ones, in words of its own
        raise _NotAllowedError(f"{text[:40]}... is too long a number")
    return int(text)


def _depth(data: Any, limit: int) -> int:
    if limit == 0 or not isinstance(data, dict | list):
        return 0
    children = data.values() if isinstance(data, dict) else data
    return 1 + max((_depth(child, limit - 1) for child in children), default=0)


def _json_lines_or_error(text: str, label: str) -> Mapping[Loc, Mark]:
    """JSON is YAML but for rarities, so the YAML side can say on which line something is."""
    return parse_yaml(text, label)[1] if len(text) <= YAML_LIMIT_BYTES else {}


def _json_lines(text: str, label: str) -> Mapping[Loc, Mark]:
    try:
        return _json_lines_or_error(text, label)
    except InputError:
        return {}
