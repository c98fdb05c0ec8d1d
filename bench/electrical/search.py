"""Find the sets of faults that explain the readings best: singles, then greedy pairs and triples.

Every single fault is screened to first order; the best of each sort get a full fit. The winner
is the ground on which the next fault is screened, and so on while the evidence grows; after
each addition the earlier faults are put in question again. Last, for every fault of the
winning set, its rivals are fitted in its place, so that what the readings can't tell apart is
found out rather than assumed.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from bench.electrical.candidates import Candidate, Topology, candidates
from bench.electrical.compared import lifted_circuits
from bench.electrical.faults import Bridge, Fault, Foreign, Leak
from bench.electrical.fitting import Fit, fit
from bench.electrical.problem import Problem
from bench.electrical.screening import Screened, screen

MOST_FAULTS = 4
FIRST_FITS = 10
LATER_FITS = 5
RIVAL_FITS = 5
SAME_SORT = 3  # of one kind of fault on the same circuits
WORTH_A_FIT = 12.0  # log posterior behind the best screened
WORTH_TRYING = -6.0  # log posterior odds against no change
WORTH_KEEPING = -1.0  # log evidence
HOPELESS = 40.0  # loss behind the best set so far
JOINED_V = 0.02
FOLLOWS_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Explained:
    """A set of faults with its fit and log posterior odds against no fault at all (before evidence is compared)."""

    faults: tuple[Candidate, ...]
    fit: Fit
    log_posterior: float

    @property
    def key(self) -> frozenset[Fault]:
        """The faults, in no order."""
        return frozenset(candidate.fault for candidate in self.faults)


@dataclass
class Search:
    """Sets of faults tried so far on one problem."""

    problem: Problem
    topology: Topology
    tried: dict[frozenset[Fault], Explained] = field(default_factory=dict)

    def try_set(self, faults: Sequence[Candidate], start: Fit, q: Sequence[float]) -> Explained:
        """Fit a set; its last fault starts at sizes ``q``, the others where ``start`` left them."""
        key = frozenset(candidate.fault for candidate in faults)
        if key not in self.tried:
            guess = np.concatenate([start.x, np.asarray(q, dtype=float)])
            hopeless = self.best.fit.loss + HOPELESS if self.tried else np.inf
            found = fit(self.problem, [one.fault for one in faults], guess, hopeless=hopeless)
            self.tried[key] = Explained(tuple(faults), found, found.log_evidence + sum(c.log_prior for c in faults))
        return self.tried[key]

    @property
    def best(self) -> Explained:
        """Highest posterior so far."""
        return max(self.tried.values(), key=lambda one: one.log_posterior)


def search(problem: Problem, topology: Topology) -> Search:
    """Explore; the result's ``best`` and ``tried`` say what was found."""
    state = Search(problem, topology)
    nominal = _nominal(problem)
    sound = fit(problem, [], nominal.x)
    state.tried[frozenset()] = Explained((), sound, sound.log_evidence)
    every = candidates(topology, _perhaps_joined(problem, nominal), lifted_circuits(problem.compared))
    ranked = screen(problem, nominal, every)
    for one in (*_obvious(problem, ranked), *_shortlist(ranked, FIRST_FITS)):
        state.try_set([one.candidate], nominal, one.q)
    # What explains nothing alone explains nothing beside another fault either.
    telling = [one.candidate for one in ranked if one.gain > WORTH_KEEPING]
    _grow(state, telling)
    _rivals(state, telling)
    return state


def _obvious(problem: Problem, ranked: Sequence[Screened]) -> list[Screened]:
    """Candidates that the readings show plainly but that change too much for first-order ranking.

    Circuits fed from outside; and bridges between a pin that is fed and one that follows it.
    """
    followed = _followed(problem)
    taken: list[Screened] = []
    sorts: Counter[tuple[tuple[str, ...], tuple[str, ...]]] = Counter()
    for one in ranked:
        fault = one.candidate.fault
        way = _from(problem, fault) if isinstance(fault, Bridge) and fault.one_way else ()
        sort = (one.candidate.circuits, way)
        plain = isinstance(fault, Foreign) or (isinstance(fault, Bridge) and one.candidate.circuits in followed)
        if plain and sorts[sort] < SAME_SORT:
            sorts[sort] += 1
            taken.append(one)
    return taken


def _from(problem: Problem, bridge: Bridge) -> tuple[str, ...]:
    """Circuit that a one-way bridge starts from."""
    return problem.harness.live_side[problem.harness.nodes[bridge.a]]


def _followed(problem: Problem) -> set[tuple[str, ...]]:
    """Pairs of circuits, in the profile's order, of which one pin takes much of the other's drive voltage."""
    compared, harness = problem.compared, problem.harness
    circuits = harness.profile.circuits
    pairs = set()
    for fed in circuits:
        alone = compared.feeds.fed[:, harness.pins.index(fed.pin)] & (compared.feeds.fed.sum(axis=1) == 1)
        closed = compared.feeds.pin_return | compared.feeds.chassis_return
        rows = np.flatnonzero(alone & closed & ~compared.feeds.cold)
        for other in circuits:
            volts = compared.value[rows, harness.pins.index(other.pin)]
            if other != fed and np.any(volts > FOLLOWS_SHARE * compared.feeds.volts[rows].max(axis=1, initial=0.0)):
                pairs.add(tuple(circuit.name for circuit in circuits if circuit in (fed, other)))
    return pairs


