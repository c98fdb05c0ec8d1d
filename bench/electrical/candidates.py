"""Every single fault worth considering in a harness, with how often workshops meet it.

Rates are prior odds of one fault at one place on a trailer that comes in (assumptions from
common practice: lamps die most, then contacts corrode, then wires chafe and part). They matter
only where the readings leave a choice.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from bench.electrical.faults import Bridge, Fault, Foreign, Leak, Series, Touch, WrongLoad
from bench.electrical.harness import Harness
from bench.electrical.laws import LED
from bench.electrical.network import OPEN_OHM
from bench.profiles.model import CHASSIS, Circuit, pin_node

FILAMENT_OUT = 0.008
LED_OUT = 0.004
WRONG_LOAD = 0.001
OPEN = 0.002
OPEN_EACH = 0.0005  # more for every wire and contact in it
SERIES = 0.004
SHORT = 0.002
LEAK = 0.002
CROSS = 0.002
BACK_FEED = 0.0005
GROUND_OPEN = 0.005
GROUND_SERIES = 0.006
FOREIGN = 0.001
BESIDE_M = 0.5


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fault with the circuits it concerns and its prior log odds."""

    fault: Fault
    circuits: tuple[str, ...]
    log_prior: float


@dataclass(frozen=True)
class Topology:
    """Who depends on what in a harness."""

    harness: Harness

    @cached_property
    def cut(self) -> tuple[frozenset[int], ...]:
        """For each span, the loads that lose their feed or their return when it opens."""
        return tuple(self._lost(span) for span in range(len(self.harness.spans)))

    def _lost(self, without: int) -> frozenset[int]:
        harness = self.harness
        fed = {c.name: self._reach({pin_node(c.pin)}, without) for c in harness.profile.circuits}
        sinks = {pin_node(pin) for pin in harness.profile.connector.ground_pins} | {CHASSIS}
        grounded = self._reach(sinks & set(harness.nodes), without)
        return frozenset(
            number
            for number, load in enumerate(harness.loads)
            if load.a not in fed.get(load.circuit, set()) or load.b not in grounded
        )

    def _reach(self, start: set[str], without: int) -> set[str]:
        around: dict[str, list[str]] = defaultdict(list)
        for number, span in enumerate(self.harness.spans):
            if number != without:
                around[span.a].append(span.b)
                around[span.b].append(span.a)
        seen, waiting = set(start), list(start)
        while waiting:
            fresh = set(around[waiting.pop()]) - seen
            seen |= fresh
            waiting.extend(fresh)
        return seen

    @cached_property
    def live_spans(self) -> tuple[int, ...]:
        """Spans that some circuit feeds through metal."""
        return tuple(n for n, circuits in enumerate(self.harness.span_circuits) if circuits)

    def load_circuits(self, loads: frozenset[int]) -> tuple[str, ...]:
        """Circuits of some loads, in the profile's order."""
        names = {self.harness.loads[number].circuit for number in loads}
        return tuple(c.name for c in self.harness.profile.circuits if c.name in names)

    def span_circuits(self, span: int) -> tuple[str, ...]:
        """Circuits that a span concerns: those it feeds; for a ground, those that lose it, else all."""
        fed = self.harness.span_circuits[span]
        if fed:
            return fed
        lost = self.load_circuits(self.cut[span])
        return lost or tuple(c.name for c in self.harness.profile.circuits)

    def nearest_ground(self, node: str) -> int | None:
        """The ground-side junction whose wire distance is nearest to that of ``node``."""
        harness = self.harness
        grounds = [n for n in harness.nodes if not harness.live_side[n] and n in harness.distance_m and n != CHASSIS]
        if not grounds:
            return None
        at = harness.distance_m.get(node, 0.0)
        return harness.index[min(grounds, key=lambda ground: abs(harness.distance_m[ground] - at))]


def candidates(topology: Topology, crossed: Sequence[tuple[str, str]], lifted: Sequence[str]) -> list[Candidate]:
    """All single faults.

    ``crossed`` are pairs of circuits that some reading may show joined, ``lifted`` circuits that
    were up without being fed; the rest of such faults need not be tried.
    """
    return [
        *_series(topology),
        *_loads(topology.harness),
        *_leaks(topology),
        *_bridges(topology.harness, crossed),
        *_foreign(topology.harness, lifted),
    ]


def open_rate(harness: Harness, span: int) -> float:
    """How often a span is open."""
    return OPEN + OPEN_EACH * len(harness.spans[span].elements)


def out_rate(harness: Harness, load: int) -> float:
    """How often a lamp is dead."""
    return LED_OUT if harness.laws.kind[load] == LED else FILAMENT_OUT


def _series(topology: Topology) -> Iterator[Candidate]:
    harness = topology.harness
    for number, span in enumerate(harness.spans):
        circuits, live = topology.span_circuits(number), bool(harness.span_circuits[number])
        if not span.elements or harness.span_ohm[number] > 0.1 * OPEN_OHM:
            continue
        if len(topology.cut[number]) != 1 or (live and len(harness.profile.loads_of(circuits[0])) == 1):
            rate = open_rate(harness, number) if live else GROUND_OPEN
            yield Candidate(Series(number, open=True), circuits, float(np.log(rate)))
        yield Candidate(Series(number), circuits, float(np.log(SERIES if live else GROUND_SERIES)))


