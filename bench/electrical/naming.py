"""From a fitted fault to the trade's word for it, its size, and the places it may be at.

Practical gates live here: a deviation too small to matter to anybody is named nothing at all,
however surely it is there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from bench.electrical.candidates import Candidate, Topology, open_rate, out_rate
from bench.electrical.faults import Bridge, Foreign, Leak, Series, Touch, WrongLoad
from bench.electrical.harness import Element, Span
from bench.electrical.laws import UNIT
from bench.profiles.model import Segment
from bench.results import FindingKind, Size, Where

LEAST_SERIES_OHM = 0.25
LEAST_GROUND_OHM = 0.18
OPEN_FROM_OHM = 200.0
SHORT_OHM = 0.62
MOST_LEAK_OHM = 150.0
LEAST_CHANGE = 0.25
OUT_FACTOR = 0.12
UNIT_CHANGE = 0.3
JOINT_WEIGHT = 3.0  # contacts go bad more often than wire
WIRE_WEIGHT = 1.0


@dataclass(frozen=True, slots=True)
class Named:
    """A fault in words: its kind, circuits, size and main place."""

    kind: FindingKind
    circuits: tuple[str, ...]
    size: Size | None
    where: Where | None
    whole_ground: bool = False

    @property
    def key(self) -> tuple[str, tuple[str, ...]]:
        """What must be right for a finding to be right."""
        return self.kind, self.circuits


def name(topology: Topology, candidate: Candidate, q: Sequence[float]) -> Named | None:
    """The word for a fault with sizes ``q``; None when it is too small to matter."""
    match candidate.fault:
        case Series():
            return _series(topology, candidate, candidate.fault, q)
        case WrongLoad():
            return _load(topology, candidate, candidate.fault, q)
        case Leak():
            return _leak(topology, candidate, candidate.fault, q)
        case Bridge() as bridge:
            kind: FindingKind = "back-feed" if bridge.one_way else "cross-connection"
            where = node_place(topology, bridge.a)
            return Named(kind, candidate.circuits, Size(bridge.ohm(q), "Ω"), where)
        case Touch() as touch:
            where = along_span(topology, touch.one, touch.share(q))
            return Named("cross-connection", candidate.circuits, Size(touch.ohm(q), "Ω"), where)
        case Foreign() as foreign:
            where = node_place(topology, foreign.node)
            return Named("short-to-supply", candidate.circuits, Size(foreign.volts(q), "V"), where)
    return None


def _series(topology: Topology, candidate: Candidate, fault: Series, q: Sequence[float]) -> Named | None:
    harness, span = topology.harness, topology.harness.spans[fault.span]
    live, ohm = bool(harness.span_circuits[fault.span]), fault.ohm(q)
    if ohm < (LEAST_SERIES_OHM if live else LEAST_GROUND_OHM):
        return None
    where = span_place(topology, span)
    is_open = ohm > OPEN_FROM_OHM
    size = None if is_open else Size(ohm, "Ω")
    if not live:
        kind: FindingKind = "ground-open" if is_open else "ground-high-resistance"
        whole = not topology.cut[fault.span] or len(candidate.circuits) == len(harness.profile.circuits)
        return Named(kind, candidate.circuits, size, where, whole)
    if _feeds_unit(topology, candidate.circuits):
        return Named("abs-supply", candidate.circuits, size, where)
    return Named("open" if is_open else "high-resistance", candidate.circuits, size, where)


def _load(topology: Topology, candidate: Candidate, fault: WrongLoad, q: Sequence[float]) -> Named | None:
    factor, where = fault.factor(q), load_place(topology, fault.load)
    if topology.harness.laws.kind[fault.load] == UNIT:
        if abs(factor - 1) < UNIT_CHANGE:
            return None
        # Constant power: too much current means too little voltage, as much as too little means none.
        return Named("abs-supply", candidate.circuits, Size(factor, "1"), where)
    if factor < OUT_FACTOR:
        if len(topology.harness.profile.loads_of(candidate.circuits[0])) == 1:
            return Named("open", candidate.circuits, None, where)
        return Named("lamp-out", candidate.circuits, Size(1.0, "lamps"), where)
    if abs(factor - 1) < LEAST_CHANGE:
        return None
    return Named("wrong-load", candidate.circuits, Size(factor, "1"), where)


def _leak(topology: Topology, candidate: Candidate, fault: Leak, q: Sequence[float]) -> Named | None:
    ohm = fault.ohm(q)
    if ohm > MOST_LEAK_OHM:
        return None
    where = along_span(topology, fault.span, fault.share(q))
    kind: FindingKind = "short-to-ground" if ohm < SHORT_OHM else "overload"
    return Named(kind, candidate.circuits, Size(ohm, "Ω"), where)


def _feeds_unit(topology: Topology, circuits: Sequence[str]) -> bool:
    harness = topology.harness
    return any(
        load.circuit in circuits and kind == UNIT
        for load, kind in zip(harness.loads, harness.laws.kind.tolist(), strict=True)
    )


# --- places ---


def element_place(topology: Topology, span: Span, element: Element) -> Where:
    """A wire or joint of a span; distance to its end nearer the connector."""
    metres, from_b = _span_start(topology, span)
    chain = span.elements[::-1] if from_b else span.elements
    for other in chain:
        if other is element:
            break
        metres += other.length_m if isinstance(other, Segment) else 0.0
    return Where("segment" if isinstance(element, Segment) else "joint", element.name, round(metres, 2))


def _span_start(topology: Topology, span: Span) -> tuple[float, bool]:
    """Distance of the span's nearer end, and whether that is ``b``."""
    distance = topology.harness.distance_m
    a, b = distance.get(span.a, 0.0), distance.get(span.b, 0.0)
    return min(a, b), b < a


