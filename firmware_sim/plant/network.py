"""The linear part: harness and board by nodal analysis, reduced to the device terminals.

Everything linear (wires, joints, pull-downs, switches, supply) is eliminated once per switch and
fault configuration by Kron reduction (a Schur complement, which keeps the small differences
between nearly equal voltages). What is left for each Newton step is a dense system of the size
of the non-linear loads' terminals. A channel at its current limit is a current source, so being
at the limit is part of the configuration.

Every observable is then an affine function of the terminal voltages.
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
from firmware_sim.plant.netlist import BUS, GROUND, Netlist, board_pin
from firmware_sim.port import Feed, FeedMode, Switches

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

FLOATING_SIEMENS = 1e-10  # from every node, so that nothing is undefined
DRIVE_SIEMENS = 1 / DRIVE_SWITCH_OHM


@dataclass(frozen=True, slots=True)
class BoardWiring:
    """How the board is connected: fixed for a scenario."""

    connector: Connector
    pin_of_channel: tuple[int | None, ...]
    nominal_v: int
    supply_ohm: float
    clamp_ohm: float
    resistor_factor: float

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
    """A configuration seen from the device terminals.

    With terminal voltages x, shape (p,), and sources s, shape (q,):
    currents from the devices into the terminals = ``sources_in @ s - g @ x``, and
    ``y = from_x @ x + from_s @ s``.

    Attributes:
        g: (p, p) siemens.
        incidence: (p, m), +1 at a device's fed terminal, -1 at its return.
        sources_in: (p, q).
        from_x, from_s: (o, p) and (o, q).
    """

    g: FloatArray
    incidence: FloatArray
    incidence_t: FloatArray
    sources_in: FloatArray
    from_x: FloatArray
    from_s: FloatArray


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
        self._channels = [next(spare) if pin is None else nodes[board_pin(pin)] for pin in wiring.pin_of_channel]
        self._ground_pins = [nodes[board_pin(number)] for number in wiring.connector.ground_pins]
        self._return = self._ground_pins[0] if len(self._ground_pins) == 1 else next(spare)
        self._size = len(nodes) + wiring.channels + 1
        self._source_nodes = [self._bus, *self._channels, *(node for node, _, _ in netlist.held)]
        self._terminals = terminals
        ports = sorted({node for pair in terminals for node in pair if node != GROUND})
        self._ports = np.array(ports, dtype=np.intp)
        self._inner = np.setdiff1d(np.arange(self._size), self._ports)
        names = {number: name for name, number in nodes.items()}
        self.terminal_names = tuple(names[node] for node in ports)
        self._incidence = self._build_incidence(ports)
        self.incidence_t = np.ascontiguousarray(self._incidence.T)
        self._base = self._build_base()

    def _build_incidence(self, ports: Sequence[int]) -> FloatArray:
        row = {node: index for index, node in enumerate(ports)}
        incidence = np.zeros((len(ports), len(self._terminals)))
        for column, (a, b) in enumerate(self._terminals):
            incidence[row[a], column] += 1.0
            incidence[row[b], column] -= 1.0
        return incidence

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
        """Eliminate all nodes but the device terminals."""
        g = self._base.copy()
        self._stamp_switches(g, switches, limiting)
        injections = len(self._source_nodes)
        at_nodes = np.zeros((self._size, injections))
        at_nodes[self._source_nodes, np.arange(injections)] = 1.0
        ports, inner = self._ports, self._inner
        coupling = g[np.ix_(ports, inner)]
        right = np.hstack((g[np.ix_(inner, ports)], at_nodes[inner]))
        solved = np.linalg.solve(g[np.ix_(inner, inner)], right)
        through, from_sources = solved[:, : len(ports)], solved[:, len(ports) :]
        nodes_from_x = np.zeros((self._size, len(ports)))
        nodes_from_x[ports, np.arange(len(ports))] = 1.0
        nodes_from_x[inner] = -through
        nodes_from_s = np.zeros((self._size, injections))
        nodes_from_s[inner] = from_sources
        return self._with_observables(
            g[np.ix_(ports, ports)] - coupling @ through,
            at_nodes[ports] - coupling @ from_sources,
            (nodes_from_x, nodes_from_s),
            (switches, limiting),
        )

    def _with_observables(
        self,
        g: FloatArray,
        sources_in: FloatArray,
        nodes: tuple[FloatArray, FloatArray],
        state: tuple[Switches, Sequence[bool]],
    ) -> Reduced:
        extra = 1 + self._wiring.channels  # supply_v and the limits: they act on observables only
        by_node, by_source = self._observation(*state, injections=sources_in.shape[1])
        return Reduced(
            g=np.ascontiguousarray(g),
            incidence=self._incidence,
            incidence_t=self.incidence_t,
            sources_in=np.hstack((sources_in, np.zeros((len(g), extra)))),
            from_x=by_node @ nodes[0],
            from_s=np.hstack((by_node @ nodes[1], np.zeros((len(by_node), extra)))) + by_source,
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
        by_node[at.chassis_v, self._chassis] = 1.0
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
