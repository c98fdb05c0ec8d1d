"""The air plant: a trailer's brakes behind the bench's four valves.

``build_air_plant(scenario)`` is all that the rest of the simulator needs to know.
"""

from collections.abc import Callable

from bench.profiles.model import Scenario
from firmware_sim.firmware.air import AirPlant, NoAir


def build_air_plant(scenario: Scenario, modulator_volts: Callable[[], float] | None = None) -> AirPlant:
    """The air system of a scenario; no air when it plays none, or its profile has none.

    Args:
        scenario: what is simulated.
        modulator_volts: voltage now at the pin that feeds the ABS modulators; None: they are never fed.
    """
    if scenario.air is None or scenario.profile.air is None:
        return NoAir()
    from firmware_sim.air.plant import TrailerAir  # scipy takes a while, and most harnesses have no air

    return TrailerAir(scenario, modulator_volts)