def span_places(topology: Topology, span: Span) -> list[tuple[Where, float]]:
    """Every element of a span with its share of the blame; they can't be told apart from outside."""
    weights = [WIRE_WEIGHT if isinstance(element, Segment) else JOINT_WEIGHT for element in span.elements]
    total = sum(weights)
    return [
        (element_place(topology, span, element), weight / total)
        for element, weight in zip(span.elements, weights, strict=True)
    ]


def span_place(topology: Topology, span: Span) -> Where | None:
    """The likeliest element of a span."""
    places = span_places(topology, span)
    return max(places, key=lambda place: place[1])[0] if places else None


def load_place(topology: Topology, load: int) -> Where:
    """A lamp or another load."""
    one = topology.harness.loads[load]
    component = topology.harness.laws.kind[load] == UNIT
    metres = topology.harness.distance_m.get(one.a)
    return Where("component" if component else "lamp", one.name, None if metres is None else round(metres, 2))


def along_span(topology: Topology, number: int, share: float) -> Where | None:
    """The wire at ``share`` of a span's resistance from its first end."""
    span = topology.harness.spans[number]
    before, wanted = 0.0, share * span.resistance_ohm
    metres, from_b = _span_start(topology, span)
    covered = 0.0
    best: Where | None = None
    for element in span.elements:
        length = element.length_m if isinstance(element, Segment) else 0.0
        if isinstance(element, Segment):
            inside = min(max((wanted - before) / max(element.resistance_ohm, 1e-12), 0.0), 1.0)
            at = covered + inside * length
            metres_here = metres + (span.length_m - at if from_b else at)
            best = Where("segment", element.name, round(metres_here, 2))
            if before + element.resistance_ohm >= wanted:
                return best
        before += element.resistance_ohm
        covered += length
    return best


def node_place(topology: Topology, node: int) -> Where | None:
    """The element that leads to a junction from the connector's side."""
    harness = topology.harness
    label = harness.nodes[node]
    spans = [span for span in harness.spans if label in (span.a, span.b) and span.elements]
    if not spans:
        return None
    nearest = min(spans, key=lambda span: _span_start(topology, span)[0])
    elements = nearest.elements if nearest.a == label else nearest.elements[::-1]
    where = element_place(topology, nearest, elements[0])
    metres = harness.distance_m.get(label)
    return Where(where.place, where.name, None if metres is None else round(metres, 2))


# --- what is the same from outside ---

Spot = tuple[FindingKind, Where | None, float]


def same_from_outside(topology: Topology, candidate: Candidate, named: Named) -> list[Spot]:
    """What no reading can tell from ``named``, itself included: kind, place and share, which sum to 1."""
    match candidate.fault:
        case WrongLoad(load=load) if named.kind in ("lamp-out", "open"):
            return _dead_or_open(topology, load)
        case Series(span=span) if named.size is None and len(topology.cut[span]) == 1:
            return _dead_or_open(topology, next(iter(topology.cut[span])))
        case Series(span=span):
            return [(named.kind, where, share) for where, share in span_places(topology, topology.harness.spans[span])]
    return [(named.kind, named.where, 1.0)]


def _dead_or_open(topology: Topology, load: int) -> list[Spot]:
    """A dead load, and every wire and contact, fed or ground, that only this load hangs on."""
    harness = topology.harness
    spans = [number for number, cut in enumerate(topology.cut) if cut == frozenset({load})]
    rates = [open_rate(harness, span) for span in spans]
    total = out_rate(harness, load) + sum(rates)
    unit = harness.laws.kind[load] == UNIT  # one word for all of it: the unit does not get its supply
    spots: list[Spot] = [
        ("abs-supply" if unit else "lamp-out", load_place(topology, load), out_rate(harness, load) / total)
    ]
    for span, rate in zip(spans, rates, strict=True):
        fed: FindingKind = "open" if harness.span_circuits[span] else "ground-open"
        kind = "abs-supply" if unit else fed
        places = span_places(topology, harness.spans[span])
        spots += [(kind, where, share * rate / total) for where, share in places]
    return spots
