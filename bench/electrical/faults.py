"""Faults as changes of the network, each with up to two unknown sizes.

A size is again a standard normal number ``q`` (like the unknowns of a sound harness), turned
into ohms, a factor or a position by the fault. Every fault says two things: how it changes a
network exactly, with the derivatives that the fit needs, and its first-order stamp on a solved
network, which is enough to rank hundreds of candidates at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import exp
from typing import Protocol

import numpy as np

from bench.electrical.laws import DIODE, LoadLaws
from bench.electrical.network import OPEN_OHM, Network

SERIES_CENTRE_OHM, SERIES_SPREAD = 2.0, 1.3
SHORT_CENTRE_OHM, SHORT_SPREAD = 0.05, 1.3
LEAK_CENTRE_OHM, LEAK_SPREAD = 6.0, 1.3
CROSS_CENTRE_OHM, CROSS_SPREAD = 0.1, 1.5
FACTOR_SPREAD = 0.8
SUPPLY_CENTRE_OHM = 0.1
SUPPLY_SPREAD_V = 4.0
POSITION_SPREAD = 1.5
LEAST_SHARE = 1e-3


@dataclass
class Draft:
    """A network under change, with how each size changes it.

    Attributes:
        owner: (branches,), the span that each branch is a piece of, or -1.
        branch_rates: size number, branch, d ln(ohm) / d q.
        load_rates: size number, load, d ln(current) / d q.
        held_rates: size number, node, d(source current) / d q of a foreign supply.
    """

    network: Network
    owner: list[int]
    branch_rates: list[tuple[int, int, float]] = field(default_factory=list)
    load_rates: list[tuple[int, int, float]] = field(default_factory=list)
    held_rates: list[tuple[int, int, float]] = field(default_factory=list)

    def set_branch(self, branch: int, ohm: float) -> None:
        """Give a branch another resistance."""
        values = self.network.ohm.copy()
        values[branch] = ohm
        self.network = replace(self.network, ohm=values)

    def add_branch(self, a: int, b: int, ohm: float, owner: int = -1) -> int:
        """Add a branch and return its number."""
        now = self.network
        self.network = replace(now, a=np.append(now.a, a), b=np.append(now.b, b), ohm=np.append(now.ohm, ohm))
        self.owner.append(owner)
        return len(self.owner) - 1

    def split(self, branch: int, share: float, size_number: int | None, rate: float) -> int:
        """Cut a branch at ``share`` of its resistance; ``rate`` is d share / d q. Returns the new node."""
        now, node = self.network, self.network.size
        whole, far = float(now.ohm[branch]), int(now.b[branch])
        ends = now.b.copy()
        ends[branch] = node
        self.network = replace(now, size=node + 1, b=ends)
        self.set_branch(branch, whole * share)
        rest = self.add_branch(node, far, whole * (1 - share), self.owner[branch])
        if size_number is not None:
            self.branch_rates += [(size_number, branch, rate / share), (size_number, rest, -rate / (1 - share))]
        return node

    def scale_load(self, load: int, factor: float) -> None:
        """Multiply the current of a load."""
        values = self.network.factor.copy()
        values[load] *= factor
        self.network = replace(self.network, factor=values)


@dataclass(frozen=True, slots=True)
class Stamp:
    """First-order change of a solved network: what flows between two (weighted) nodes.

    ``conductance`` is added between the weighted nodes; ``share`` of the present current of a
    load is taken away; ``push_v`` is the voltage of a foreign source or a diode in that path.
    """

    nodes: tuple[tuple[int, float], ...]
    conductance: float = 0.0
    load: int = -1
    load_change: float = 0.0
    push_v: float = 0.0
    one_way: bool = False


class Fault(Protocol):
    """One thing wrong."""

    @property
    def sizes(self) -> int:
        """How many unknown sizes it has."""

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Change ``draft``; sizes are numbered from ``first``."""

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:
        """Trial sizes with their first-order stamps."""


def log_size(q: float, centre: float, spread: float) -> float:
    """Ohms (or a factor) for a normal number."""
    return centre * exp(spread * min(max(q, -6.0), 6.0))


