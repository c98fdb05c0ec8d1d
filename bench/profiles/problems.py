"""What is wrong with a file, said so that a person can put it right.

A problem is a place in the data and a sentence. Problems come from pydantic, whose messages
are put into the words of this project here, and from the cross checks.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from bench.errors import InputError
from bench.profiles.forms.common import NAME_PATTERN, PIN_PATTERN
from bench.profiles.kinds import may_be, name_of, other_kind
from bench.profiles.library import find, near
from bench.profiles.source import Document, Loc

SHOWN_AT_MOST = 20

FormT = TypeVar("FormT", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right at ``loc`` of a document."""

    loc: Loc
    text: str


def refuse(document: Document, problems: Sequence[Problem]) -> None:
    """Raise the refusal of a document that has problems."""
    if problems:
        raise refusal(document, problems)


def refusal(document: Document, problems: Sequence[Problem]) -> InputError:
    """The error that tells every problem on a line of its own, in the order of the file."""
    lines = dict.fromkeys(f"{document.where(problem.loc)}: {problem.text}" for problem in _in_order(document, problems))
    said = list(lines)[:SHOWN_AT_MOST]
    if len(lines) > SHOWN_AT_MOST:
        said.append(f"{document.label}: and {len(lines) - SHOWN_AT_MOST} more")
    return InputError("\n".join(said))


def _in_order(document: Document, problems: Sequence[Problem]) -> list[Problem]:
    def place(problem: Problem) -> tuple[bool, int]:
        for length in range(len(problem.loc), -1, -1):
            mark = document.lines.get(problem.loc[:length])
            if mark is not None:
                return mark.label != document.label, mark.line
        return False, 0

    return sorted(problems, key=place)


def fill(form: type[FormT], document: Document) -> FormT:
    """Check a document's data against a form.

    Raises:
        InputError: all that is wrong, each as ``file:line: what, and what would be right``.
    """
    try:
        return form.model_validate(document.data)
    except ValidationError as error:
        errors = error.errors(include_url=False)
        lacks = any(each["type"] == "missing" for each in errors) or not may_be(document.data, form)
        if lacks and (other := other_kind(document.data, form)):
            raise InputError(f"{document.label}: this is a {other} file, not a {name_of(form)} file") from None
        raise refusal(document, in_our_words(errors, document.data, form)) from None


def referred(document: Document, loc: Loc, kind: str, name: str) -> Path:
    """The file that a document names at ``loc``.

    Raises:
        InputError: there is none; with the line that names it.
    """
    try:
        return find(kind, name, document.path.parent)
    except InputError as error:
        raise refusal(document, [Problem(loc, str(error))]) from None


def in_our_words(errors: Iterable[ErrorDetails], data: Any, form: type[BaseModel]) -> list[Problem]:
    """Problems of pydantic's errors."""
    known = _KnownKeys(form)
    problems = []
    for error in errors:
        loc = _real_path(error["loc"], data)
        problems.append(Problem(loc, _sentence(error, loc, known)))
    return problems


def _real_path(loc: Loc, data: Any) -> Loc:
    """``loc`` without the names of union members and validators that pydantic puts between."""
    path: list[str | int] = []
    for i, part in enumerate(loc):
        inside = _inside(data, part)
        if inside is not None:
            path.append(part)
            data = inside[0]
        elif i == len(loc) - 1 and isinstance(data, Mapping) and isinstance(part, str):
            path.append(part)  # a missing key
    return tuple(path)


def _inside(data: Any, part: str | int) -> tuple[Any] | None:
    if isinstance(data, Mapping) and part in data:
        return (data[part],)
    if isinstance(data, list) and isinstance(part, int) and part < len(data):
        return (data[part],)
    return None


