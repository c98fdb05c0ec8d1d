"""Find the sets of faults that explain the readings best: singles, then greedy pairs and triples.

Every single fault is screened to first order; a shortlist gets full fits. The winner is the
ground on which the next fault is screened, and so on while the evidence grows; after each
addition the earlier faults are put in question again, and two that concern the same circuits
may be found to be one. Last, for every fault of the winning set, its rivals are fitted in its
place, so that what the readings can't tell apart is found out rather than assumed.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from bench.electrical.candidates import Candidate, Topology, candidates
from bench.electrical.compared import lifted_circuits
from bench.electrical.faults import Bridge, Fault, Leak, Touch
from bench.electrical.fitting import Fit, fit
from bench.electrical.problem import Problem
from bench.electrical.screening import screen
from bench.electrical.shortlist import perhaps_joined, shortlist, telling

MOST_FAULTS = 4
FIRST_FITS = 12
LATER_FITS = 6
QUESTION_FITS = 2
RIVAL_FITS = 4
FIRST_SUSPECTS = 2  # circuits on which every sort of fault is tried
LATER_SUSPECTS = 1
WORTH_KEEPING = -1.0  # log evidence
HOPELESS = 40.0  # loss behind the best set so far


@dataclass(frozen=True, slots=True)
class Explained:
    """A set of faults with its fit; log posterior up to a constant common to the problem."""

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

    def try_more(self, ground: Explained, every: Sequence[Candidate], fits: int, suspects: int = 0) -> None:
        """Fit the most promising candidates beside those of ``ground``."""
        fresh = [one for one in every if one.fault not in ground.key]
        screened = screen(self.problem, ground.fit, fresh)
        for one in shortlist(self.problem, ground.fit, screened, fits, suspects):
            self.try_set([*ground.faults, one.candidate], ground.fit, one.q)

    def without(self, known: Explained, *dropped: Candidate) -> Explained:
        """A set less some of its faults, fitted from where the set stood."""
        keep = [one for one in known.faults if one not in dropped]
        x = known.fit.x[: self.problem.nuisances]
        sizes = dict(zip([one.fault for one in known.faults], known.fit.sizes(self.problem), strict=True))
        start = replace(known.fit, x=np.concatenate([x, *(sizes[one.fault] for one in keep)]))
        return self.try_set(keep, start, ())

    @property
    def best(self) -> Explained:
        """Highest posterior so far."""
        return max(self.tried.values(), key=lambda one: one.log_posterior)


def search(problem: Problem, topology: Topology) -> Search:
    """Explore; the result's ``best`` and ``tried`` say what was found."""
    state = Search(problem)
    nominal = _nominal(problem)
    state.try_set([], nominal, ())
    every = candidates(topology, perhaps_joined(problem, nominal), lifted_circuits(problem.compared))
    ranked = screen(problem, nominal, every)
    for one in shortlist(problem, nominal, ranked, FIRST_FITS, FIRST_SUSPECTS):
        state.try_set([one.candidate], nominal, one.q)
    worth = telling(problem, nominal, ranked, WORTH_KEEPING)
    _grow(state, worth)
    _merge(state, worth)
    _rivals(state, worth)
    return state


def _nominal(problem: Problem) -> Fit:
    """The harness exactly as drawn, as a ground for screening."""
    x = problem.prior.mean
    prediction = problem.predict(x, [])
    return Fit((), x, 0.0, 0.0, 1.0, problem.residual(prediction), np.eye(len(x)), prediction)


def _grow(state: Search, every: Sequence[Candidate]) -> None:
    """Add faults while that helps, and replace earlier ones that no longer stand."""
    while len(state.best.faults) < MOST_FAULTS:
        ground = state.best
        state.try_more(ground, every, LATER_FITS, LATER_SUSPECTS)
        if state.best is ground:
            return
        best = state.best
        for old in best.faults[:-1]:
            state.try_more(state.without(best, old), every, QUESTION_FITS)


def _merge(state: Search, every: Sequence[Candidate]) -> None:
    """Whether two faults that concern the same circuits are one."""
    best = state.best
    for one, other in combinations(best.faults, 2):
        if set(one.circuits) & set(other.circuits):
            state.try_more(state.without(best, one, other), every, RIVAL_FITS)


def _rivals(state: Search, every: Sequence[Candidate]) -> None:
    """What else could stand in place of each fault; what may be anywhere along wires, everywhere along them."""
    best = state.best
    for old in best.faults:
        if _mechanism(old.fault) is not None:
            _everywhere(state, best, old, every)
        if len(best.faults) > 1:
            state.try_more(state.without(best, old), every, RIVAL_FITS)


def _everywhere(state: Search, best: Explained, old: Candidate, every: Sequence[Candidate]) -> None:
    rest, wanted = state.without(best, old), (_mechanism(old.fault), old.circuits)
    same = [one for one in every if (_mechanism(one.fault), one.circuits) == wanted]
    for one in screen(state.problem, rest.fit, same):
        state.try_set([*rest.faults, one.candidate], rest.fit, one.q)


def _mechanism(fault: Fault) -> Hashable:
    """What is the same for one fault at another place of the same circuits; None where places are weighed anyway."""
    match fault:
        case Leak():
            return ("leak", fault.to, fault.short)
        case Bridge():
            return ("joined", fault.one_way)
        case Touch():
            return ("joined", False)
    return None
