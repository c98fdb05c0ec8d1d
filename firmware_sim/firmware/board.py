"""The board: a crystal, a count of starts, and the firmware that runs between restarts.

Sans-IO and event-driven. ``advance_to`` ticks at 1 ms while anything changes; while the plant is
quiet it jumps to the firmware's next deadline, so that quiet minutes cost nothing.
"""

from collections.abc import Sequence

from bench.contract.table import Refusal
from firmware_sim.firmware.air import AirPlant, NoAir
from firmware_sim.firmware.budget import TICKS_PER_SECOND
from firmware_sim.firmware.calibration import Calibration, Corrected
from firmware_sim.firmware.description import Description
from firmware_sim.firmware.firmware import Firmware, Hardware
from firmware_sim.firmware.sensing import Sensing
from firmware_sim.port import Plant

ROUNDING_TICKS = 1e-6  # a time that is a whole number of ticks but for rounding


class Board:
    """A board of the contract on a plant.

    Args:
        plant: the harness behind the sockets.
        sensors: converters.
        description: what the identity block says.
        air: air lines, when the board has any.
        channels: how many the board has; as many as the plant has pins when None.
    """

    def __init__(
        self,
        plant: Plant,
        sensors: Sensing,
        description: Description | None = None,
        air: AirPlant | None = None,
        channels: int | None = None,
    ) -> None:
        channels = channels or len(plant.truth().pin_v)
        calibration = Calibration(channels)
        self._hardware = Hardware(
            plant,
            Corrected(sensors, calibration),
            air or NoAir(),
            description or Description(),
            channels,
            calibration,
        )
        self._tick = round(plant.time_s * TICKS_PER_SECOND)
        self._glitches = plant.board_conditions().restarts
        self._firmware = Firmware(self._hardware, self._tick, boots=1)

    @property
    def time_s(self) -> float:
        """Plant time of the last tick; goes on through restarts, unlike the board's uptime."""
        return self._tick / TICKS_PER_SECOND

    @property
    def tick(self) -> int:
        """The last tick."""
        return self._tick

    @property
    def hung(self) -> bool:
        """Whether the board answers nobody. Its protection goes on, and its watchdog hears no kick."""
        return self._hardware.plant.board_conditions().hung

    def advance_to(self, time_s: float) -> None:
        """Let board and plant run up to the last tick not after ``time_s``; times in the past do nothing."""
        goal = int(time_s * TICKS_PER_SECOND + ROUNDING_TICKS)
        while self._tick < goal:
            self._tick = self.next_tick(goal)
            self._firmware.move_plant(self._tick)
            conditions = self._hardware.plant.board_conditions()
            if conditions.restarts != self._glitches or self._firmware.restart_wanted:
                self._glitches = conditions.restarts
                self._firmware = Firmware(self._hardware, self._tick, self._firmware.boots + 1)
            else:
                self._firmware.step(conditions)

    def next_tick(self, goal: int) -> int:
        """The next tick on the way to ``goal`` at which anything is to be done; later ones while all is quiet."""
        soonest = self._tick + 1
        if goal == soonest or self._firmware.restart_wanted:
            return soonest
        hardware, goal_s = self._hardware, goal / TICKS_PER_SECOND
        quiet_s = min(hardware.plant.quiet_until_s(), goal_s)
        if quiet_s > soonest / TICKS_PER_SECOND and (ceiling_pa := self._firmware.board_settings.ceiling_pa):
            quiet_s = min(quiet_s, hardware.air.below_until_s(ceiling_pa))
        quiet = int(quiet_s * TICKS_PER_SECOND + ROUNDING_TICKS)
        if quiet <= soonest:
            return soonest
        return max(soonest, min(quiet, self._firmware.deadline()))

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """Registers as a Modbus read of functions 3 and 4 returns them.

        Raises:
            IllegalAddress: they do not all lie in one block.
            TimeoutError: the board is hung.
        """
        self._check_alive()
        return self._firmware.memory.read(address, count)

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """Take a write of all registers after a block's tag, as Modbus function 16 brings it.

        Returns:
            NONE when carried out, BAD_VALUE for Modbus exception 3, otherwise the reason for exception 4.

        Raises:
            IllegalAddress: not exactly the registers of a writable block.
            TimeoutError: the board is hung.
        """
        self._check_alive()
        block, index = self._firmware.memory.target(address, len(values))
        return self._firmware.write(block, index, block.unpack(values))

    def _check_alive(self) -> None:
        if self.hung:
            raise TimeoutError("the board does not answer")
