"""Networks and devices by the faults present, and their reductions by switch positions, each kept for the next time."""

from collections.abc import Sequence
from functools import lru_cache

from bench.profiles.model import CHASSIS, Scenario
from firmware_sim.plant.as_built import Harness
from firmware_sim.plant.devices import Devices
from firmware_sim.plant.faults import Effect, OneWay
from firmware_sim.plant.netlist import build_netlist
from firmware_sim.plant.network import BoardWiring, Network, Reduced
from firmware_sim.port import Feed, Switches

MOST_REDUCTIONS = 128  # about 50 kB each
MOST_CONFIGURATIONS = 32


class Configuration:
    """One set of faults: its devices, and its network with the board attached."""

    def __init__(self, devices: Devices, network: Network) -> None:
        self.devices = devices
        self.network = network
        self._reduce = lru_cache(maxsize=MOST_REDUCTIONS)(network.reduce)

    def reduced(self, switches: Switches, limiting: tuple[bool, ...]) -> Reduced:
        """The linear part for these switch positions; limits do not matter, being at one does."""
        feeds = tuple(Feed(feed.mode, level=feed.level) for feed in switches.feeds)
        return self._reduce(Switches(feeds, switches.returns, switches.reference), limiting)


class Configurations:
    """The configurations of one scenario; ``of(effects)`` gives the one with these effects present."""

    def __init__(self, scenario: Scenario, harness: Harness, one_way: Sequence[OneWay]) -> None:
        self._scenario = scenario
        self._harness = harness
        self._one_way = one_way
        self._pins = [pin.number for pin in scenario.profile.connector.pins]
        self._pin_of_channel = {channel: pin for pin, channel in scenario.profile.channel_of_pin.items()}
        self.of = lru_cache(maxsize=MOST_CONFIGURATIONS)(self._make)
        self.least_channels = max(self._pin_of_channel, default=1)
        self.channels = self.least_channels
        self.sense = CHASSIS

    def use_channels(self, channels: int) -> None:
        """Attach a board of this many channels.

        Raises:
            ValueError: fewer than the profile's wiring needs.
        """
        if channels < self.least_channels:
            raise ValueError(f"the profile is wired to {self.least_channels} channels, not {channels}")
        self.channels = channels
        self.of.cache_clear()

    def clip_sense(self, node: str) -> None:
        """Clip the sense lead to a node of the harness."""
        self.sense = node
        self.of.cache_clear()

    def _make(self, present: tuple[Effect, ...]) -> Configuration:
        netlist = build_netlist(self._harness, self._pins, present, self._one_way)
        devices = Devices(netlist.terminals, self._scenario.ambient_c)
        return Configuration(devices, Network(netlist, self._wiring(), devices.nodes))

    def _wiring(self) -> BoardWiring:
        scenario = self._scenario
        return BoardWiring(
            connector=scenario.profile.connector,
            pin_of_channel=tuple(self._pin_of_channel.get(n) for n in range(1, self.channels + 1)),
            nominal_v=scenario.profile.nominal_v,
            supply_ohm=scenario.supply_ohm,
            clamp_ohm=scenario.clamp_ohm,
            resistor_factor=self._harness.resistor_factor,
            sense=self.sense,
        )
