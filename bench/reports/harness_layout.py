"""Where everything goes in the drawing of a harness; pure.

Every circuit is a lane with a row for each thing at an end of it. Along a lane, x is the distance from
the connector: places about as far away share a *station*, and stations keep their order and, as far as
the paper allows, their proportion. Things at one place (a contact, a plug, a splice) stand in *slots*.

At each node the branch that reaches farthest goes straight on; the others turn off below it, nearest
last. So a line that goes down passes only what lies farther from the connector, the words to the right
of an end have their row to themselves, and nothing crosses, however many lamps there are.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from bench.profiles.model import CHASSIS, Load, Profile, pin_node
from bench.reports.harness_tree import Branch, Edge, harness_trees

LEFT, LABELS, WIDTH = 46.0, 280.0, 930.0
TOP, HEADING, ROW, MARK_ROOM, SLOT = 44.0, 32.0, 22.0, 17.0, 22.0
BETWEEN = 0.6  # of a slot, kept free between two stations
SAME_PLACE = 0.03  # of the whole length: what is closer together than this shares a station

Point = tuple[float, float]
EndKind = Literal["load", "returns", "tie", "frame", "bare"]


@dataclass(frozen=True, slots=True)
class Station:
    """A place along the harness: distances from ``from_m`` to ``to_m`` are drawn from ``x`` on."""

    from_m: float
    to_m: float
    x: float


@dataclass(frozen=True, slots=True)
class PlacedEdge:
    """A wire or joint along its row, with the distances of its ends from the connector."""

    edge: Edge
    start: Point
    end: Point
    from_m: float
    to_m: float


@dataclass(frozen=True, slots=True)
class PlacedEnd:
    """What is at the end of a row: a load, the returns of loads, a tie to elsewhere, the frame, or nothing."""

    kind: EndKind
    from_x: float
    at: Point
    words: str
    detail: str = ""
    load: Load | None = None


@dataclass(slots=True)
class Lane:
    """One root and all that hangs on it.

    Attributes:
        y: of the heading's baseline.
        root: where the wires begin.
        drops: lines from a node down to the lowest row that turns off there.
    """

    node: str
    y: float
    root: Point
    edges: list[PlacedEdge] = field(default_factory=list)
    ends: list[PlacedEnd] = field(default_factory=list)
    splices: list[Point] = field(default_factory=list)
    drops: list[tuple[Point, Point]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole drawing, ``WIDTH`` wide; ``slot`` is the room of one thing at a station."""

    height: float
    slot: float
    stations: tuple[Station, ...]
    lanes: tuple[Lane, ...]

    def find_edge(self, name: str) -> PlacedEdge | None:
        """The wire or joint of that name."""
        return next((placed for lane in self.lanes for placed in lane.edges if placed.edge.name == name), None)

    def find_load(self, name: str) -> PlacedEnd | None:
        """The load of that name."""
        ends = (end for lane in self.lanes for end in lane.ends)
        return next((end for end in ends if end.load is not None and end.load.name == name), None)

    def find_pin(self, number: int) -> Point | None:
        """Where the wires of a pin begin."""
        return next((lane.root for lane in self.lanes if lane.node == pin_node(number)), None)


def lay_out(profile: Profile, marked: frozenset[str] = frozenset()) -> Layout:
    """Place everything. Rows of the wires, joints and loads named in ``marked`` get room above for a mark."""
    trees = harness_trees(profile)
    places = _places(branch.distance_m for root in trees.values() for branch in root.walk())
    spots = {node: _spot(root, places, 0) for node, root in trees.items()}
    slots = _slots_used(spots.values(), len(places))
    slot = min(SLOT, (WIDTH - LABELS - LEFT) / (sum(count + BETWEEN for count in slots) or 1.0))
    stations = _stations(places, slots, slot)
    lanes = []
    y = TOP
    for node, spot in spots.items():
        rows = _Rows(Lane(node, y, (stations[0].x, 0.0)), stations, slot, marked)
        y = rows.fill(spot, y + HEADING)
        lanes.append(rows.lane)
    return Layout(y, slot, tuple(stations), tuple(lanes))


# --- along: stations and slots ---


@dataclass(frozen=True, slots=True)
class _Spot:
    """A branch, the station it is at, and its place in the row of things there."""

    branch: Branch
    station: int
    slot: int
    children: tuple["_Spot", ...]


def _places(distances_m: Iterable[float]) -> list[tuple[float, float]]:
    """Distances gathered into places, first to last."""
    rising = sorted(set(distances_m))
    near_m = SAME_PLACE * rising[-1] if rising else 0.0
    places: list[tuple[float, float]] = []
    for distance_m in rising:
        # The connector keeps its own station: what is a hand's breadth behind it is not at it.
        if places and places[-1][0] > 0 and distance_m - places[-1][0] <= near_m:
            places[-1] = (places[-1][0], distance_m)
        else:
            places.append((distance_m, distance_m))
    return places


