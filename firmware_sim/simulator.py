"""A simulated bench: harness, air lines, converters and firmware as one object that has registers and a clock."""

from collections.abc import Callable, Sequence

from bench.contract.table import Capability, Refusal
from bench.profiles.model import Profile, Scenario
from firmware_sim.air import build_air_plant
from firmware_sim.firmware import Board, Description
from firmware_sim.plant import build_plant
from firmware_sim.plant.board import PROBE_OHM, PULL_DOWN_OHM, PULSE_OHM, REFERENCE_OHM
from firmware_sim.port import Plant
from firmware_sim.sensors import Sensors

LEAST_CHANNELS = 8


def _modulator_volts(profile: Profile, harness: Plant) -> Callable[[], float] | None:
    """How the air plant learns that its modulators are fed: the volts at their circuit's pin."""
    if profile.air is None or profile.air.electrical_supply is None:
        return None
    index = profile.channel_of_pin[profile.circuit(profile.air.electrical_supply).pin] - 1
    return lambda: harness.truth().pin_v[index]


def _capabilities(scenario: Scenario) -> Capability:
    usual = Description().capabilities
    return usual | Capability.FAR_SOCKET if scenario.cable and scenario.cable.far_socket else usual


class Simulator:
    """The board of a scenario.

    It has as many channels as the profile's wiring needs, at least eight, and air inputs and valves when
    the profile's trailer has air brakes.

    Raises:
        InputError: the scenario asks for a fault that its profile cannot have.
    """

    def __init__(self, scenario: Scenario) -> None:
        profile = scenario.profile
        channels = max(LEAST_CHANNELS, *profile.channel_of_pin.values())
        harness = build_plant(scenario)
        self._harness = harness
        self.air = build_air_plant(scenario, _modulator_volts(profile, harness))
        self.board = Board(
            harness,
            Sensors(scenario.sense, channels, scenario.seed, profile.nominal_v),
            Description(
                probe_ohm=PROBE_OHM,
                pulse_ohm=PULSE_OHM[profile.nominal_v],
                reference_ohm=REFERENCE_OHM,
                pull_down_ohm=PULL_DOWN_OHM,
                capabilities=_capabilities(scenario),
                serial=f"SIM-{scenario.seed:04d}"[:16],
            ),
            air=self.air,
            channels=channels,
        )

    @property
    def time_s(self) -> float:
        """Time of the last tick, from the start of the simulation."""
        return self.board.time_s

    def clip_sense(self, node: str) -> None:
        """Somebody clips the board's sense lead to a node of the harness, or back to the frame (``chassis``)."""
        self._harness.clip_sense(node)

    def advance_to(self, time_s: float) -> None:
        """See :meth:`firmware_sim.firmware.Board.advance_to`."""
        self.board.advance_to(time_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """See :meth:`firmware_sim.firmware.Board.read_registers`."""
        return self.board.read_registers(address, count)

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """See :meth:`firmware_sim.firmware.Board.write_registers`."""
        return self.board.write_registers(address, values)
