"""The inference's circuit model: a profile as a small network, solved for many readings at once.

Theory. Segments and joints that follow one another without a branch or a load carry the same
current and can't be told apart from outside: they are one *span*. Spans connect *junctions*:
pins, the chassis, load terminals, and nodes where three or more things meet. Nodal analysis
over the junctions, Newton's method for the loads (:mod:`bench.electrical.laws`).

The board is part of the network: a driven pin is held at the voltage that was measured on it,
a probed or pulsed pin hangs on the supply through a known resistor, every pin has its
pull-down, and each closed return switch is a small resistance to the board's negative, which
is node zero of everything.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from heapq import heappop, heappush

import numpy as np
from numpy.typing import NDArray

from bench.electrical.laws import TUNGSTEN_EXPONENT, FloatArray, LoadLaws, load_current
from bench.profiles.model import (
    CHASSIS,
    COPPER_PER_K,
    BoardErrors,
    Joint,
    Load,
    Measurements,
    Profile,
    Reading,
    Segment,
    pin_node,
)

OPEN_OHM = 1e9
FLOATING_S = 1e-9  # from every node to the board's negative: nothing ever floats
HOLD_S = 1e5  # stiffness of a driven pin
RETURN_OHM = 0.005  # a return switch with its lead
CLAMP_OHM = 0.005  # the chassis clamp

Element = Segment | Joint
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Span:
    """Elements in series between two junctions, listed from ``a`` to ``b``."""

    a: str
    b: str
    elements: tuple[Element, ...]

    @property
    def resistance_ohm(self) -> float:
        """At 20 degC."""
        return sum(element.resistance_ohm for element in self.elements)

    @property
    def wire_ohm(self) -> float:
        """The part that is copper, at 20 degC."""
        return sum(element.resistance_ohm for element in self.elements if isinstance(element, Segment))

    @property
    def length_m(self) -> float:
        """Length of its wires."""
        return sum(element.length_m for element in self.elements if isinstance(element, Segment))

    @property
    def ground(self) -> bool:
        """Whether a joint in it is marked as belonging to a return path."""
        return any(isinstance(element, Joint) and element.ground for element in self.elements)


@dataclass(frozen=True)
class Harness:
    """A profile as spans between junctions; ``nodes`` gives the order of all arrays."""

    profile: Profile
    nodes: tuple[str, ...]
    spans: tuple[Span, ...]
    loads: tuple[Load, ...]
    pins: tuple[int, ...]
    laws: LoadLaws

    @cached_property
    def index(self) -> Mapping[str, int]:
        """Position of each node."""
        return {node: position for position, node in enumerate(self.nodes)}

    @cached_property
    def span_ends(self) -> tuple[IntArray, IntArray]:
        """Node positions of the ends of each span."""
        return self._ends([(span.a, span.b) for span in self.spans])

    @cached_property
    def load_ends(self) -> tuple[IntArray, IntArray]:
        """Node positions of the terminals of each load."""
        return self._ends([(load.a, load.b) for load in self.loads])

    @cached_property
    def pin_nodes(self) -> IntArray:
        """Node positions of ``pins``."""
        return np.array([self.index[pin_node(pin)] for pin in self.pins], dtype=np.int64)

    @cached_property
    def span_ohm(self) -> FloatArray:
        """Resistance of each span at 20 degC."""
        return np.array([span.resistance_ohm for span in self.spans])

    @cached_property
    def wire_ohm(self) -> FloatArray:
        """Copper part of each span at 20 degC."""
        return np.array([span.wire_ohm for span in self.spans])

    @cached_property
    def live_side(self) -> Mapping[str, tuple[str, ...]]:
        """For each node, the circuits whose pins reach it through metal alone; none on the ground side."""
        return _live_side(self)

    @cached_property
    def span_circuits(self) -> tuple[tuple[str, ...], ...]:
        """Circuits each span feeds; empty for spans of the ground side."""
        return tuple(self.live_side[span.a] for span in self.spans)

    @cached_property
    def distance_m(self) -> Mapping[str, float]:
        """Metres of wire from the connector to each node."""
        return _distances(self)

    def _ends(self, pairs: Sequence[tuple[str, str]]) -> tuple[IntArray, IntArray]:
        table = np.array([(self.index[a], self.index[b]) for a, b in pairs], dtype=np.int64).reshape(-1, 2)
        return table[:, 0], table[:, 1]


def build(profile: Profile) -> Harness:
    """Merge a profile's segments and joints into spans."""
    neighbours: dict[str, list[Element]] = defaultdict(list)
    elements: tuple[Element, ...] = (*profile.segments, *profile.joints)
    for element in elements:
        neighbours[element.a].append(element)
        neighbours[element.b].append(element)
    fixed = {pin_node(pin.number) for pin in profile.connector.pins} | {CHASSIS}
    for load in profile.loads:
        fixed |= {load.a, load.b}
    junctions = fixed | {node for node, around in neighbours.items() if len(around) != 2}
    spans = _spans(neighbours, junctions)
    nodes = sorted(fixed | {node for span in spans for node in (span.a, span.b)})
    pins = tuple(sorted(pin.number for pin in profile.connector.pins))
    return Harness(profile, tuple(nodes), spans, profile.loads, pins, LoadLaws.of(profile.loads))