def _spot(branch: Branch, places: Sequence[tuple[float, float]], slot: int) -> _Spot:
    station = bisect_right(places, branch.distance_m, key=lambda place: place[0]) - 1
    ahead = []
    for child in sorted(branch.children, key=lambda child: -child.reach_m):
        here = child.distance_m <= places[station][1]
        ahead.append(_spot(child, places, slot + 1 if here else 0))
    return _Spot(branch, station, slot, tuple(ahead))


def _slots_used(roots: Iterable[_Spot], count: int) -> list[int]:
    used = [1] * count
    ahead = list(roots)
    while ahead:
        spot = ahead.pop()
        used[spot.station] = max(used[spot.station], spot.slot + 1)
        ahead += spot.children
    return used


def _stations(places: Sequence[tuple[float, float]], slots: Sequence[int], slot: float) -> list[Station]:
    """Give each place the room its slots need, and share out what is left in proportion to distance."""
    needed = [slot * (count + BETWEEN) for count in slots]
    spare = WIDTH - LABELS - LEFT - sum(needed)
    stations, x = [], LEFT
    for number, (from_m, to_m) in enumerate(places):
        if number:
            x += needed[number - 1] + spare * (from_m - places[number - 1][0]) / places[-1][0]
        stations.append(Station(from_m, to_m, round(x, 1)))
    return stations


# --- across: rows ---


class _Rows:
    """Fills one lane row by row."""

    def __init__(self, lane: Lane, stations: Sequence[Station], slot: float, marked: frozenset[str]) -> None:
        self.lane = lane
        self._stations = stations
        self._slot = slot
        self._marked = marked
        self._y = 0.0

    def fill(self, root: _Spot, first_y: float) -> float:
        """Place a tree from ``first_y`` on and give the y where the next lane may begin."""
        self._y = first_y + (MARK_ROOM if self._has_mark(root) else 0.0)
        self.lane.root = (self._x(root), self._y)
        self._place(root, self._y)
        return self._y + ROW + 4

    def _x(self, spot: _Spot) -> float:
        return self._stations[spot.station].x + self._slot * spot.slot

    def _place(self, spot: _Spot, y: float) -> None:
        """Place what hangs on a spot that stands at ``y``; the first of it goes straight on."""
        here = (self._x(spot), y)
        rows: list[_Spot | PlacedEnd] = [*spot.children, *_ends(spot.branch)]
        at_y = y
        for number, each in enumerate(rows):
            at_y = self._next_row(self._has_mark(each)) if number else y
            if isinstance(each, _Spot):
                self._place_edge(spot, each, here[0], at_y)
            else:
                end_x = here[0] + (0.0 if each.kind in ("bare", "frame") else SLOT)
                self.lane.ends.append(replace(each, from_x=here[0], at=(end_x, at_y)))
        if len(rows) > 1:
            self.lane.splices.append(here)
            self.lane.drops.append((here, (here[0], at_y)))

    def _place_edge(self, spot: _Spot, child: _Spot, from_x: float, y: float) -> None:
        if child.branch.edge is not None:
            metres = (spot.branch.distance_m, child.branch.distance_m)
            self.lane.edges.append(PlacedEdge(child.branch.edge, (from_x, y), (self._x(child), y), *metres))
        self._place(child, y)

    def _next_row(self, with_mark: bool) -> float:
        self._y += ROW + (MARK_ROOM if with_mark else 0.0)
        return self._y

    def _has_mark(self, first: "_Spot | PlacedEnd") -> bool:
        """Whether anything in the row that begins with ``first`` is marked."""
        if isinstance(first, PlacedEnd):
            return first.load is not None and first.load.name in self._marked
        if first.branch.edge is not None and first.branch.edge.name in self._marked:
            return True
        straight_on = first.children or _ends(first.branch)
        return bool(straight_on) and self._has_mark(straight_on[0])


def _ends(branch: Branch) -> list[PlacedEnd]:
    """What stands at the end of a row of its own at this node; not placed yet."""
    if branch.node == CHASSIS and branch.edge is not None:
        return [_end("frame", "frame")]
    ends = [_end("load", load.title, load.place, load) for load in branch.fed]
    if branch.returned:
        ends.append(_end("returns", "return of " + ", ".join(load.title for load in branch.returned)))
    ends += [_end("tie", f"also by {tie}") for tie in branch.ties]
    if not ends and not branch.children:
        ends.append(_end("bare", "nothing connected", branch.node))
    return ends


def _end(kind: EndKind, words: str, detail: str = "", load: Load | None = None) -> PlacedEnd:
    return PlacedEnd(kind, 0.0, (0.0, 0.0), words, detail, load)


def titles(profile: Profile) -> Mapping[str, tuple[str, str]]:
    """Heading of each lane by its root: what it is, and the wire at the connector."""
    circuits = {circuit.pin: circuit.title for circuit in profile.circuits}
    named = {
        pin_node(pin.number): (circuits.get(pin.number, pin.function), f"{pin.colour}, {pin.size}")
        for pin in profile.connector.pins
    }
    return named | {CHASSIS: ("frame", "joined to the board by its chassis clamp")}