def _sentence(error: ErrorDetails, loc: Loc, known: "_KnownKeys") -> str:
    kind, context, key = error["type"], error.get("ctx", {}), _key(loc)
    named = f"'{key}'" if loc else "the file"
    given = _short(error["input"])
    if error["loc"][-1:] == ("[key]",):
        return f"{given} cannot stand here: {_PATTERNS.get(context.get('pattern', ''), _plain(error['msg']))}"
    if kind == "missing":
        return f"'{key}' is missing{_of(loc)}"
    if kind == "extra_forbidden":
        return f"unknown key '{key[:60]}'{_of(loc)}{near(key, known.beside(loc))}"
    if kind == "value_error":
        return str(context["error"])
    if kind == "literal_error":
        choices = [choice.strip("'") for choice in context["expected"].replace(" or ", ", ").split(", ")]
        return f"{named} cannot be {given}{near(str(error['input']), choices) or _choice(choices)}"
    if kind == "union_tag_invalid":
        choices = [choice.strip("'") for choice in context["expected_tags"].split(", ")]
        chosen = context["discriminator"]
        return f"{chosen} cannot be {_short(context['tag'])}{near(context['tag'], choices) or _choice(choices)}"
    if kind == "union_tag_not_found" and context["discriminator"].startswith("'"):
        return f"{context['discriminator']} is missing{_of((*loc, ''))}"
    if kind == "string_pattern_mismatch":
        return (
            f"{named} cannot be {given}: {_PATTERNS.get(context['pattern'], 'it has a character that is not allowed')}"
        )
    if kind == "too_short":
        return f"{named} must not be empty"
    if kind in _BOUNDS:
        words, bound = _BOUNDS[kind]
        return f"{named} must be {words} {context[bound]:g}, not {given}"
    return f"{named} {_TYPES.get(kind) or _plain(error['msg'])}, not {given}"


def _key(loc: Loc) -> str:
    """The last key; with the one above it where it is only a number."""
    return ".".join(str(part) for part in (loc[-2:] if loc and str(loc[-1]).isdigit() else loc[-1:]))


def _of(loc: Loc) -> str:
    above = ".".join(str(part) for part in loc[:-1])
    return f" in '{above}'" if above else ""


def _choice(choices: Sequence[str]) -> str:
    return f"; choose from {', '.join(choices)}"


def _short(value: Any) -> str:
    if isinstance(value, Mapping):
        return "a group of keys"
    if isinstance(value, list):
        return "a list"
    if value is None:
        return "nothing"
    text = " ".join(repr(value).split())
    return text if len(text) <= 60 else f"{text[:57]}..."


def _plain(message: str) -> str:
    return message[:1].lower() + message[1:].removeprefix("nput ")


_BOUNDS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}
_TYPES = {
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "string_type": "must be text (put it in quotes if it looks like a number)",
    "bool_type": "must be true or false",
    "finite_number": "must be a finite number",
    "dict_type": "must be a group of keys",
    "model_type": "must be a group of keys",
    "model_attributes_type": "must be a group of keys",
    "list_type": "must be a list",
    "string_too_short": "must not be empty",
    "string_too_long": "is too long",
    "union_tag_not_found": "must be a name or a group of keys",
}
_PATTERNS = {
    NAME_PATTERN: "names are letters, digits, dots and hyphens, without spaces",
    PIN_PATTERN: "pins are numbers from 1 to 999",
}


class _KnownKeys:
    """Which keys a form allows where, from its JSON Schema, so that near ones can be suggested."""

    def __init__(self, form: type[BaseModel]) -> None:
        self._form = form
        self._schema: dict[str, Any] | None = None

    def beside(self, loc: Loc) -> list[str]:
        """Keys allowed where the last part of ``loc`` stands."""
        if self._schema is None:
            self._schema = self._form.model_json_schema()
        here = self._members(self._schema)
        for part in loc[:-1]:
            here = [member for schema in here for step in _steps(schema, part) for member in self._members(step)]
        return sorted({key for schema in here for key in schema.get("properties", {})})

    def _members(self, schema: Mapping[str, Any]) -> list[Mapping[str, Any]]:
        """The schema itself, or what it refers to or chooses from."""
        if "$ref" in schema:
            return self._members((self._schema or {})["$defs"][schema["$ref"].rsplit("/", 1)[1]])
        inner = [*schema.get("anyOf", ()), *schema.get("oneOf", ())]
        return [member for each in inner for member in self._members(each)] or [schema]


def _steps(schema: Mapping[str, Any], part: str | int) -> list[Mapping[str, Any]]:
    """Schemas of what stands under ``part``."""
    if part in schema.get("properties", {}):
        return [schema["properties"][part]]
    inner = [schema.get("additionalProperties"), *schema.get("patternProperties", {}).values()]
    if isinstance(part, int):
        inner = [schema.get("items")]
    return [each for each in inner if isinstance(each, Mapping)]
