"""Parameters and answers: engineering values in decimal, exactly."""

import re
from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_EVEN, Decimal

from bench.contract.fields import Field, RawValue
from bench.contract.table import MAX_CHANNELS, Argument, Return
from firmware_sim.servers.line.errors import LineError

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?")
_LIST = re.compile(r"\(@\s*(.*?)\s*\)")
_RANGE = re.compile(r"(\d{1,3})(?:\s*:\s*(\d{1,3}))?")
_RETURNS = {"NONE": 0, "PIN": 1, "CHAS": 2, "CHASSIS": 2, "BOTH": 3}
_RETURN_WORDS = {Return.NONE: "NONE", Return.PIN: "PIN", Return.CHASSIS: "CHAS", Return.BOTH: "BOTH"}


def _decimal(scale: float) -> Decimal:
    return Decimal(repr(scale)).normalize()


def number_text(raw: int, scale: float) -> str:
    """``raw`` in engineering units, with as many places as the scale has."""
    return format(Decimal(raw) * _decimal(scale), "f")


def field_texts(fields: Iterable[Field], values: Sequence[RawValue]) -> list[str]:
    """Values in engineering units, texts in double quotes."""
    return [
        f'"{value}"' if isinstance(value, str) else number_text(value, field.scale)
        for field, value in zip(fields, values, strict=True)
    ]


def return_word(returns: int) -> str:
    """Short form of a return setting."""
    return _RETURN_WORDS[Return(returns)]


def parse_number(text: str, scale: float, low: int, high: int) -> int:
    """An engineering value as the nearest raw one.

    Raises:
        LineError: not a number, or out of range.
    """
    if not _NUMBER.fullmatch(text):
        raise LineError(-104)
    raw = int((Decimal(text) / _decimal(scale)).to_integral_value(ROUND_HALF_EVEN))
    if not low <= raw <= high:
        raise LineError(-222)
    return raw


def parse_switch(text: str) -> int:
    """``ON``, ``OFF``, 1 or 0.

    Raises:
        LineError: anything else.
    """
    words = {"ON": 1, "OFF": 0}
    return words[text.upper()] if text.upper() in words else parse_number(text, 1, 0, 1)


def parse_channels(text: str) -> list[int]:
    """Channel numbers of a list such as ``(@1,3:5)`` or ``ALL``, in the order written.

    Raises:
        LineError: not a list, or numbers out of 1..16.
    """
    if text.upper() == "ALL":
        return list(range(1, MAX_CHANNELS + 1))
    match = _LIST.fullmatch(text)
    if match is None:
        raise LineError(-104)
    numbers: list[int] = []
    for piece in match[1].split(",") if match[1] else []:
        span = _RANGE.fullmatch(piece.strip())
        if span is None:
            raise LineError(-104)
        first, last = int(span[1]), int(span[2] or span[1])
        if not 1 <= first <= last <= MAX_CHANNELS:
            raise LineError(-222)
        numbers += range(first, last + 1)
    return numbers


def parse_channel(text: str) -> int:
    """The one channel of a list.

    Raises:
        LineError: not a list of one.
    """
    numbers = parse_channels(text)
    if len(numbers) != 1:
        raise LineError(-108 if numbers else -109)
    return numbers[0]


def parse_argument(argument: Argument, text: str) -> int:
    """Raw value of a command's argument.

    Raises:
        LineError: wrong type or out of range.
    """
    if argument.kind == "channel":
        return parse_channel(text)
    if argument.kind == "channels":
        return sum({1 << number - 1 for number in parse_channels(text)})
    if argument.kind == "returns":
        if text.upper() not in _RETURNS:
            raise LineError(-104)
        return _RETURNS[text.upper()]
    if (argument.low, argument.high) == (0, 1):
        return parse_switch(text)
    return parse_number(text, argument.scale, argument.low, argument.high)


def parse_fields(fields: Sequence[Field], texts: Sequence[str]) -> list[RawValue]:
    """Raw values of a settings block.

    Raises:
        LineError: too many, too few, wrong type or out of range.
    """
    check_count(texts, len(fields))
    values: list[RawValue] = []
    for field, text in zip(fields, texts, strict=True):
        raw = parse_text(text) if field.kind == "text16" else parse_number(text, field.scale, -(1 << 63), 1 << 63)
        try:
            field.check(raw)
        except ValueError:
            raise LineError(-222) from None
        values.append(raw)
    return values


def parse_text(text: str) -> str:
    """What stands in double quotes.

    Raises:
        LineError: no quotes.
    """
    if len(text) < 2 or not text.startswith('"') or not text.endswith('"'):
        raise LineError(-104)
    return text[1:-1].replace('""', '"')


def check_count(parameters: Sequence[str], least: int, most: int | None = None) -> None:
    """Check how many parameters there are.

    Raises:
        LineError: missing parameter, or parameter not allowed.
    """
    if len(parameters) < least:
        raise LineError(-109)
    if len(parameters) > (least if most is None else most):
        raise LineError(-108)
