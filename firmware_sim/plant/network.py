"""The linear part: harness and board by nodal analysis, seen from the devices.

Everything linear (wires, joints, pull-downs, switches, supply) is solved once per switch and fault
configuration. What is left is Thevenin's theorem for many ports: with currents i into the m devices,
their voltages are ``v = open_v - Z i``, and every observable is affine in i in the same way. So a Newton
step is a dense system of the size of the non-linear loads, whatever the wiring. A channel at its
current limit is a current source, so being at the limit is part of the configuration.

Z comes from the response to each device's current entering at one terminal and leaving at the other:
only differences are formed, which stay exact on a piece of wiring that floats.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.contract.table import Return
from bench.profiles.model import CHASSIS, Connector
from firmware_sim.plant.board import (
    DRIVE_SWITCH_OHM,
    GROUND_PIN_LEAD_OHM,
    LEAST_SUPPLY_OHM,
    PROBE_OHM,
    PULL_DOWN_OHM,
    PULSE_OHM,
    REFERENCE_OHM,
    RETURN_SWITCH_OHM,
)
from firmware_sim.plant.netlist import BUS, Netlist, board_pin
from firmware_sim.port import Feed, FeedMode, Switches

FloatArray = NDArray[np.float64]

FLOATING_SIEMENS = 1e-10  # from every node, so that nothing is undefined
DRIVE_SIEMENS = 1 / DRIVE_SWITCH_OHM


@dataclass(frozen=True, slots=True)
class BoardWiring:
    """How the board is connected: fixed for a scenario, but for ``sense``, the node that its sense lead is on."""

    connector: Connector
    pin_of_channel: tuple[int | None, ...]
    nominal_v: int
    supply_ohm: float
    clamp_ohm: float
    resistor_factor: float
    sense: str = CHASSIS

    @property
    def channels(self) -> int:
        """Number of channels."""
        return len(self.pin_of_channel)


class Observables:
    """Where each observable stands in the vector ``y`` of a :class:`Reduced` network.

    Attributes:
        pin_v: voltage of each channel's pin.
        pin_a: current out of each channel.
        margin_a: what a driven channel's switch would carry without its limiter, less the limit.
        count: length of ``y``.
    """

    supply_v = 0
    supply_a = 1
    reference_a = 2
    return_pin_a = 3
    return_chassis_a = 4
    chassis_v = 5
    ground_pin_v = 6

    def __init__(self, channels: int) -> None:
        first = 7
        self.pin_v = slice(first, first + channels)
        self.pin_a = slice(first + channels, first + 2 * channels)
        self.margin_a = slice(first + 2 * channels, first + 3 * channels)
        self.count = first + 3 * channels


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """A configuration seen from its m devices, with q sources s and o observables y.

    ``v = v_from_s @ s - ohm @ i`` and ``y = y_from_s @ s - y_from_i @ i`` for device currents i.

    Attributes:
        ohm: (m, m).
        v_from_s: (m, q).
        y_from_i, y_from_s: (o, m) and (o, q).
    """

    ohm: FloatArray
    v_from_s: FloatArray
    y_from_i: FloatArray
    y_from_s: FloatArray


class Network:
    """One fault state's network with the board attached; reduces itself for switch positions."""

    def __init__(self, netlist: Netlist, wiring: BoardWiring, terminals: Sequence[tuple[int, int]]) -> None:
        self._netlist = netlist
        self._wiring = wiring
        self._observables = Observables(wiring.channels)
        spare = iter(range(len(netlist.nodes), len(netlist.nodes) + wiring.channels + 1))
        nodes = netlist.nodes
        self._bus = nodes[BUS]
        self._chassis = nodes[CHASSIS]
        self._sense = nodes[wiring.sense]
        self._channels = [next(spare) if pin is None else nodes[board_pin(pin)] for pin in wiring.pin_of_channel]
        self._ground_pins = [nodes[board_pin(number)] for number in wiring.connector.ground_pins]
        self._return = self._ground_pins[0] if len(self._ground_pins) == 1 else next(spare)
        self._size = len(nodes) + wiring.channels + 1
        self._source_nodes = [self._bus, *self._channels, *(node for node, _, _ in netlist.held)]
        self._ports = np.zeros((self._size, len(terminals)))  # +1 at a device's fed terminal, -1 at its return
        for column, (a, b) in enumerate(terminals):
            self._ports[a, column] += 1.0
            self._ports[b, column] -= 1.0
        self._base = self._build_base()

    def _build_base(self) -> FloatArray:
        g = np.diag(np.full(self._size, FLOATING_SIEMENS))
        for a, b, ohm in self._netlist.branches:
            _stamp(g, a, b, 1 / ohm)
        for node, _, ohm in self._netlist.held:
            g[node, node] += 1 / ohm
        for node in self._channels:
            g[node, node] += 1 / PULL_DOWN_OHM
        if len(self._ground_pins) > 1:
            for node in self._ground_pins:
                _stamp(g, node, self._return, 1 / GROUND_PIN_LEAD_OHM)
        g[self._bus, self._bus] += 1 / max(self._wiring.supply_ohm, LEAST_SUPPLY_OHM)
        return g

    def sources(self, supply_v: float, switches: Switches, limiting: Sequence[bool]) -> FloatArray:
        """Source vector: current into the bus, into each channel's pin, into each held node."""
        limits = [feed.limit_a if limited else 0.0 for feed, limited in zip(switches.feeds, limiting, strict=True)]
        bus_a = supply_v / max(self._wiring.supply_ohm, LEAST_SUPPLY_OHM) - sum(limits)
        held = [volts / ohm for _, volts, ohm in self._netlist.held]
        return np.array([bus_a, *limits, *held, supply_v, *(feed.limit_a for feed in switches.feeds)])

    def reduce(self, switches: Switches, limiting: Sequence[bool]) -> Reduced:
        """Solve for a current through each device and from each source, one after the other."""
        g = self._base.copy()
        self._stamp_switches(g, switches, limiting)
        devices, injections = self._ports.shape[1], len(self._source_nodes)
        excitation = np.hstack((self._ports, np.zeros((self._size, injections))))
        excitation[self._source_nodes, devices + np.arange(injections)] = 1.0
        by_node, by_source = self._observation(switches, limiting, injections)
        response = np.vstack((self._ports.T, by_node)) @ np.linalg.solve(g, excitation)
        from_i, from_s = response[:, :devices], response[:, devices:]
        # supply_v and the limits stand last among the sources: they act on observables only
        v_from_s = np.hstack((from_s[:devices], np.zeros((devices, 1 + self._wiring.channels))))
        by_source[:, :injections] += from_s[devices:]
        return Reduced(
            np.ascontiguousarray(from_i[:devices]), v_from_s, np.ascontiguousarray(from_i[devices:]), by_source
        )

    def _stamp_switches(self, g: FloatArray, switches: Switches, limiting: Sequence[bool]) -> None:
        for node, feed, limited in zip(self._channels, switches.feeds, limiting, strict=True):
            siemens = self._feed_siemens(feed)
            if siemens and not limited:
                _stamp_feed(g, self._bus, node, siemens, _level(feed))
        if switches.reference:
            g[self._bus, self._bus] += 1 / REFERENCE_OHM
        if Return.PIN in switches.returns:
            g[self._return, self._return] += 1 / RETURN_SWITCH_OHM
        if Return.CHASSIS in switches.returns:
            g[self._chassis, self._chassis] += self._clamp_siemens

    @property
    def _clamp_siemens(self) -> float:
        return 1 / (RETURN_SWITCH_OHM + self._wiring.clamp_ohm)

    def _feed_siemens(self, feed: Feed) -> float:
        match feed.mode:
            case FeedMode.OFF:
                return 0.0
            case FeedMode.DRIVE:
                return DRIVE_SIEMENS
            case FeedMode.PROBE:
                return 1 / (PROBE_OHM * self._wiring.resistor_factor)
            case FeedMode.PULSE:
                return 1 / (PULSE_OHM[self._wiring.nominal_v] * self._wiring.resistor_factor)

    def _observation(
        self, switches: Switches, limiting: Sequence[bool], injections: int
    ) -> tuple[FloatArray, FloatArray]:
        """Observables as rows over node voltages and over sources."""
        at, channels = self._observables, self._wiring.channels
        by_node = np.zeros((at.count, self._size))
        by_source = np.zeros((at.count, injections + 1 + channels))
        by_node[at.supply_v, self._bus] = 1.0
        supply_siemens = 1 / max(self._wiring.supply_ohm, LEAST_SUPPLY_OHM)
        by_node[at.supply_a, self._bus] = -supply_siemens
        by_source[at.supply_a, injections] = supply_siemens
        by_node[at.reference_a, self._bus] = 1 / REFERENCE_OHM if switches.reference else 0.0
        by_node[at.return_pin_a, self._return] = 1 / RETURN_SWITCH_OHM if Return.PIN in switches.returns else 0.0
        by_node[at.return_chassis_a, self._chassis] = self._clamp_siemens if Return.CHASSIS in switches.returns else 0.0
        by_node[at.chassis_v, self._sense] = 1.0
        by_node[at.ground_pin_v, self._return] = 1.0
        for index, (node, feed, limited) in enumerate(zip(self._channels, switches.feeds, limiting, strict=True)):
            siemens = self._feed_siemens(feed)
            row_a, row_margin = at.pin_a.start + index, at.margin_a.start + index
            by_node[at.pin_v.start + index, node] = 1.0
            row = row_margin if limited else row_a
            by_node[row, self._bus] += siemens * _level(feed)
            by_node[row, node] -= siemens
            if limited:
                by_source[row_a, injections + 1 + index] = 1.0
            else:
                by_node[row_margin] = by_node[row_a]
            by_source[row_margin, injections + 1 + index] = -1.0
        return by_node, by_source


def _level(feed: Feed) -> float:
    return feed.level if feed.mode is FeedMode.DRIVE else 1.0


def _stamp(g: FloatArray, a: int, b: int, siemens: float) -> None:
    g[a, a] += siemens
    g[b, b] += siemens
    g[a, b] -= siemens
    g[b, a] -= siemens


def _stamp_feed(g: FloatArray, bus: int, pin: int, siemens: float, level: float) -> None:
    """A switch that holds the pin at ``level`` of the bus and takes from the bus what it gives to the pin."""
    g[pin, pin] += siemens
    g[pin, bus] -= siemens * level
    g[bus, bus] += siemens * level
    g[bus, pin] -= siemens
