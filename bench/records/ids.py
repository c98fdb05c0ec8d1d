"""Record ids: sort by time, can be read over the shop floor and typed with cold hands.

``20260112-143015-7k2m``: date and time in UTC, then four characters of Crockford's base 32, which
has no i, l, o or u, so that a misread character can be put right instead of refused.
"""

import secrets
from collections.abc import Callable
from datetime import UTC, datetime

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_SUFFIX_LENGTH = 4
_MISREAD = str.maketrans("ilo", "110")


def new_record_id(started: datetime, draw: Callable[[int], int] = secrets.randbelow) -> str:
    """An id for a run that began at ``started`` (aware; any zone).

    Args:
        started: naive times are taken as local time.
        draw: gives a number below its argument; a seeded one makes ids repeatable.
    """
    number = draw(len(_ALPHABET) ** _SUFFIX_LENGTH)
    suffix = ""
    for _ in range(_SUFFIX_LENGTH):
        number, digit = divmod(number, len(_ALPHABET))
        suffix += _ALPHABET[digit]
    return f"{started.astimezone(UTC):%Y%m%d-%H%M%S}-{suffix}"


def spellings(reference: str) -> tuple[str, ...]:
    """What a typed reference may stand for, lower case: as it is, and with misread characters put right."""
    plain = reference.strip().lower()
    return tuple(dict.fromkeys((plain, plain.translate(_MISREAD))))