def _spans(neighbours: Mapping[str, list[Element]], junctions: set[str]) -> tuple[Span, ...]:
    spans: list[Span] = []
    used: set[str] = set()
    for start in sorted(junctions):
        for first in neighbours.get(start, []):
            if first.name not in used:
                chain, end = _follow(start, first, neighbours, junctions)
                used |= {element.name for element in chain}
                spans.append(Span(start, end, chain))
    return tuple(spans)


def _follow(
    start: str, first: Element, neighbours: Mapping[str, list[Element]], junctions: set[str]
) -> tuple[tuple[Element, ...], str]:
    chain, node = [first], _far_end(first, start)
    while node not in junctions:
        following = next(element for element in neighbours[node] if element is not chain[-1])
        chain.append(following)
        node = _far_end(following, node)
    return tuple(chain), node


def _far_end(element: Element, near: str) -> str:
    return element.b if element.a == near else element.a


def _live_side(harness: Harness) -> dict[str, tuple[str, ...]]:
    profile = harness.profile
    reached: dict[str, list[str]] = {node: [] for node in harness.nodes}
    around: dict[str, set[str]] = defaultdict(set)
    for span in harness.spans:
        around[span.a].add(span.b)
        around[span.b].add(span.a)
    for circuit in profile.circuits:
        waiting, seen = [pin_node(circuit.pin)], {pin_node(circuit.pin)}
        while waiting:
            node = waiting.pop()
            reached[node].append(circuit.name)
            fresh = around[node] - seen
            seen |= fresh
            waiting.extend(fresh)
    return {node: tuple(names) for node, names in reached.items()}


def _distances(harness: Harness) -> dict[str, float]:
    around: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for span in harness.spans:
        around[span.a].append((span.b, span.length_m))
        around[span.b].append((span.a, span.length_m))
    best = {pin_node(pin): 0.0 for pin in harness.pins}
    waiting = [(0.0, node) for node in sorted(best)]
    while waiting:
        metres, node = heappop(waiting)
        for other, length in around[node] if metres <= best[node] else ():
            if metres + length < best.get(other, np.inf):
                best[other] = metres + length
                heappush(waiting, (metres + length, other))
    return best


@dataclass(frozen=True, slots=True)
class Feeds:
    """What the board does in each of ``n`` readings: a conductance to a source at every pin.

    Attributes:
        siemens, volts: (n, pins), source conductance and source voltage (pull-downs included).
        pull_down_s: conductance of a pull-down.
        pin_return, chassis_return: (n,), whether each return switch is closed.
        cold: (n,), filaments are cold and control units asleep.
    """

    siemens: FloatArray
    volts: FloatArray
    pull_down_s: float
    pin_return: NDArray[np.bool_]
    chassis_return: NDArray[np.bool_]
    cold: NDArray[np.bool_]


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
        np.array([reading.returns in ("pin", "both") for reading in readings]),
        np.array([reading.returns in ("chassis", "both") for reading in readings]),
        np.array([reading.how != "drive" for reading in readings]),
    )


