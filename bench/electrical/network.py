"""The inference's circuit model: a network with a board on it, solved for many readings at once.

Theory. Nodal analysis over the junctions of a harness (:mod:`bench.electrical.harness`), Newton's
method for the loads (:mod:`bench.electrical.laws`). The board is part of the network: a driven
pin is held at the voltage that was measured on it, a probed or pulsed pin hangs on the supply
through a known resistor, every pin has its pull-down, and each closed return switch is a small
resistance to the board's negative, to which all voltages refer.

Sensitivities come from the same matrices: they are symmetric, so one solution with a unit
current at each pin that is read gives the change of its voltage for any change anywhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bench.electrical.harness import Harness, IntArray, build
from bench.electrical.laws import CONDUCTED_SHARE, TUNGSTEN_EXPONENT, FloatArray, LoadLaws, load_current
from bench.profiles.model import CHASSIS, COPPER_PER_K, BoardErrors, Measurements, Reading, pin_node

OPEN_OHM = 1e9
LEAST_OHM = 1e-5
FLOATING_S = 1e-8  # from every node to the board's negative: nothing ever floats
HOLD_S = 1e5  # stiffness of a driven pin
RETURN_OHM = 0.005  # a return switch with its lead
BAR_S = 1e4  # between ground pins: the board joins them before its return switch
CLAMP_OHM = 0.010  # a return switch and the clamp on the frame
LARGEST_STEP_V = 4.0
CLOSE_ENOUGH_V = 1e-4  # of the last step; Newton's method leaves its square
PATIENCE = 5
SHRINK = 0.75


@dataclass(frozen=True, slots=True)
class Feeds:
    """What the board does in each of ``n`` readings: a conductance to a source at every pin.

    Attributes:
        siemens: (n, pins), source conductance, pull-down included.
        volts: (n, pins), source voltage.
        pull_down_s: conductance of a pull-down.
        pin_return: (n,), whether the pin return switch is closed.
        chassis_return: (n,), whether the chassis return switch is closed.
        cold: (n,), filaments are cold and control units asleep.
    """

    siemens: FloatArray
    volts: FloatArray
    pull_down_s: float
    pin_return: NDArray[np.bool_]
    chassis_return: NDArray[np.bool_]
    cold: NDArray[np.bool_]

    @property
    def fed(self) -> NDArray[np.bool_]:
        """(n, pins), which pins are fed at all."""
        return np.asarray(self.siemens > 1.01 * self.pull_down_s)


def feeds_of(
    readings: Sequence[Reading], pins: Sequence[int], ground_pins: Sequence[int], board: BoardErrors, supply_v: float
) -> Feeds:
    """Board settings of some readings; a driven pin is held at its measured voltage.

    Columns are in the order of ``pins``; ``supply_v`` is used where a reading has none of its own.
    """
    pull_down_s = 1 / board.pull_down_ohm
    column = {pin: position for position, pin in enumerate(pins)}
    siemens = np.full((len(readings), len(pins)), pull_down_s)
    siemens[:, [column[pin] for pin in ground_pins]] = 0.0
    volts = np.zeros_like(siemens)
    for row, reading in enumerate(readings):
        for pin in reading.driven:
            source_s, source_v = _source(reading, pin, board, supply_v)
            siemens[row, column[pin]] = source_s + pull_down_s
            volts[row, column[pin]] = source_v * source_s / (source_s + pull_down_s)
    return Feeds(
        siemens,
        volts,
        pull_down_s,
        np.array([reading.returns in ("pin", "both") for reading in readings], dtype=bool),
        np.array([reading.returns in ("chassis", "both") for reading in readings], dtype=bool),
        np.array([reading.how != "drive" for reading in readings], dtype=bool),
    )


def _source(reading: Reading, pin: int, board: BoardErrors, supply_v: float) -> tuple[float, float]:
    supply = supply_v if reading.supply_v is None else reading.supply_v
    if reading.how == "probe":
        return 1 / board.probe_ohm, supply
    if reading.how == "pulse":
        return 1 / board.pulse_ohm, supply
    return HOLD_S, reading.pin_v.get(pin, supply * reading.level)


@dataclass(frozen=True)
class Network:
    """Branches and loads between numbered nodes, as they may really be.

    Attributes:
        size: number of nodes.
        a: (branches,), first node of each resistance.
        b: (branches,), second node.
        ohm: (branches,), at their temperature.
        load_a: (loads,), fed node of each load.
        load_b: (loads,), its other node.
        laws: the loads' laws.
        factor: (loads,), multiplies each load's current.
        cold_scale: (loads,) or (n, loads), multiplies the cold resistance of each filament.
        pin_nodes: (pins,), nodes of the connector's pins.
        ground_nodes: nodes of its ground pins, which the board joins.
        chassis: node of the chassis.
        return_ohm: the board's pin return.
        clamp_ohm: the board's chassis return with its clamp.
        held: foreign supplies: node, siemens, volts.
        lit: (loads,), loads that something else keeps lit, so never cold.
        conducted: share of the rated power that filaments conduct away.
    """

    size: int
    a: IntArray
    b: IntArray
    ohm: FloatArray
    load_a: IntArray
    load_b: IntArray
    laws: LoadLaws
    factor: FloatArray
    cold_scale: FloatArray
    pin_nodes: IntArray
    ground_nodes: IntArray
    chassis: int
    return_ohm: float = RETURN_OHM
    clamp_ohm: float = CLAMP_OHM
    held: tuple[tuple[int, float, float], ...] = ()
    lit: NDArray[np.bool_] | None = None
    conducted: float = CONDUCTED_SHARE

    def load_law(self, across_v: FloatArray, cold: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
        """Currents and slopes (n, loads) at voltages across the loads; ``cold`` (n,) marks cold readings."""
        return load_current(self.laws, across_v, self.factor, self.asleep(cold), self.cold_scale, self.conducted)

    def asleep(self, cold: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(n, loads), which loads are cold in cold readings."""
        every = np.broadcast_to(cold[:, None], (len(cold), len(self.load_a)))
        return every if self.lit is None else every & ~self.lit

    @cached_property
    def branch_incidence(self) -> FloatArray:
        """(branches, nodes): +1 at ``a``, -1 at ``b``."""
        return _incidence(self.a, self.b, self.size)

    @cached_property
    def load_incidence(self) -> FloatArray:
        """(loads, nodes): +1 at ``load_a``, -1 at ``load_b``."""
        return _incidence(self.load_a, self.load_b, self.size)

    @cached_property
    def load_stamps(self) -> FloatArray:
        """(loads, nodes * nodes): what one siemens of each load adds to the matrix."""
        rows = self.load_incidence
        return np.asarray(np.einsum("ki,kj->kij", rows, rows).reshape(len(rows), self.size**2))

    @property
    def bar(self) -> IntArray:
        """The ground pin at which the board's return switch sits; empty without ground pins."""
        return self.ground_nodes[:1]

    @property
    def siemens(self) -> FloatArray:
        """Conductance of each branch."""
        return 1 / np.maximum(self.ohm, LEAST_OHM)


