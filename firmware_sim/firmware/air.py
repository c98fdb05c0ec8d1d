"""The seam to an air plant, and the firmware's valves with their longest-on times.

A board without air has no inputs and no valves; its air values read 0. With all valves without power
nothing fills, and both lines exhaust: the fill valves are normally closed, the exhaust valves normally open.
"""

from typing import Protocol

from bench.contract.table import AIR_INPUTS, EventKind
from firmware_sim.firmware.channel import NEVER
from firmware_sim.firmware.sensing import Log


class AirPlant(Protocol):
    """Air lines behind the board's valves, with their sensors."""

    inputs: int  # analogue inputs in use, 0..6: the highest number
    valves: int  # valves in use, 0..4
    regulators: bool

    def warmed_k(self) -> float:
        """By how much the air around has warmed since the start."""

    def switch(self, energised: int) -> None:
        """Take new valve positions; bit n energises valve n."""

    def regulate(self, line: int, pressure_pa: int) -> None:
        """Set a line's electronic regulator (0 supply, 1 service)."""

    def advance(self, until_s: float) -> None:
        """Move to ``until_s``."""

    def readings(self) -> tuple[int, ...]:
        """Raw values of all six inputs, sensor errors included."""

    def samples(self, inputs: tuple[int, ...]) -> tuple[int, ...]:
        """Raw values of these inputs at this instant, without the mean of a reading."""

    def highest_pressure_pa(self) -> float:
        """Highest gauge pressure now; the board trips on it."""

    def below_until_s(self, pressure_pa: float) -> float:
        """The highest pressure does not pass this one before this time; now when it may any moment."""


class NoAir:
    """A board without air."""

    inputs = 0
    valves = 0
    regulators = False

    def warmed_k(self) -> float:
        """No weather."""
        return 0.0

    def switch(self, energised: int) -> None:
        """Nothing to switch."""

    def regulate(self, line: int, pressure_pa: int) -> None:
        """Nothing to set."""

    def advance(self, until_s: float) -> None:
        """Nothing moves."""

    def readings(self) -> tuple[int, ...]:
        """No inputs."""
        return (0,) * AIR_INPUTS

    def samples(self, inputs: tuple[int, ...]) -> tuple[int, ...]:
        """No inputs."""
        return (0,) * len(inputs)

    def highest_pressure_pa(self) -> float:
        """No pressure."""
        return 0.0

    def below_until_s(self, pressure_pa: float) -> float:  # noqa: ARG002
        """Always."""
        return float("inf")


class Valves:
    """Valve outputs and set-points; each valve loses its power again when its longest-on time is over."""

    def __init__(self, plant: AirPlant, log: Log) -> None:
        self.energised = 0
        self._regulated: set[int] = set()
        self._plant = plant
        self._log = log
        self._due: dict[int, int] = {}

    def reset(self) -> None:
        """What a start of the firmware does to outputs that a run before may have left."""
        self._plant.switch(0)
        for line in (0, 1) if self._plant.regulators else ():
            self._plant.regulate(line, 0)

    def set(self, valve: int, energise: bool, until_tick: int) -> None:
        """Energise a valve until a tick, or de-energise it."""
        if energise:
            self._due[valve] = until_tick
        else:
            self._due.pop(valve, None)
        bit = 1 << valve
        if bool(self.energised & bit) != energise:
            self.energised ^= bit
            self._plant.switch(self.energised)
            self._log(EventKind.VALVE, valve, int(energise))

    def regulate(self, line: int, pressure_pa: int) -> None:
        """Set a line's electronic regulator."""
        self._regulated.add(line)
        self._plant.regulate(line, pressure_pa)

    def all_off(self) -> None:
        """De-energise all, so that both lines exhaust; a set-point of before must not fill a line after."""
        for valve in list(self._due):
            self.set(valve, False, 0)
        for line in sorted(self._regulated):
            self._plant.regulate(line, 0)
        self._regulated.clear()

    def deadline(self) -> int:
        """Tick at which the next longest-on time ends."""
        return min(self._due.values(), default=NEVER)

    def step(self, tick: int) -> None:
        """De-energise what has been on long enough."""
        for valve, due in list(self._due.items()):
            if tick >= due:
                self.set(valve, False, 0)
