"""The firmware of the contract, played without I/O: commands and time in, registers out."""

from firmware_sim.firmware.board import Board
from firmware_sim.firmware.description import Description
from firmware_sim.firmware.memory import IllegalAddress

__all__ = ["Board", "Description", "IllegalAddress"]
