"""What kind of file data comes from, told by its keys: nobody should have to write it down."""

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

_TELLING = (
    ("format", "measurements"),
    ("pins", "connector"),
    ("circuits", "harness"),
    ("extends", "harness"),
    ("steps", "sequence"),
    ("relays", "board"),
    ("profile", "scenario"),
    ("cable", "scenario"),
    ("lamps", "lamps"),
    ("limits", "limits"),
)


def kind_of(data: Any) -> str:
    """What kind of file data comes from, by its keys; answers are what has none of the others'."""
    keys = data if isinstance(data, Mapping) else {}
    return next((kind for key, kind in _TELLING if key in keys), "answers")


def other_kind(data: Any, form: type[BaseModel]) -> str | None:
    """The kind that data is, by a key that ``form`` does not have; None when no key tells."""
    keys = data if isinstance(data, Mapping) else {}
    return next((kind for key, kind in _TELLING if key in keys and key not in form.model_fields), None)


def may_be(data: Any, form: type[BaseModel]) -> bool:
    """Whether data has a key that tells of the kind of file that ``form`` is for."""
    keys = data if isinstance(data, Mapping) else {}
    return any(key in keys and kind == name_of(form) for key, kind in _TELLING)


def name_of(form: type[BaseModel]) -> str:
    """The kind of file that a form is for: forms are named after them."""
    return form.__name__.removesuffix("Form").lower()
