"""A simulated bench: harness, converters and firmware as one object that has registers and a clock."""

from collections.abc import Sequence

from bench.contract.table import Refusal
from bench.profiles.model import Scenario
from firmware_sim.firmware import Board, Description
from firmware_sim.plant import build_plant
from firmware_sim.plant.board import PROBE_OHM, PULL_DOWN_OHM, PULSE_OHM, REFERENCE_OHM
from firmware_sim.sensors import Sensors

LEAST_CHANNELS = 8


class Simulator:
    """The board of a scenario. It has as many channels as the profile's wiring needs, at least eight.

    Raises:
        InputError: the scenario asks for a fault that its profile cannot have.
    """

    def __init__(self, scenario: Scenario) -> None:
        profile = scenario.profile
        channels = max(LEAST_CHANNELS, *profile.channel_of_pin.values())
        self.board = Board(
            build_plant(scenario),
            Sensors(scenario.sense, channels, scenario.seed, profile.nominal_v),
            Description(
                probe_ohm=PROBE_OHM,
                pulse_ohm=PULSE_OHM[profile.nominal_v],
                reference_ohm=REFERENCE_OHM,
                pull_down_ohm=PULL_DOWN_OHM,
                serial=f"SIM-{scenario.seed:04d}"[:16],
            ),
            channels=channels,
        )

    @property
    def time_s(self) -> float:
        """Time of the last tick, from the start of the simulation."""
        return self.board.time_s

    def advance_to(self, time_s: float) -> None:
        """See :meth:`firmware_sim.firmware.Board.advance_to`."""
        self.board.advance_to(time_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """See :meth:`firmware_sim.firmware.Board.read_registers`."""
        return self.board.read_registers(address, count)

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """See :meth:`firmware_sim.firmware.Board.write_registers`."""
        return self.board.write_registers(address, values)