def _incidence(a: IntArray, b: IntArray, size: int) -> FloatArray:
    rows = np.zeros((len(a), size))
    rows[np.arange(len(a)), a] += 1.0
    rows[np.arange(len(b)), b] -= 1.0
    return rows


def sound_network(harness: Harness, ambient_c: float) -> Network:
    """The harness exactly as drawn, at ``ambient_c``."""
    tungsten = ((ambient_c + 273.15) / 293.15) ** TUNGSTEN_EXPONENT
    count = len(harness.loads)
    return Network(
        len(harness.nodes),
        *harness.span_ends,
        harness.span_ohm + harness.wire_ohm * COPPER_PER_K * (ambient_c - 20.0),
        *harness.load_ends,
        harness.laws,
        np.ones(count),
        np.full(count, tungsten),
        harness.pin_nodes,
        np.array([harness.index[pin_node(pin)] for pin in harness.profile.connector.ground_pins], dtype=np.int64),
        harness.index[CHASSIS],
    )


@dataclass(frozen=True, slots=True)
class Solution:
    """Node voltages and what follows from them, one row a reading.

    Attributes:
        node_v: (n, nodes), against the board's negative.
        load_a: (n, loads).
        pin_v: (n, pins).
        pin_a: (n, pins), out of the board.
        pin_return_a: (n,), into the board.
        chassis_return_a: (n,), into the board.
        matrix: (n, nodes, nodes), slopes at the solution (symmetric).
    """

    node_v: FloatArray
    load_a: FloatArray
    pin_v: FloatArray
    pin_a: FloatArray
    pin_return_a: FloatArray
    chassis_return_a: FloatArray
    matrix: FloatArray


def solve(network: Network, feeds: Feeds, start_v: FloatArray | None = None, iterations: int = 40) -> Solution:
    """Steady state of every reading; ``start_v`` (n, nodes) is a nearby solution, to save iterations."""
    passive, driven = _passive(network, feeds)
    volts = start_v if start_v is not None else _linear_start(network, feeds, passive, driven)
    state = _Newton(network, feeds, passive, driven, volts)
    for turn in range(iterations):
        # A lamp's knee can throw Newton to and fro for ever; ever shorter steps end that.
        if state.improve(LARGEST_STEP_V * SHRINK ** max(turn - PATIENCE, 0)):
            break
    return _solution(network, feeds, state)


