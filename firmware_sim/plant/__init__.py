"""The electrical plant: harness, lamps, faults and the board's power stage as one network.

``plant.py`` moves it along time; ``network.py`` holds the linear part, ``devices.py`` the loads,
``solver.py`` one implicit stage, ``integrator.py`` the steps; ``faults.py`` says what each fault is.
"""

from bench.profiles.model import Scenario
from firmware_sim.plant.cable import CablePlant
from firmware_sim.plant.plant import HarnessPlant


def build_plant(scenario: Scenario) -> HarnessPlant | CablePlant:
    """The harness or the cable of ``scenario`` as built from its seed, everything off, at time 0.

    Raises:
        InputError: a fault names a place that the profile lacks, or lacks what its kind needs.
    """
    return HarnessPlant(scenario) if scenario.cable is None else CablePlant(scenario, scenario.cable)
