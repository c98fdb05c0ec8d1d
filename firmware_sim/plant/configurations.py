"""Networks and devices by the faults present, and their reductions by switch positions, each made once."""

from collections.abc import Sequence

from bench.profiles.model import Scenario
from firmware_sim.plant.as_built import Harness
from firmware_sim.plant.devices import Devices, FloatArray
from firmware_sim.plant.faults import Effect, OneWay
from firmware_sim.plant.netlist import build_netlist
from firmware_sim.plant.network import BoardWiring, Network, Reduced
from firmware_sim.port import Switches


class Configuration:
    """One set of faults: its devices, and its network with the board attached."""

    def __init__(self, devices: Devices, network: Network) -> None:
        self.devices = devices
        self.network = network
        self.names = network.terminal_names
        self.incidence_t: FloatArray = network.incidence_t
        self._reduced: dict[object, Reduced] = {}

    def reduced(self, switches: Switches, limiting: tuple[bool, ...]) -> Reduced:
        """The linear part for these switch positions; limits do not matter, being at one does."""
        feeds = tuple((feed.mode, feed.level) for feed in switches.feeds)
        key = (feeds, switches.returns, switches.reference, limiting)
        found = self._reduced.get(key)
        if found is None:
            found = self._reduced[key] = self.network.reduce(switches, limiting)
        return found


class Configurations:
    """All configurations that one scenario has come to so far."""

    def __init__(self, scenario: Scenario, harness: Harness, one_way: Sequence[OneWay]) -> None:
        self._scenario = scenario
        self._harness = harness
        self._one_way = one_way
        self._pins = [pin.number for pin in scenario.profile.connector.pins]
        self._pin_of_channel = {channel: pin for pin, channel in scenario.profile.channel_of_pin.items()}
        self._made: dict[tuple[Effect, ...], Configuration] = {}
        self.least_channels = max(self._pin_of_channel, default=1)
        self.channels = self.least_channels

    def use_channels(self, channels: int) -> None:
        """Attach a board of this many channels.

        Raises:
            ValueError: fewer than the profile's wiring needs.
        """
        if channels < self.least_channels:
            raise ValueError(f"the profile is wired to {self.least_channels} channels, not {channels}")
        self.channels = channels
        self._made.clear()

    def of(self, present: tuple[Effect, ...]) -> Configuration:
        """The configuration with these effects present."""
        found = self._made.get(present)
        if found is None:
            found = self._made[present] = self._make(present)
        return found

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
        )
