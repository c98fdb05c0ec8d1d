"""What the firmware needs of its converters and of whoever reports events."""

from collections.abc import Callable
from typing import Protocol

from bench.contract.table import EventKind


class Sensing(Protocol):
    """Turns true values into raw converter readings, errors and noise included.

    ``samples`` is how many 1 kS/s readings the value is the mean of; it makes the noise smaller.
    Channels count from 1.
    """

    def voltage_mv(self, true_v: float, channel: int, samples: int = 1) -> int:
        """Pin voltage."""

    def current_ma(self, true_a: float, channel: int, samples: int = 1) -> int:
        """Pin current."""

    def supply_mv(self, true_v: float, samples: int = 1) -> int:
        """Supply voltage, never negative."""

    def supply_ma(self, true_a: float, samples: int = 1) -> int:
        """Supply current."""

    def reference_ma(self, true_a: float, samples: int = 1) -> int:
        """Current through the reference resistor."""

    def return_pin_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the ground pin."""

    def return_chassis_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the chassis clamp."""

    def chassis_sense_mv(self, true_v: float, samples: int = 1) -> int:
        """Kelvin sense clamp."""

    def ground_pin_mv(self, true_v: float, samples: int = 1) -> int:
        """Connector ground pin."""

    def far_mv(self, true_v: float, place: int, samples: int = 1) -> int:
        """Pin of the second socket: those of the channels, then ground."""

    def ambient_decidegc(self, true_c: float) -> int:
        """Air at the board, in 0.1 degC."""

    def board_decidegc(self, true_c: float) -> int:
        """Hottest switch, in 0.1 degC."""

    def hold(self, stuck: frozenset[str]) -> None:
        """Let the named inputs repeat their last reading (``current:3``, ``voltage:1``); free all others."""


Log = Callable[[EventKind, int, int], None]
"""Enters an event (kind, index, value) into the FIFO, stamped with the present tick."""
