"""Random faults for a harness, and what a right answer to them would be."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from random import Random

from bench.electrical.candidates import Topology
from bench.electrical.harness import build
from bench.electrical.laws import FILAMENT, LED, UNIT
from bench.profiles.model import ControlUnit, Filament, InjectedFault, Joint, Profile, Segment, pin_node

BESIDE_M = 1.5  # wires of one bundle, measured along them


@dataclass(frozen=True, slots=True)
class Drawn:
    """A fault with the answers that are right: (kind, circuits), the likeliest first."""

    line: str
    fault: InjectedFault
    answers: tuple[tuple[str, tuple[str, ...]], ...]
    metres: float | None = None
    lamps: int = 0
    ohm: float = 0.0

    @property
    def circuits(self) -> tuple[str, ...]:
        """Circuits of the likeliest answer."""
        return self.answers[0][1]


class Shop:
    """Draws faults for one harness."""

    def __init__(self, profile: Profile, rng: Random) -> None:
        self.profile, self.rng = profile, rng
        self.topology = Topology(build(profile))
        harness = self.topology.harness
        self.span_of = {element.name: n for n, span in enumerate(harness.spans) for element in span.elements}
        self.every = tuple(circuit.name for circuit in profile.circuits)

    def draw(self, line: str) -> Drawn | None:
        """A fault of one line of the table; None where this harness has no place for it."""
        method = getattr(self, f"_{line.split(':')[0].replace('-', '_')}")
        drawn: Drawn | None = method(line)
        return drawn

    def _elements(self, *, ground: bool, circuits: Sequence[str] | None = None) -> list[Segment | Joint]:
        harness = self.topology.harness
        out: list[Segment | Joint] = []
        every: list[Segment | Joint] = [*self.profile.segments, *self.profile.joints]
        for element in every:
            fed = harness.span_circuits[self.span_of[element.name]]
            if ground != bool(fed) and (circuits is None or set(fed) & set(circuits)):
                out.append(element)
        return out

    def _lamp_circuits(self, kind: int) -> list[str]:
        """Circuits whose lamps are all of one kind."""
        harness = self.topology.harness
        out = []
        for circuit in self.profile.circuits:
            kinds = {
                int(k) for k, load in zip(harness.laws.kind, harness.loads, strict=True) if load.circuit == circuit.name
            }
            if kinds == {kind}:
                out.append(circuit.name)
        return out

    def _answers_for_cut(self, name: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """What an opened element is, by what it cuts off."""
        number = self.span_of[name]
        cut, fed = self.topology.cut[number], self.topology.harness.span_circuits[number]
        circuits = self.topology.span_circuits(number)
        first = "open" if fed else "ground-open"
        if len(cut) == 1:
            unit = self.topology.harness.laws.kind[next(iter(cut))] == UNIT
            return (("abs-supply", circuits),) if unit else ((first, circuits), ("lamp-out", circuits))
        return ((first, circuits),)

    def _open(self, line: str) -> Drawn | None:
        filament = self._lamp_circuits(FILAMENT)
        every = self._elements(ground=False)
        plain = [e for e in every if self._is_trunk(e.name) or set(self._fed(e.name)) & set(filament)]
        element = self.rng.choice(plain)
        answers = self._answers_for_cut(element.name)
        return Drawn(line, InjectedFault("open", element.name, position=self.rng.random()), answers)

    def _lamp_out(self, line: str) -> Drawn | None:
        circuits = self._lamp_circuits(LED if line.endswith("led") else FILAMENT)
        lamps = [load for load in self.profile.loads if load.circuit in circuits]
        if not lamps:
            return None
        lamp = self.rng.choice(lamps)
        alone = len(self.profile.loads_of(lamp.circuit)) == 1
        answers = [("lamp-out", (lamp.circuit,))]
        if alone:
            answers.append(("open", (lamp.circuit,)))
        return Drawn(line, InjectedFault("lamp-out", lamp.name), tuple(answers), lamps=0 if alone else 1)

    def _series(self, line: str) -> Drawn | None:
        circuits = self._lamp_circuits(LED if line.endswith("led") else FILAMENT)
        choices = [e for e in self._elements(ground=False, circuits=circuits) if self._is_trunk(e.name)]
        if not choices:
            return None
        element, ohm = self.rng.choice(choices), exp(self.rng.uniform(log(0.3), log(6.0)))
        fault = InjectedFault("high-resistance", element.name, position=self.rng.random(), ohm=ohm)
        return Drawn(
            line, fault, (("high-resistance", self.topology.span_circuits(self.span_of[element.name])),), ohm=ohm
        )

    def _fed(self, name: str) -> tuple[str, ...]:
        return self.topology.harness.span_circuits[self.span_of[name]]

    def _is_trunk(self, name: str) -> bool:
        """Whether the element carries its circuit's whole current."""
        number = self.span_of[name]
        (circuit,) = self.topology.harness.span_circuits[number][:1]
        return len(self.topology.cut[number]) == len(self.profile.loads_of(circuit))

    def _series_branch(self, line: str) -> Drawn | None:
        circuits = self._lamp_circuits(FILAMENT)
        choices = [e for e in self._elements(ground=False, circuits=circuits) if not self._is_trunk(e.name)]
        if not choices:
            return None
        element, ohm = self.rng.choice(choices), exp(self.rng.uniform(log(0.3), log(6.0)))
        fault = InjectedFault("high-resistance", element.name, position=self.rng.random(), ohm=ohm)
        return Drawn(
            line, fault, (("high-resistance", self.topology.span_circuits(self.span_of[element.name])),), ohm=ohm
        )

    def _short(self, line: str) -> Drawn | None:
        wires = [e for e in self._elements(ground=False) if isinstance(e, Segment)]
        wire, position = self.rng.choice(wires), self.rng.random()
        ohm = exp(self.rng.uniform(log(0.002), log(0.02 if line.endswith("hard") else 0.3)))
        fault = InjectedFault("short-to-ground", wire.name, position=position, ohm=ohm)
        circuits = self.topology.span_circuits(self.span_of[wire.name])
        return Drawn(line, fault, (("short-to-ground", circuits),), metres=self._metres(wire, position), ohm=ohm)

    def _metres(self, wire: Segment, position: float) -> float:
        """Drawn distance from the connector along the wires."""
        harness = self.topology.harness
        span = harness.spans[self.span_of[wire.name]]
        covered = 0.0
        for element in span.elements:
            if element is wire:
                break
            covered += element.length_m if isinstance(element, Segment) else 0.0
        # Elements are listed from the span's first end, which may be the far one.
        forwards = self._node_before(span.elements, wire, span.a) == wire.a
        inside = (position if forwards else 1 - position) * wire.length_m
        start, end = harness.distance_m[span.a], harness.distance_m[span.b]
        along = covered + inside
        return start + along if start <= end else end + span.length_m - along

    def _node_before(self, elements: Sequence[Segment | Joint], wire: Segment, start: str) -> str:
        node = start
        for element in elements:
            if element is wire:
                return node
            node = element.b if element.a == node else element.a
        return node

    def _overload(self, line: str) -> Drawn | None:
        circuit = self.rng.choice([c for c in self.profile.circuits if c.lit])
        wires = [e for e in self._elements(ground=False, circuits=[circuit.name]) if isinstance(e, Segment)]
        ohm = exp(self.rng.uniform(log(1.0), log(12.0)))
        fault = InjectedFault("overload", self.rng.choice(wires).name, position=self.rng.random(), ohm=ohm)
        return Drawn(line, fault, (("overload", (circuit.name,)), ("wrong-load", (circuit.name,))), ohm=ohm)

    def _cross(self, line: str) -> Drawn | None:
        one, other = self.rng.sample(list(self.profile.circuits), 2)
        ohm = exp(self.rng.uniform(log(0.01), log(0.5)))
        position = self.rng.random()
        beside = self._side_by_side(one.name, other.name, position)
        if not beside or self.rng.random() < 0.5:
            fault = InjectedFault("cross-connection", pin_node(one.pin), other=pin_node(other.pin), ohm=ohm)
        else:
            a, b = self.rng.choice(beside)
            fault = InjectedFault("cross-connection", a, other=b, position=position, ohm=ohm)
        names = tuple(c.name for c in self.profile.circuits if c in (one, other))
        return Drawn(line, fault, (("cross-connection", names),), ohm=ohm)

    def _side_by_side(self, one: str, other: str, position: float) -> list[tuple[str, str]]:
        """Wires of two circuits that are about as far from the connector at ``position`` along them."""
        mine, theirs = (
            [e for e in self._elements(ground=False, circuits=[name]) if isinstance(e, Segment)]
            for name in (one, other)
        )
        return [
            (a.name, b.name)
            for a in mine
            for b in theirs
            if abs(self._metres(a, position) - self._metres(b, position)) < BESIDE_M
        ]

    def _ground_open(self, line: str) -> Drawn | None:
        choices = [e for e in self._elements(ground=True) if isinstance(e, Joint) and e.ground]
        joint = self.rng.choice(choices)
        number = self.span_of[joint.name]
        return Drawn(
            line, InjectedFault("ground-open", joint.name), (("ground-open", self.topology.span_circuits(number)),)
        )

    def _ground_series(self, line: str) -> Drawn | None:
        choices = [e for e in self._elements(ground=True) if isinstance(e, Joint) and e.ground]
        joint, ohm = self.rng.choice(choices), exp(self.rng.uniform(log(0.3), log(3.0)))
        circuits = self.topology.span_circuits(self.span_of[joint.name])
        fault = InjectedFault("ground-high-resistance", joint.name, ohm=ohm)
        return Drawn(line, fault, (("ground-high-resistance", circuits),), ohm=ohm)

    def _wrong_load(self, line: str) -> Drawn | None:
        lamps = [load for load in self.profile.loads if not isinstance(load.type, ControlUnit)]
        heavy = [load for load in lamps if isinstance(load.type, Filament)] or lamps
        lamp, factor = self.rng.choice(heavy), self.rng.choice((0.4, 2.0, 2.5))
        fault = InjectedFault("wrong-load", lamp.name, factor=factor)
        answers = [("wrong-load", (lamp.circuit,))]
        answers.append(("overload" if factor > 1 else "high-resistance", (lamp.circuit,)))
        return Drawn(line, fault, tuple(answers))

    def _short_to_supply(self, line: str) -> Drawn | None:
        circuit = self.rng.choice(self.profile.circuits)
        fault = InjectedFault("short-to-supply", pin_node(circuit.pin))
        return Drawn(line, fault, (("short-to-supply", (circuit.name,)),))

    def _back_feed(self, line: str) -> Drawn | None:
        one, other = self.rng.sample([c for c in self.profile.circuits if c.lit], 2)
        fault = InjectedFault("back-feed", pin_node(one.pin), other=pin_node(other.pin))
        names = tuple(c.name for c in self.profile.circuits if c in (one, other))
        return Drawn(line, fault, (("back-feed", names),))

    def _abs_supply(self, line: str) -> Drawn | None:
        units = [load for load in self.profile.loads if isinstance(load.type, ControlUnit)]
        if not units:
            return None
        circuit = units[0].circuit
        element = self.rng.choice(self._elements(ground=False, circuits=[circuit]))
        answers = (("abs-supply", (circuit,)), ("open", (circuit,)))
        return Drawn(line, InjectedFault("abs-supply", element.name), answers)


def some(shop: Shop, lines: Sequence[str], count: int, rng: Random) -> list[Drawn]:
    """``count`` faults of different lines that share neither circuits nor the ground."""
    out: list[Drawn] = []
    for _ in range(100):
        if len(out) == count:
            return out
        drawn = shop.draw(rng.choice(list(lines)))
        if drawn is None or any(set(drawn.circuits) & set(other.circuits) for other in out):
            continue
        out.append(drawn)
    return out