def _nominal(problem: Problem) -> Fit:
    """The harness exactly as drawn, as a ground for screening."""
    x = problem.prior.mean
    prediction = problem.predict(x, [])
    return Fit((), x, 0.0, 0.0, 1.0, problem.residual(prediction), np.eye(len(x)), prediction)


def _grow(state: Search, every: Sequence[Candidate]) -> None:
    for _ in range(MOST_FAULTS):
        ground = state.best
        if len(ground.faults) >= MOST_FAULTS:
            break
        fresh = [one for one in every if one.fault not in ground.key]
        for one in _shortlist(screen(state.problem, ground.fit, fresh), LATER_FITS):
            state.try_set([*ground.faults, one.candidate], ground.fit, one.q)
        if state.best is ground:
            break
        _question_earlier(state, every)


def _question_earlier(state: Search, every: Sequence[Candidate]) -> None:
    """Whether an earlier fault of the best set is better replaced now that a later one is known."""
    best = state.best
    for old in best.faults[:-1]:
        _replace(state, best, old, every, LATER_FITS // 2)


def _rivals(state: Search, every: Sequence[Candidate]) -> None:
    best = state.best
    for old in best.faults:
        if isinstance(old.fault, Leak):
            _everywhere(state, best, old, every)
    for old in best.faults if len(best.faults) > 1 else ():
        _replace(state, best, old, every, RIVAL_FITS)


def _everywhere(state: Search, best: Explained, old: Candidate, every: Sequence[Candidate]) -> None:
    """Try a short on every span of its circuit, so that its reach is known."""
    rest = _without(state, best, old)
    same = [
        one
        for one in every
        if isinstance(one.fault, Leak)
        and isinstance(old.fault, Leak)
        and one.circuits == old.circuits
        and (one.fault.to, one.fault.short) == (old.fault.to, old.fault.short)
    ]
    for one in screen(state.problem, rest.fit, same):
        state.try_set([*rest.faults, one.candidate], rest.fit, one.q)


def _replace(state: Search, best: Explained, old: Candidate, every: Sequence[Candidate], fits: int) -> None:
    rest = _without(state, best, old)
    fresh = [one for one in every if one.fault not in best.key]
    for one in _shortlist(screen(state.problem, rest.fit, fresh), fits):
        state.try_set([*rest.faults, one.candidate], rest.fit, one.q)


def _without(state: Search, best: Explained, old: Candidate) -> Explained:
    """The best set less one fault, fitted from where the set stood."""
    keep = [one for one in best.faults if one is not old]
    x = best.fit.x[: state.problem.nuisances]
    sizes = dict(zip([one.fault for one in best.faults], best.fit.sizes(state.problem), strict=True))
    start = replace(best.fit, x=np.concatenate([x, *(sizes[one.fault] for one in keep)]))
    return state.try_set(keep, start, ())


def _shortlist(screened: Sequence[Screened], fits: int) -> list[Screened]:
    """The best, but no more than a few of a sort, and none hopelessly behind."""
    taken: list[Screened] = []
    sorts: Counter[tuple[str, tuple[str, ...]]] = Counter()
    for one in screened:
        sort = (type(one.candidate.fault).__name__, one.candidate.circuits)
        if sorts[sort] < SAME_SORT and len(taken) < fits and _hopeful(one, screened[0]):
            sorts[sort] += 1
            taken.append(one)
    return taken


def _hopeful(one: Screened, first: Screened) -> bool:
    return one.score > max(WORTH_TRYING, first.score - max(WORTH_A_FIT, 0.3 * abs(first.score)))


def _perhaps_joined(problem: Problem, nominal: Fit) -> list[tuple[str, str]]:
    """Pairs of circuits where feeding one lifts the other's pin above what a sound harness shows."""
    compared, harness = problem.compared, problem.harness
    order = {circuit.name: number for number, circuit in enumerate(harness.profile.circuits)}
    pairs: set[tuple[str, str]] = set()
    for fed in harness.profile.circuits:
        rows = np.flatnonzero(
            compared.feeds.fed[:, harness.pins.index(fed.pin)] & (compared.feeds.fed.sum(axis=1) == 1)
        )
        for other in harness.profile.circuits:
            column = harness.pins.index(other.pin)
            above = compared.value[rows, column] - nominal.prediction.value[rows, column]
            closed = compared.feeds.pin_return[rows] | compared.feeds.chassis_return[rows]
            if fed != other and np.any(above[closed] > JOINED_V + 0.02 * np.abs(compared.value[rows, column][closed])):
                pairs.add((fed.name, other.name) if order[fed.name] < order[other.name] else (other.name, fed.name))
    return sorted(pairs)