def _source(reading: Reading, pin: int, board: BoardErrors, supply_v: float) -> tuple[float, float]:
    supply = supply_v if reading.supply_v is None else reading.supply_v
    if reading.how == "probe":
        return 1 / board.probe_ohm, supply
    if reading.how == "pulse":
        return 1 / board.pulse_ohm, supply
    return HOLD_S, reading.pin_v.get(pin, supply * reading.level)


@dataclass(frozen=True, slots=True)
class State:
    """A harness and a board as they may really be: everything a fit can vary.

    Attributes:
        span_ohm: (spans,), at their temperature.
        load_factor: (loads,), multiplies the current of each load.
        cold_scale: (loads,), multiplies the cold resistance of each filament.
        return_ohm, clamp_ohm: the board's pin return and chassis clamp.
        extra: bridges that should not be there: node, node, ohm.
    """

    span_ohm: FloatArray
    load_factor: FloatArray
    cold_scale: FloatArray
    return_ohm: float = RETURN_OHM
    clamp_ohm: float = CLAMP_OHM
    extra: tuple[tuple[int, int, float], ...] = ()


def sound_state(harness: Harness, ambient_c: float) -> State:
    """The harness exactly as drawn, at ``ambient_c``."""
    copper = COPPER_PER_K * (ambient_c - 20.0)
    tungsten = ((ambient_c + 273.15) / 293.15) ** TUNGSTEN_EXPONENT
    count = len(harness.loads)
    return State(harness.span_ohm + harness.wire_ohm * copper, np.ones(count), np.full(count, tungsten))


@dataclass(frozen=True, slots=True)
class Solution:
    """Node voltages and what follows from them, one row a reading.

    Attributes:
        node_v: (n, nodes), against the board's negative.
        load_a, load_slope_s: (n, loads).
        pin_a: (n, pins), out of the board.
        pin_return_a, chassis_return_a: (n,), into the board.
        matrix: (n, nodes, nodes), slopes at the solution (symmetric).
    """

    node_v: FloatArray
    load_a: FloatArray
    load_slope_s: FloatArray
    pin_a: FloatArray
    pin_return_a: FloatArray
    chassis_return_a: FloatArray
    matrix: FloatArray


def solve(
    harness: Harness, feeds: Feeds, state: State, start_v: FloatArray | None = None, iterations: int = 40
) -> Solution:
    """Steady state of every reading.

    ``start_v`` (n, nodes) is a nearby solution, to save iterations.
    """
    passive, driven = _passive(harness, feeds, state)
    ends = harness.load_ends
    volts = start_v if start_v is not None else _linear_start(harness, feeds, state, passive, driven)
    for _ in range(iterations):
        amps, slope = load_current(
            harness.laws, volts[:, ends[0]] - volts[:, ends[1]], state.load_factor, feeds.cold, state.cold_scale
        )
        matrix = _with_loads(passive, ends, slope)
        misfit = driven - (passive @ volts[:, :, None])[:, :, 0] - _load_injection(volts.shape, ends, amps)
        step = np.linalg.solve(matrix, misfit[:, :, None])[:, :, 0]
        largest = np.abs(step).max(axis=1, keepdims=True)
        volts = volts + step * np.minimum(1.0, 4.0 / np.maximum(largest, 1e-12))
        if largest.max() < 1e-7:
            break
    return _solution(harness, feeds, state, volts, amps, slope, matrix)


def _passive(harness: Harness, feeds: Feeds, state: State) -> tuple[FloatArray, FloatArray]:
    """Conductance matrices (n, nodes, nodes) of everything but the loads, and source currents (n, nodes)."""
    size, readings = len(harness.nodes), len(feeds.siemens)
    shared = np.zeros((size, size))
    stamp(shared, *harness.span_ends, 1 / np.maximum(state.span_ohm, 1e-5))
    for a, b, ohm in state.extra:
        stamp(shared, np.array([a]), np.array([b]), np.array([1 / max(ohm, 1e-5)]))
    shared[np.diag_indices(size)] += FLOATING_S
    passive = np.repeat(shared[None], readings, axis=0)
    pins = harness.pin_nodes
    passive[:, pins, pins] += feeds.siemens
    for node in _ground_nodes(harness):
        passive[:, node, node] += feeds.pin_return / state.return_ohm
    chassis = harness.index[CHASSIS]
    passive[:, chassis, chassis] += feeds.chassis_return / state.clamp_ohm
    driven = np.zeros((readings, size))
    driven[:, pins] = feeds.siemens * feeds.volts
    return passive, driven