class _Newton:
    """Readings on their way to a solution; those that have arrived rest."""

    def __init__(
        self, network: Network, feeds: Feeds, passive: FloatArray, driven: FloatArray, volts: FloatArray
    ) -> None:
        self.network, self.passive, self.driven, self.volts = network, passive, driven, volts.copy()
        self.cold = network.asleep(feeds.cold)
        self.scale = np.broadcast_to(network.cold_scale, self.cold.shape)
        self.amps, self.matrix = np.zeros_like(self.scale), np.zeros_like(passive)
        self.moving = np.arange(len(volts))

    def improve(self, most_v: float) -> bool:
        """One step of at most ``most_v`` for the readings that still move; whether all have arrived."""
        rows, network = self.moving, self.network
        volts, passive = self.volts[rows], self.passive[rows]
        amps, slope = load_current(
            network.laws,
            volts @ network.load_incidence.T,
            network.factor,
            self.cold[rows],
            self.scale[rows],
            network.conducted,
        )
        matrix = _with_loads(network, passive, slope)
        misfit = self.driven[rows] - (passive @ volts[:, :, None])[:, :, 0] - amps @ network.load_incidence
        step = np.linalg.solve(matrix, misfit[:, :, None])[:, :, 0]
        largest = np.abs(step).max(axis=1)
        self.volts[rows] = volts + step * np.minimum(1.0, most_v / np.maximum(largest, 1e-12))[:, None]
        self.amps[rows], self.matrix[rows] = amps, matrix
        self.moving = rows[largest > CLOSE_ENOUGH_V]
        return not len(self.moving)


def _passive(network: Network, feeds: Feeds) -> tuple[FloatArray, FloatArray]:
    """Conductance matrices (n, nodes, nodes) of everything but the loads, and source currents (n, nodes)."""
    incidence = network.branch_incidence
    shared = (incidence.T * network.siemens) @ incidence
    shared[np.diag_indices(network.size)] += FLOATING_S
    passive = np.repeat(shared[None], len(feeds.siemens), axis=0)
    pins = network.pin_nodes
    passive[:, pins, pins] += feeds.siemens
    bar, rest = network.bar, network.ground_nodes[1:]
    passive[:, bar, bar] += (feeds.pin_return / network.return_ohm + BAR_S * len(rest))[:, None]
    passive[:, rest, rest] += BAR_S
    passive[:, rest, bar] -= BAR_S
    passive[:, bar, rest] -= BAR_S
    passive[:, network.chassis, network.chassis] += feeds.chassis_return / network.clamp_ohm
    driven = np.zeros((len(feeds.siemens), network.size))
    driven[:, pins] = feeds.siemens * feeds.volts
    for node, siemens, volts in network.held:
        passive[:, node, node] += siemens
        driven[:, node] += siemens * volts
    return passive, driven


def _linear_start(network: Network, feeds: Feeds, passive: FloatArray, driven: FloatArray) -> FloatArray:
    """Node voltages with each load a resistance: the one it has fully fed, or cold."""
    fed_v = max(float(feeds.volts.max(initial=0.0)), 1.0)
    volts = np.full((len(driven), len(network.load_a)), fed_v)
    amps, _ = network.load_law(volts, feeds.cold)
    matrix = _with_loads(network, passive, np.maximum(amps / volts, 0.0))
    return np.asarray(np.linalg.solve(matrix, driven[:, :, None])[:, :, 0])


def _with_loads(network: Network, passive: FloatArray, slope: FloatArray) -> FloatArray:
    return np.asarray(passive + (slope @ network.load_stamps).reshape(passive.shape))


def _solution(network: Network, feeds: Feeds, state: _Newton) -> Solution:
    volts = state.volts
    pin_v = volts[:, network.pin_nodes]
    fed_a = feeds.siemens * (feeds.volts - pin_v) + feeds.pull_down_s * pin_v
    return Solution(
        volts,
        state.amps,
        pin_v,
        np.where(feeds.fed, fed_a, 0.0),
        feeds.pin_return * volts[:, network.bar].sum(axis=1) / network.return_ohm,
        feeds.chassis_return * volts[:, network.chassis] / network.clamp_ohm,
        state.matrix,
    )


def predict(measurements: Measurements, harness: Harness | None = None, network: Network | None = None) -> Solution:
    """What a harness would read in the settings of ``measurements`` (sound and as drawn unless told)."""
    harness = harness or build(measurements.profile)
    network = network or sound_network(harness, measurements.ambient_c)
    grounds = measurements.profile.connector.ground_pins
    feeds = feeds_of(measurements.readings, harness.pins, grounds, measurements.board, measurements.supply_v)
    return solve(network, feeds)
