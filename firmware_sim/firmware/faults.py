"""Why the board is off: causes present now, faults latched, faults the host has read.

Causes are judged on true values every tick; a converter's error would only shift the thresholds
by less than their own tolerance.
"""

from bench.contract.table import BOARD_HOT_DEGC, Fault, Refusal
from firmware_sim.firmware.settings import BoardSettings
from firmware_sim.port import Conditions, Truth

RETURN_OVERLOAD_A = 25.0

_EMERGENCY_STOP = Fault.EMERGENCY_STOP.value
_HOST_SILENT = Fault.HOST_SILENT.value
_SUPPLY_LOW = Fault.SUPPLY_LOW.value
_SUPPLY_HIGH = Fault.SUPPLY_HIGH.value
_BOARD_HOT = Fault.BOARD_HOT.value
_OVER_PRESSURE = Fault.OVER_PRESSURE.value
_RETURN_OVERLOAD = Fault.RETURN_OVERLOAD.value


def causes_of(
    truth: Truth, conditions: Conditions, settings: BoardSettings, host_silent: bool, pressure_pa: float
) -> int:
    """Fault bits whose causes are present in this tick."""
    causes = _EMERGENCY_STOP if conditions.emergency_stop else 0
    if host_silent:
        causes |= _HOST_SILENT
    if conditions.board_c > BOARD_HOT_DEGC:
        causes |= _BOARD_HOT
    if abs(truth.return_pin_a) > RETURN_OVERLOAD_A or abs(truth.return_chassis_a) > RETURN_OVERLOAD_A:
        causes |= _RETURN_OVERLOAD
    window = settings.window
    if window is None:
        return causes
    if truth.supply_v < window.low_v:
        causes |= _SUPPLY_LOW
    elif truth.supply_v > window.high_v:
        causes |= _SUPPLY_HIGH
    if pressure_pa > settings.ceiling_pa > 0:
        causes |= _OVER_PRESSURE
    return causes


def bits(mask: int) -> list[int]:
    """The single bits of ``mask``, lowest first."""
    return [1 << n for n in range(mask.bit_length()) if mask >> n & 1]


class Faults:
    """The fault latch; plain integers because it is looked at every tick."""

    def __init__(self) -> None:
        self.latched = 0
        self.causes = 0  # present now
        self._read = 0  # latched ones that a snapshot has shown

    def see(self, causes: int) -> int:
        """Note the causes of this tick; return the bits that were not latched before."""
        self.causes = causes
        return self.latch(causes)

    def latch(self, faults: int) -> int:
        """Latch ``faults``; return the bits that are new."""
        new = faults & ~self.latched
        self.latched |= new
        return new

    def over(self, cause: int) -> None:
        """A cause is gone before the next tick looks."""
        self.causes &= ~cause

    def shown(self) -> None:
        """A snapshot has been read: the host knows these faults."""
        self._read = self.latched

    def clear(self, faults: int) -> Refusal:
        """Clear the faults named; all or none."""
        if faults & ~self._read:
            return Refusal.FAULT_UNREAD
        if faults & self.causes:
            return Refusal.CAUSE_PRESENT
        self.latched &= ~faults
        self._read &= ~faults
        return Refusal.NONE