def _ground_nodes(harness: Harness) -> list[int]:
    return [harness.index[pin_node(pin)] for pin in harness.profile.connector.ground_pins]


def stamp(matrix: FloatArray, a: IntArray, b: IntArray, siemens: FloatArray) -> None:
    """Add conductances between ``a`` and ``b`` to ``matrix`` (nodes, nodes) in place."""
    np.add.at(matrix, (a, a), siemens)
    np.add.at(matrix, (b, b), siemens)
    np.add.at(matrix, (a, b), -siemens)
    np.add.at(matrix, (b, a), -siemens)


def _linear_start(harness: Harness, feeds: Feeds, state: State, passive: FloatArray, driven: FloatArray) -> FloatArray:
    """Node voltages with each load a resistance: the one at the profile's voltage, or cold."""
    volts = np.full((len(feeds.siemens), len(harness.loads)), float(harness.profile.nominal_v))
    amps, _ = load_current(harness.laws, volts, state.load_factor, feeds.cold, state.cold_scale)
    matrix = _with_loads(passive, harness.load_ends, np.maximum(amps / volts, 0.0))
    return np.asarray(np.linalg.solve(matrix, driven[:, :, None])[:, :, 0])


def _with_loads(passive: FloatArray, ends: tuple[IntArray, IntArray], slope: FloatArray) -> FloatArray:
    matrix, (a, b) = passive.copy(), ends
    rows = np.arange(len(passive))[:, None]
    np.add.at(matrix, (rows, a, a), slope)
    np.add.at(matrix, (rows, b, b), slope)
    np.add.at(matrix, (rows, a, b), -slope)
    np.add.at(matrix, (rows, b, a), -slope)
    return matrix


def _load_injection(shape: tuple[int, ...], ends: tuple[IntArray, IntArray], amps: FloatArray) -> FloatArray:
    out = np.zeros(shape)
    rows = np.arange(shape[0])[:, None]
    np.add.at(out, (rows, ends[0]), amps)
    np.add.at(out, (rows, ends[1]), -amps)
    return out


def _solution(
    harness: Harness,
    feeds: Feeds,
    state: State,
    volts: FloatArray,
    amps: FloatArray,
    slope: FloatArray,
    matrix: FloatArray,
) -> Solution:
    pin_v = volts[:, harness.pin_nodes]
    fed_a = feeds.siemens * (feeds.volts - pin_v) + feeds.pull_down_s * pin_v
    ground_v = volts[:, _ground_nodes(harness)].sum(axis=1)
    return Solution(
        volts,
        amps,
        slope,
        np.where(feeds.siemens > feeds.pull_down_s, fed_a, 0.0),
        feeds.pin_return * ground_v / state.return_ohm,
        feeds.chassis_return * volts[:, harness.index[CHASSIS]] / state.clamp_ohm,
        matrix,
    )


def predict(measurements: Measurements, harness: Harness | None = None, state: State | None = None) -> Solution:
    """What a harness would read in the settings of ``measurements`` (sound and as drawn unless told)."""
    harness = harness or build(measurements.profile)
    state = state or sound_state(harness, measurements.ambient_c)
    pins, grounds = harness.pins, measurements.profile.connector.ground_pins
    feeds = feeds_of(measurements.readings, pins, grounds, measurements.board, measurements.supply_v)
    return solve(harness, feeds, state)


def with_open_span(state: State, span: int) -> State:
    """The same with one span parted."""
    ohm = state.span_ohm.copy()
    ohm[span] = OPEN_OHM
    return replace(state, span_ohm=ohm)
