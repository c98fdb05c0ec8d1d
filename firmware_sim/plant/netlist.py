"""From a harness and the faults present now to numbered nodes, branches and device terminals.

Faults along a wire cut it into pieces; a fault in series opens a gap between two new nodes; a
fault that is a path or a foreign voltage starts at a node of the chain. Faults in a pin sit
between the board's socket and the trailer's pin.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from bench.profiles.model import CHASSIS, LoadType, Resistor, pin_node
from bench.profiles.model import Diode as DiodeType
from firmware_sim.plant.as_built import BuiltLoad, Harness, Link
from firmware_sim.plant.board import OPEN_OHM
from firmware_sim.plant.faults import Effect, Held, InSeries, OneWay, OtherLoad, Path, Point

BUS = "board supply"
LEAST_OHM = 1e-6
END_MARGIN = 1e-3  # a fault at the very end of a wire still leaves this share of it


@dataclass(frozen=True, slots=True)
class Terminal:
    """A non-linear load between two numbered nodes."""

    name: str
    a: int
    b: int
    type: LoadType
    mass_factor: float


@dataclass(frozen=True, slots=True)
class Netlist:
    """Numbered network. Branches are (node, node, ohm); held nodes (node, volts, ohm), against the board's minus."""

    nodes: Mapping[str, int]
    branches: tuple[tuple[int, int, float], ...]
    held: tuple[tuple[int, float, float], ...]
    terminals: tuple[Terminal, ...]


def board_pin(number: int) -> str:
    """Node name of the board's socket contact for pin ``number``."""
    return f"board pin.{number}"


@dataclass
class _Builder:
    nodes: dict[str, int] = field(default_factory=dict)
    branches: list[tuple[int, int, float]] = field(default_factory=list)
    held: list[tuple[int, float, float]] = field(default_factory=list)
    located: dict[Point, int] = field(default_factory=dict)

    def node(self, name: str) -> int:
        return self.nodes.setdefault(name, len(self.nodes))

    def fresh(self) -> int:
        return self.node(f"split {len(self.nodes)}")

    def branch(self, a: int, b: int, ohm: float) -> None:
        self.branches.append((a, b, max(ohm, LEAST_OHM)))


def build_netlist(
    harness: Harness, pins: Sequence[int], effects: Sequence[Effect], one_way: Sequence[OneWay]
) -> Netlist:
    """Number the network with ``effects`` present.

    Args:
        harness: as built.
        pins: all pins of the connector.
        effects: those present now.
        one_way: all diodes that faults may ever add, so that the device list keeps its length.
    """
    build = _Builder()
    build.node(BUS)
    build.node(CHASSIS)
    series, points = _by_place(effects, one_way)
    for number in pins:
        _place_pin(build, number, series[pin_node(number)])
    for link in harness.links:
        _place_link(build, link, series[link.name], points[link.name])
    others = {effect.load: effect.type for effect in effects if isinstance(effect, OtherLoad)}
    terminals: list[Terminal] = []
    for load in harness.loads:
        kind = others.get(load.name, load.type)
        build.located |= dict.fromkeys(points[load.name], build.node(load.a))
        _place_load(build, load, kind, series[load.name], terminals)
    _place_paths(build, effects)
    terminals += [_diode(build, effect, present=effect in effects) for effect in one_way]
    return Netlist(build.nodes, tuple(build.branches), tuple(build.held), tuple(terminals))


def _by_place(
    effects: Iterable[Effect], one_way: Iterable[OneWay]
) -> tuple[defaultdict[str, list[InSeries]], defaultdict[str, list[Point]]]:
    series: defaultdict[str, list[InSeries]] = defaultdict(list)
    points: defaultdict[str, list[Point]] = defaultdict(list)
    for effect in (*effects, *one_way):
        match effect:
            case InSeries(at=at):
                series[at.place].append(effect)
            case Path(a=a, b=b) | OneWay(a=a, b=b):
                points[a.place].append(a)
                points[b.place].append(b)
            case Held(at=at):
                points[at.place].append(at)
            case _:
                pass
    return series, points


def _place_pin(build: _Builder, number: int, series: Sequence[InSeries]) -> None:
    trailer_side = build.node(pin_node(number))
    if series:
        build.branch(build.node(board_pin(number)), trailer_side, sum(effect.ohm for effect in series))
    else:
        build.nodes[board_pin(number)] = trailer_side


def _place_link(build: _Builder, link: Link, series: Sequence[InSeries], points: Sequence[Point]) -> None:
    if link.wire:
        _place_wire(build, link, series, points)
        return
    build.branch(build.node(link.a), build.node(link.b), link.ohm + sum(effect.ohm for effect in series))
    for point in points:
        build.located[point] = build.node(link.b if point.position > 0.5 else link.a)


def _place_wire(build: _Builder, link: Link, series: Sequence[InSeries], points: Sequence[Point]) -> None:
    stops: list[tuple[float, int, InSeries | Point]] = [(effect.at.position, 1, effect) for effect in series]
    stops += [(point.position, 0, point) for point in points]
    here, done = build.node(link.a), 0.0
    for position, _, stop in sorted(stops, key=lambda item: item[:2]):
        share = min(max(position, END_MARGIN), 1 - END_MARGIN)
        if share > done:
            there = build.fresh()
            build.branch(here, there, link.ohm * (share - done))
            here, done = there, share
        if isinstance(stop, Point):
            build.located[stop] = here
        else:
            there = build.fresh()
            build.branch(here, there, stop.ohm)
            here = there
    build.branch(here, build.node(link.b), link.ohm * (1 - done))


def _place_load(
    build: _Builder, load: BuiltLoad, kind: LoadType, series: Sequence[InSeries], terminals: list[Terminal]
) -> None:
    a, b = build.node(load.a), build.node(load.b)
    if series:
        inner = build.fresh()
        build.branch(a, inner, sum(effect.ohm for effect in series))
        a = inner
    if isinstance(kind, Resistor):
        build.branch(a, b, kind.resistance_ohm)
    else:
        terminals.append(Terminal(load.name, a, b, kind, load.mass_factor))


def _place_paths(build: _Builder, effects: Iterable[Effect]) -> None:
    for effect in effects:
        if isinstance(effect, Path):
            build.branch(_locate(build, effect.a), _locate(build, effect.b), effect.ohm)
        elif isinstance(effect, Held):
            build.held.append((_locate(build, effect.at), effect.volts, max(effect.ohm, LEAST_OHM)))


def _locate(build: _Builder, point: Point) -> int:
    return build.located[point] if point in build.located else build.node(point.place)


def _diode(build: _Builder, effect: OneWay, *, present: bool) -> Terminal:
    kind = DiodeType(series_ohm=effect.ohm if present else OPEN_OHM)
    return Terminal("", _locate(build, effect.a), _locate(build, effect.b), kind, 1.0)