def _loads(harness: Harness) -> Iterator[Candidate]:
    for number, load in enumerate(harness.loads):
        if len(harness.profile.loads_of(load.circuit)) > 1:
            yield Candidate(WrongLoad(number, out=True), (load.circuit,), float(np.log(out_rate(harness, number))))
        yield Candidate(WrongLoad(number), (load.circuit,), float(np.log(WRONG_LOAD)))


def _leaks(topology: Topology) -> Iterator[Candidate]:
    harness = topology.harness
    for number in topology.live_spans:
        span = harness.spans[number]
        targets = {harness.index[CHASSIS], topology.nearest_ground(span.b)} - {None}
        for to in sorted(target for target in targets if target is not None):
            for short, rate in ((True, SHORT), (False, LEAK)):
                prior = float(np.log(rate / len(targets)))
                yield Candidate(Leak(number, to, short), topology.span_circuits(number), prior)


def _bridges(harness: Harness, crossed: Sequence[tuple[str, str]]) -> Iterator[Candidate]:
    by_name = {circuit.name: circuit for circuit in harness.profile.circuits}
    for one, other in crossed:
        places = _facing(harness, by_name[one], by_name[other])
        beside = _side_by_side(harness, one, other)
        share = CROSS / (len(places) + len(beside))
        for touch in beside:
            yield Candidate(touch, (one, other), float(np.log(share)))
        for a, b in places:
            yield Candidate(Bridge(a, b), (one, other), float(np.log(share)))
            for start, end in ((a, b), (b, a)):
                prior = float(np.log(BACK_FEED / len(places)))
                yield Candidate(Bridge(start, end, one_way=True), (one, other), prior)


def _facing(harness: Harness, one: Circuit, other: Circuit) -> list[tuple[int, int]]:
    """Pairs of junctions of two circuits at about the same distance from the connector."""
    mine, theirs = (_junctions(harness, circuit) for circuit in (one, other))
    pairs = {(pin_node(one.pin), pin_node(other.pin))}
    for left, right, flip in ((mine, theirs, False), (theirs, mine, True)):
        for node in left:
            near = min(right, key=lambda far: abs(harness.distance_m[far] - harness.distance_m[node]))
            pairs.add((near, node) if flip else (node, near))
    return sorted((harness.index[a], harness.index[b]) for a, b in pairs)


def _side_by_side(harness: Harness, one: str, other: str) -> list[Touch]:
    """For each wire of either circuit the wire of the other circuit that runs beside it farthest."""
    mine, theirs = ([n for n, fed in enumerate(harness.span_circuits) if name in fed] for name in (one, other))
    pairs = [(span, max(theirs, key=lambda far: _overlap(harness, span, far))) for span in mine]
    pairs += [(max(mine, key=lambda near: _overlap(harness, near, span)), span) for span in theirs]
    return [
        Touch(near, far, *(_shares(harness, span, *_common(harness, near, far)) for span in (near, far)))
        for near, far in dict.fromkeys(pairs)
        if _overlap(harness, near, far) > BESIDE_M
    ]


def _overlap(harness: Harness, one: int, other: int) -> float:
    """Metres that two spans run at the same distance from the connector."""
    start, end = _common(harness, one, other)
    return end - start


def _common(harness: Harness, one: int, other: int) -> tuple[float, float]:
    """Distances from the connector between which two spans run side by side; the wrong way round if nowhere."""
    (low, high), (start, end) = (_range(harness, span) for span in (one, other))
    return max(low, start), min(high, end)


def _range(harness: Harness, span: int) -> tuple[float, float]:
    ends = sorted(harness.distance_m.get(node, 0.0) for node in (harness.spans[span].a, harness.spans[span].b))
    return ends[0], ends[1]


def _shares(harness: Harness, span: int, near_m: float, far_m: float) -> tuple[float, float]:
    """Two distances from the connector as shares of a span, from its first node."""
    low, high = _range(harness, span)
    near, far = (near_m - low) / (high - low), (far_m - low) / (high - low)
    return (near, far) if _outward(harness, span) else (1 - near, 1 - far)


def _outward(harness: Harness, span: int) -> bool:
    ends = harness.spans[span]
    return harness.distance_m.get(ends.a, 0.0) <= harness.distance_m.get(ends.b, 0.0)


def _junctions(harness: Harness, circuit: Circuit) -> list[str]:
    return [node for node in harness.nodes if circuit.name in harness.live_side[node]]


def _foreign(harness: Harness, lifted: Sequence[str]) -> Iterator[Candidate]:
    for circuit in harness.profile.circuits:
        if circuit.name in lifted:
            typical_v = 1.05 * harness.profile.nominal_v
            nodes = _junctions(harness, circuit)
            for node in nodes:
                prior = float(np.log(FOREIGN / len(nodes)))
                yield Candidate(Foreign(harness.index[node], typical_v), (circuit.name,), prior)


def all_pairs(harness: Harness) -> list[tuple[str, str]]:
    """Every two circuits."""
    return list(combinations([circuit.name for circuit in harness.profile.circuits], 2))
