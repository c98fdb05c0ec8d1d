"""What the simulator plays when a loose cable is plugged into its sockets. Units: m, ohm, s."""

from dataclasses import dataclass
from typing import Literal

CableFaultKind = Literal["open", "crossed", "bridged", "high-resistance", "leak"]


@dataclass(frozen=True, slots=True)
class CableFault:
    """A fault of a simulated cable.

    Attributes:
        pin: of the conductor, by the near end.
        other: second pin of a crossed or bridged pair, or of a leak.
        ohm: in series, or of the path between two conductors; the kind's usual size when None.
        at_s, until_s, chatter_hz: as of any injected fault.
    """

    kind: CableFaultKind
    pin: int
    other: int | None = None
    ohm: float | None = None
    at_s: float = 0.0
    until_s: float | None = None
    chatter_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Cable:
    """A simulated cable between the sockets of a simulated board.

    Attributes:
        length_m: as drawn; the built one differs by the scenario's spread.
        far_socket: the board has a second socket; without one the far end is free until a cap is put on.
    """

    length_m: float = 4.6
    faults: tuple[CableFault, ...] = ()
    far_socket: bool = True
