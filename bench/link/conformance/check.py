"""What a check is, and what becomes of it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from bench.contract.readings import Identity
from bench.contract.table import Capability

if TYPE_CHECKING:
    from bench.link.conformance.rig import Rig

Level = Literal["basic", "load", "hand"]
LEVELS: tuple[Level, ...] = ("basic", "load", "hand")
Outcome = Literal["pass", "fail", "not-tested", "not-claimed"]
"""*not-claimed*: the board doesn't say that it can, or the link can't say it; nothing is missing then."""
NOTHING = Capability(0)


@dataclass(frozen=True, slots=True)
class DummyLoad:
    """What is plugged in for the level *load*.

    Attributes:
        resistor: channel of the resistor, counted from 1.
        ohm: its resistance with whatever leads to it.
        ohm_error: relative, one standard uncertainty.
        lamp: channel of a lamp with a filament.
    """

    resistor: int = 1
    ohm: float = 10.0
    ohm_error: float = 0.005
    lamp: int = 2


@dataclass(frozen=True, slots=True)
class Check:
    """One promise of the contract.

    Attributes:
        name: as ``--only`` takes it.
        clause: section of BOARD.md.
        expected: what a board that keeps it does.
        perform: returns what was seen, or raises ``Unmet`` or ``Untestable``.
        needs: what a board must have for the promise to concern it.
        wires: links over which it can be put to the test; empty for all.
    """

    name: str
    clause: str
    level: Level
    expected: str
    perform: Callable[[Rig], Awaitable[str]]
    needs: Capability = NOTHING
    wires: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What became of a check; where it was not made, ``seen`` says why."""

    name: str
    clause: str
    level: Level
    outcome: Outcome
    expected: str
    seen: str


@dataclass(frozen=True, slots=True)
class Conformance:
    """A board and all that was checked of it."""

    board: Identity
    results: tuple[CheckResult, ...]

    def count(self, outcome: Outcome) -> int:
        """How many checks ended so."""
        return sum(result.outcome == outcome for result in self.results)


class Unmet(Exception):  # noqa: N818 - the board's shortfall, not the program's error
    """The board does something else; ``str()`` says what."""


class Untestable(Exception):  # noqa: N818 - as above
    """It can't be told on this board or over this link; ``str()`` says why."""


def require(true: bool, seen: str) -> None:
    """Raise ``Unmet`` with what was seen unless ``true``."""
    if not true:
        raise Unmet(seen)
