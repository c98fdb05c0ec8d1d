"""What the inference looked at, out of the parts a record keeps: one attachment for each step that read something.

A part is a measurements file (``umbilical-measurements/1``) with the readings of one step. Joined, they are
what the last step's inference saw: all readings, and ambient, supply and board as last known.
"""

import json
from collections.abc import Mapping
from typing import Any

from bench import attachments

PART_PREFIX = attachments.PARTS
_LISTS = ("probe", "pulse", "drive")


def part_name(no: int) -> str:
    """The attachment of the ``no``-th part, counted from 0; names sort in the order of writing."""
    return f"{PART_PREFIX}{no:03}.json"


def joined(attachments: Mapping[str, bytes], profile: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """One measurements document; None when the record holds none.

    Args:
        attachments: all files of a record, by name.
        profile: the profile as the record keeps it; it then stands in the document, which needs no other file.
    """
    names = sorted(name for name in attachments if name.startswith(PART_PREFIX))
    parts = [json.loads(attachments[name]) for name in names]
    if not parts:
        return None
    plain = {key: item for key, item in parts[-1].items() if key not in _LISTS}
    rows = {key: [row for part in parts for row in part.get(key, ())] for key in _LISTS}
    own = {} if profile is None else {"profile": dict(profile)}
    return plain | own | {key: each for key, each in rows.items() if each}
