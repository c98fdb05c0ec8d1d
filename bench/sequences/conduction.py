"""What the board's events say of one circuit under watch: openings, shorts, how long, and under which mark. Pure.

An exercised (shorted) wire reports two things with the same event: a contact found by the probe
between pulses, and a short found by a pulse. The order tells them apart: a wire that did not conduct
is found first. A tripped output says by its reason that it met a short.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from bench.contract.table import EventKind

What = Literal["broke", "made", "shorted", "cleared", "lit"]  # lit: soft-started again


@dataclass(frozen=True, slots=True)
class Spell:
    """A time during which something was wrong; ``ended_s`` is None while it goes on. Board clock."""

    began_s: float
    mark: str
    ended_s: float | None = None

    @property
    def length_s(self) -> float | None:
        """How long it lasted, if it is over."""
        return None if self.ended_s is None else self.ended_s - self.began_s


class Marks:
    """Places that the operator names while moving the wire; what follows in time belongs to the last one."""

    def __init__(self) -> None:
        self._times_s: list[float] = []
        self._texts: list[str] = []

    def place(self, board_s: float, text: str) -> None:
        """From ``board_s`` on, events belong to ``text``; times never go back."""
        self._times_s.append(max([board_s, *self._times_s[-1:]]))
        self._texts.append(text)

    def at(self, board_s: float) -> str:
        """The mark that holds at ``board_s``; empty before the first."""
        index = bisect_right(self._times_s, board_s)
        return self._texts[index - 1] if index else ""

    def __iter__(self) -> Iterator[tuple[float, str]]:
        return iter(zip(self._times_s, self._texts, strict=True))


@dataclass
class Tally:
    """One circuit's openings and shorts so far.

    Attributes:
        conducts: whether current can flow; None while nobody knows.
        exercised: pulses look for a short.
    """

    conducts: bool | None = None
    exercised: bool = False
    openings: list[Spell] = field(default_factory=list)
    shorts: list[Spell] = field(default_factory=list)

    @property
    def shorted(self) -> bool:
        """Whether a short is there now."""
        return bool(self.shorts) and self.shorts[-1].ended_s is None

    def take(self, kind: EventKind, board_s: float, mark: str) -> What | None:
        """Take in a transition; what it means, or None when it says nothing new."""
        match kind:
            case EventKind.BROKE:
                return self._broke(board_s, mark)
            case EventKind.MADE if self.exercised and self.conducts is not False:
                return self.short(board_s, mark)
            case EventKind.MADE:
                return self._made(board_s, mark)
            case EventKind.SHORT_CLEARED:
                return self.clear(board_s)
            case _:
                return None

    def short(self, board_s: float, mark: str) -> What | None:
        """A short was found."""
        if self.shorted:
            return None
        self.shorts.append(Spell(board_s, mark))
        return "shorted"

    def clear(self, board_s: float) -> What | None:
        """A short has gone."""
        if not self.shorted:
            return None
        self.shorts[-1] = _ended(self.shorts[-1], board_s)
        return "cleared"

    def _broke(self, board_s: float, mark: str) -> What | None:
        if self.conducts is False and self.openings and self.openings[-1].ended_s is None:
            return None
        self.conducts = False
        self.openings.append(Spell(board_s, mark))
        return "broke"

    def _made(self, board_s: float, mark: str) -> What | None:  # noqa: ARG002 - a contact found belongs to its opening's mark
        was, self.conducts = self.conducts, True
        if self.openings and self.openings[-1].ended_s is None:
            self.openings[-1] = _ended(self.openings[-1], board_s)
        return None if was else "made"


def _ended(spell: Spell, board_s: float) -> Spell:
    return Spell(spell.began_s, spell.mark, board_s)
