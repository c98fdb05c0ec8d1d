"""The wiring of a profile as trees, one from each pin: what hangs on what, and how far along the wire.

A harness may be any network. Each node belongs to the pin that is nearest along the wire; the shortest
ways make the tree, and a wire or joint that closes a loop becomes a *tie*, named at both its ends. The
frame (``chassis``) is never passed through: it joins everything, and distances through it mean nothing.
What can be reached only through it, or from no pin at all, hangs on a tree of its own.
"""

import heapq
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from bench.profiles.model import CHASSIS, Joint, Load, Profile, Segment, pin_node

Edge = Segment | Joint


@dataclass(slots=True)
class Branch:
    """A node, the edge that leads to it (None at a root), and what hangs on it."""

    node: str
    distance_m: float
    edge: Edge | None = None
    children: list["Branch"] = field(default_factory=list)
    fed: tuple[Load, ...] = ()
    returned: tuple[Load, ...] = ()
    ties: list[str] = field(default_factory=list)

    def walk(self) -> Iterator["Branch"]:
        """This branch and all that hang on it."""
        yield self
        for child in self.children:
            yield from child.walk()

    @property
    def reach_m(self) -> float:
        """Distance of the farthest node that hangs on it."""
        return max(branch.distance_m for branch in self.walk())


def harness_trees(profile: Profile) -> dict[str, Branch]:
    """Trees by root: the nodes of the pins that are wired, then ``chassis`` and loose ends where needed."""
    edges: list[Edge] = [*profile.segments, *profile.joints]
    around = _around(edges)
    pins = [pin_node(pin.number) for pin in profile.connector.pins]
    roots = [pin for pin in pins if pin in around]
    branches, used = _shortest(roots, around, {})
    every = dict.fromkeys([*around, *(node for load in profile.loads for node in (load.a, load.b))])
    # The frame was a leaf so far; here it is a root, for what hangs on it alone.
    for loose in sorted(every, key=lambda node: node != CHASSIS):
        if loose == CHASSIS or loose not in branches:
            found, also_used = _shortest([loose], around, branches)
            branches |= found
            used |= also_used
            roots.append(loose)
    _hang_loads(branches, profile.loads)
    _tie(branches, [edge for edge in edges if edge.name not in used])
    return {root: branches[root] for root in roots if _worth_drawing(branches[root])}


def _around(edges: Iterable[Edge]) -> dict[str, list[tuple[str, Edge]]]:
    around: dict[str, list[tuple[str, Edge]]] = {}
    for edge in edges:
        around.setdefault(edge.a, []).append((edge.b, edge))
        around.setdefault(edge.b, []).append((edge.a, edge))
    return around


def _shortest(
    roots: Iterable[str], around: Mapping[str, list[tuple[str, Edge]]], taken: Mapping[str, Branch]
) -> tuple[dict[str, Branch], set[str]]:
    """Dijkstra from all roots at once; gives the new branches by node and the names of the edges they use."""
    done: dict[str, Branch] = {}
    used: set[str] = set()
    ahead: list[tuple[float, int, str, str, Edge | None]] = [(0.0, 0, root, "", None) for root in roots]
    tries = len(ahead)
    while ahead:
        distance_m, _, node, parent, edge = heapq.heappop(ahead)
        if node in done or (node in taken and edge is not None):
            continue
        done[node] = Branch(node, distance_m, edge)
        if edge is not None:
            done[parent].children.append(done[node])
            used.add(edge.name)
        if node == CHASSIS and edge is not None:
            continue
        for neighbour, way in around.get(node, ()):
            tries += 1
            length_m = way.length_m if isinstance(way, Segment) else 0.0
            heapq.heappush(ahead, (distance_m + length_m, tries, neighbour, node, way))
    return done, used


def _hang_loads(branches: Mapping[str, Branch], loads: Iterable[Load]) -> None:
    for load in loads:
        branches[load.a].fed += (load,)
        branches[load.b].returned += (load,)


def _tie(branches: Mapping[str, Branch], edges: Iterable[Edge]) -> None:
    for edge in edges:
        for here, there in ((edge.a, edge.b), (edge.b, edge.a)):
            branches[here].ties.append(f"{edge.name} to {there}")


def _worth_drawing(root: Branch) -> bool:
    return bool(root.children or root.fed or root.returned or root.ties)