@dataclass(frozen=True, slots=True)
class Series:
    """A span with added resistance, or open."""

    span: int
    open: bool = False

    @property
    def sizes(self) -> int:
        """The added resistance, unless open."""
        return 0 if self.open else 1

    def ohm(self, q: Sequence[float]) -> float:
        """Added resistance."""
        return OPEN_OHM if self.open else log_size(q[0], SERIES_CENTRE_OHM, SERIES_SPREAD)

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Add it to the span's own."""
        added, own = self.ohm(q), float(draft.network.ohm[self.span])
        draft.set_branch(self.span, own + added)
        if not self.open:
            draft.branch_rates.append((first, self.span, SERIES_SPREAD * added / (own + added)))

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:
        """Open, or a ladder of resistances."""
        own, ends = float(network.ohm[self.span]), _ends(network, self.span)
        trials: list[tuple[float, ...]] = [()] if self.open else [(q,) for q in (-1.2, -0.5, 0.0, 0.6, 1.3, 2.5)]
        return [(q, Stamp(ends, 1 / (own + self.ohm(q)) - 1 / own)) for q in trials]


@dataclass(frozen=True, slots=True)
class Leak:
    """A path from a point of a span to another node: a short when small, an overload when larger."""

    span: int
    to: int
    short: bool

    @property
    def sizes(self) -> int:
        """Position along the span, resistance of the path."""
        return 2

    def share(self, q: Sequence[float]) -> float:
        """Position from the span's first node, 0..1."""
        return _share(q[0])

    def ohm(self, q: Sequence[float]) -> float:
        """Resistance of the path itself."""
        centre, spread = (SHORT_CENTRE_OHM, SHORT_SPREAD) if self.short else (LEAK_CENTRE_OHM, LEAK_SPREAD)
        return log_size(q[1], centre, spread)

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Cut the span and lead its middle away."""
        share = self.share(q)
        node = draft.split(self.span, share, first, POSITION_SPREAD * share * (1 - share))
        path = draft.add_branch(node, self.to, self.ohm(q))
        draft.branch_rates.append((first + 1, path, SHORT_SPREAD if self.short else LEAK_SPREAD))

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:
        """Positions and resistances."""
        own = float(network.ohm[self.span])
        a, b = int(network.a[self.span]), int(network.b[self.span])
        trials: list[tuple[tuple[float, ...], Stamp]] = []
        for q in [(p, r) for p in (-1.2, 0.0, 1.2) for r in (-1.4, -0.4, 0.6, 1.6)]:
            share = self.share(q)
            nodes = ((a, 1 - share), (b, share), (self.to, -1.0))
            trials.append((q, Stamp(nodes, 1 / (self.ohm(q) + own * share * (1 - share)))))
        return trials


@dataclass(frozen=True, slots=True)
class WrongLoad:
    """A load that takes another current; ``out`` when it takes none."""

    load: int
    out: bool = False

    @property
    def sizes(self) -> int:
        """The factor, unless out."""
        return 0 if self.out else 1

    def factor(self, q: Sequence[float]) -> float:
        """Of the current."""
        return 0.0 if self.out else log_size(q[0], 1.0, FACTOR_SPREAD)

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Scale its current."""
        draft.scale_load(self.load, self.factor(q))
        if not self.out:
            draft.load_rates.append((first, self.load, FACTOR_SPREAD))

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:
        """Out, or a ladder of factors."""
        nodes = ((int(network.load_a[self.load]), 1.0), (int(network.load_b[self.load]), -1.0))
        trials: list[tuple[float, ...]] = [()] if self.out else [(q,) for q in (-1.6, -0.87, -0.4, 0.4, 0.87, 1.5)]
        return [(q, Stamp(nodes, load=self.load, load_change=self.factor(q) - 1.0)) for q in trials]


