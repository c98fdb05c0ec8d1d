"""True values for :mod:`tools.measure` from the simulated harness, without firmware between."""

from collections.abc import Sequence

from bench.contract.table import Return
from bench.profiles.model import Profile, ReturnName, Scenario
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode, Plant, Switches, Truth
from tools.measure import LIMIT_A, Truths

SETTLE_S = {"probe": 0.005, "pulse": 0.004, "drive": 2.0}
LIMIT_S = 0.25
_MODES = {"probe": FeedMode.PROBE, "pulse": FeedMode.PULSE, "drive": FeedMode.DRIVE}
_RETURNS = {"pin": Return.PIN, "chassis": Return.CHASSIS, "both": Return.BOTH, "none": Return.NONE}


class PlantSource:
    """Switches the plant as the plan says and reads its truth."""

    def __init__(self, scenario: Scenario) -> None:
        self.profile: Profile = scenario.profile
        self._plant: Plant = build_plant(scenario)
        self._channels = dict(scenario.profile.channel_of_pin)

    def take(self, how: str, returns: ReturnName, driven: Sequence[int]) -> Truths:
        """Feed ``driven`` until settled, read, and let go."""
        feeds = [Feed()] * max(self._channels.values())
        for pin in driven:
            feeds[self._channels[pin] - 1] = Feed(_MODES[how], LIMIT_A)
        self._plant.switch(Switches(tuple(feeds), _RETURNS[returns]))
        wait_s = SETTLE_S[how]
        if how == "drive":
            self._plant.advance(self._plant.time_s + LIMIT_S)
            wait_s = 0.0 if any(self._plant.truth().limiting) else wait_s - LIMIT_S
        self._plant.advance(self._plant.time_s + wait_s)
        truth = self._plant.truth()
        self._plant.switch(Switches((Feed(),) * len(feeds), _RETURNS[returns]))
        self._plant.advance(self._plant.time_s + 0.002)
        return self._truths(truth)

    def _truths(self, truth: Truth) -> Truths:
        return Truths(
            {pin: truth.pin_v[channel - 1] for pin, channel in self._channels.items()},
            {pin: truth.pin_a[channel - 1] for pin, channel in self._channels.items()},
            {"pin": truth.return_pin_a, "chassis": truth.return_chassis_a},
            truth.chassis_sense_v,
            truth.supply_v,
            any(truth.limiting),
        )
