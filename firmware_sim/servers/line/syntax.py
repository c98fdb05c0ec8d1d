"""Program messages cut into units, and headers matched in their short or long form."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Generic, TypeVar

T = TypeVar("T")

_UNIT = re.compile(r"(?P<header>\*[A-Za-z]+\??|:?[A-Za-z]+(?::[A-Za-z]+)*\??)(?:[ \t]+(?P<data>.*))?", re.DOTALL)
_NODE = re.compile(r"(\[?):?([A-Za-z]+)(\]?)")
_QUOTED_OR_LIST = r'"[^"]*"|\([^)]*\)'
_PIECE = {mark: re.compile(rf'(?:{_QUOTED_OR_LIST}|[^{mark}"(])*') for mark in ";,"}


@dataclass(frozen=True, slots=True)
class Unit:
    """One message unit: the full header in capitals, from the root, and its parameters."""

    header: str
    parameters: tuple[str, ...]


NOT_A_UNIT = Unit("", ())


def units(message: str) -> Iterator[Unit]:
    """Cut a program message; what is no unit comes as NOT_A_UNIT, and the next ones go on.

    A header without a leading colon goes on where the one before it stood (SCPI-99 volume 1, 6.2.4).
    """
    path = ""
    for text in split(message, ";"):
        match = _UNIT.fullmatch(text.strip())
        if match is None:
            if text.strip():
                yield NOT_A_UNIT
            continue
        header = match["header"].upper()
        if not header.startswith("*"):
            header = header[1:] if header.startswith(":") else path + header
            path = header[: header.rfind(":") + 1]
        yield Unit(header, _parameters(match["data"]))


def _parameters(data: str | None) -> tuple[str, ...]:
    if data is None or not data.strip():
        return ()
    return tuple(piece.strip() for piece in split(data, ","))


def split(text: str, mark: str) -> list[str]:
    """Split at ``mark``, but not inside quotes and channel lists."""
    pieces, place = [], 0
    while True:
        match = _PIECE[mark].match(text, place)
        end = match.end() if match else place
        while end < len(text) and text[end] != mark:  # a quote or bracket that is never closed
            end += 1
        pieces.append(text[place:end])
        if end >= len(text):
            return pieces
        place = end + 1


def spellings(pattern: str) -> Iterator[str]:
    """Every spelling of a header pattern such as ``MEASure[:SCALar]:VOLTage[:DC]?``, in capitals."""
    query = "?" if pattern.endswith("?") else ""
    choices = []
    for optional, node, _ in _NODE.findall(pattern):
        forms = {re.sub("[a-z]", "", node), node.upper()}
        choices.append(sorted(forms | ({""} if optional else set())))
    for nodes in product(*choices):
        yield ":".join(node for node in nodes if node) + query


class Vocabulary(Generic[T]):
    """Headers and what they mean."""

    def __init__(self, meanings: Mapping[str, T]) -> None:
        self._meanings: dict[str, T] = {}
        for pattern, meaning in meanings.items():
            for spelling in [pattern] if pattern.startswith("*") else spellings(pattern):
                if spelling in self._meanings:
                    raise ValueError(f"{spelling} has two meanings")
                self._meanings[spelling] = meaning

    def get(self, header: str, otherwise: T) -> T:
        """Meaning of a full header in capitals."""
        return self._meanings.get(header, otherwise)