@dataclass(frozen=True, slots=True)
class Bridge:
    """Metal between two nodes of different circuits; ``one_way`` with a diode in it, from a to b."""

    a: int
    b: int
    one_way: bool = False

    @property
    def sizes(self) -> int:
        """Its resistance."""
        return 1

    def ohm(self, q: Sequence[float]) -> float:
        """Its resistance."""
        return log_size(q[0], CROSS_CENTRE_OHM, CROSS_SPREAD)

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Add the branch, with a diode before it when one-way."""
        start = _add_diode(draft, self.a) if self.one_way else self.a
        branch = draft.add_branch(start, self.b, self.ohm(q))
        draft.branch_rates.append((first, branch, CROSS_SPREAD))

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:  # noqa: ARG002 - part of the protocol
        """A ladder of resistances."""
        nodes = ((self.a, 1.0), (self.b, -1.0))
        push_v = 0.7 if self.one_way else 0.0
        return [
            ((q,), Stamp(nodes, 1 / self.ohm((q,)), push_v=push_v, one_way=self.one_way))
            for q in (-1.5, -0.5, 0.5, 1.5, 2.5)
        ]


@dataclass(frozen=True, slots=True)
class Touch:
    """Metal between two wires where they run side by side.

    ``along`` and ``beside`` are the shares of the one and of the other at which that begins and ends, each
    from its wire's first node.
    """

    one: int
    other: int
    along: tuple[float, float]
    beside: tuple[float, float]

    @property
    def sizes(self) -> int:
        """Position along them, resistance between them."""
        return 2

    def share(self, q: Sequence[float]) -> float:
        """Position along the first, from its first node."""
        return _between(self.along, _share(q[0]))

    def ohm(self, q: Sequence[float]) -> float:
        """Resistance of the contact."""
        return log_size(q[1], CROSS_CENTRE_OHM, CROSS_SPREAD)

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Cut both and join their middles."""
        share = _share(q[0])
        rate = POSITION_SPREAD * share * (1 - share)
        a, b = (
            draft.split(wire, _between(range_, share), first, rate * (range_[1] - range_[0]))
            for wire, range_ in ((self.one, self.along), (self.other, self.beside))
        )
        path = draft.add_branch(a, b, self.ohm(q))
        draft.branch_rates.append((first + 1, path, CROSS_SPREAD))

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:
        """Positions and resistances."""
        trials: list[tuple[tuple[float, ...], Stamp]] = []
        for q in [(p, r) for p in (-1.0, 0.0, 1.0) for r in (-1.0, 0.0, 1.0)]:
            share, far = (_between(range_, _share(q[0])) for range_ in (self.along, self.beside))
            ends = [(int(network.a[self.one]), 1 - share), (int(network.b[self.one]), share)]
            ends += [(int(network.a[self.other]), far - 1), (int(network.b[self.other]), -far)]
            wires = float(network.ohm[self.one]) * share * (1 - share) + float(network.ohm[self.other]) * far * (
                1 - far
            )
            trials.append((q, Stamp(tuple(ends), 1 / (self.ohm(q) + wires))))
        return trials


def _between(ends: tuple[float, float], share: float) -> float:
    """A share of a wire, never quite at its ends."""
    return min(max(ends[0] + share * (ends[1] - ends[0]), LEAST_SHARE), 1 - LEAST_SHARE)


def _share(q: float) -> float:
    """A position 0..1 for a normal number."""
    return 1 / (1 + exp(-POSITION_SPREAD * min(max(q, -4.0), 4.0)))


def _add_diode(draft: Draft, a: int) -> int:
    """Put a diode behind node ``a``; returns the node behind it."""
    now, node = draft.network, draft.network.size
    laws = now.laws
    more = LoadLaws(
        np.append(laws.kind, DIODE),
        np.append(laws.first, 0.7),
        np.append(laws.second, 0.05),
        np.append(laws.third, 0.0),
        np.append(laws.fourth, 0.0),
        np.append(laws.leak_s, 1e-9),
    )
    scale = now.cold_scale
    draft.network = replace(
        now,
        size=node + 1,
        laws=more,
        load_a=np.append(now.load_a, a),
        load_b=np.append(now.load_b, node),
        factor=np.append(now.factor, 1.0),
        cold_scale=np.concatenate([scale, np.ones((*scale.shape[:-1], 1))], axis=-1),
        lit=None if now.lit is None else np.append(now.lit, False),
    )
    return node


@dataclass(frozen=True, slots=True)
class Foreign:
    """A node tied to a supply that is not the bench's."""

    node: int
    typical_v: float

    @property
    def sizes(self) -> int:
        """Its voltage, and the resistance to it."""
        return 2

    def volts(self, q: Sequence[float]) -> float:
        """Its voltage."""
        return self.typical_v + SUPPLY_SPREAD_V * q[0]

    def apply(self, draft: Draft, q: Sequence[float], first: int) -> None:
        """Hold the node."""
        siemens = 1 / log_size(q[1], SUPPLY_CENTRE_OHM, CROSS_SPREAD)
        source = draft.network.size
        volts = self.volts(q)
        draft.network = replace(draft.network, size=source + 1, held=(*draft.network.held, (source, 1e4, volts)))
        path = draft.add_branch(source, self.node, 1 / siemens)
        draft.held_rates.append((first, source, 1e4 * SUPPLY_SPREAD_V))
        draft.branch_rates.append((first + 1, path, CROSS_SPREAD))

    def stamps(self, network: Network) -> list[tuple[tuple[float, ...], Stamp]]:  # noqa: ARG002 - part of the protocol
        """A few voltages."""
        return [
            ((q, 0.0), Stamp(((self.node, 1.0),), 1 / SUPPLY_CENTRE_OHM, push_v=self.volts((q, 0.0))))
            for q in (-1.0, 0.0, 0.5)
        ]


def _ends(network: Network, span: int) -> tuple[tuple[int, float], ...]:
    return ((int(network.a[span]), 1.0), (int(network.b[span]), -1.0))
