"""Which candidates deserve a full fit, on top of what is already known.

First-order scores compare faults of one sort well, and of different sorts badly: a hard short
puts out the lamps beside it, a bridge lights those of another circuit. So the best of every sort
are taken, whatever plainly shows in the readings is taken, and on a circuit whose own readings
don't fit every sort of fault gets its try.
"""

from collections import Counter
from collections.abc import Callable, Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

from bench.electrical.candidates import Candidate
from bench.electrical.compared import Compared
from bench.electrical.faults import Bridge, Fault, Foreign, Leak, Series, Touch, WrongLoad
from bench.electrical.fitting import NU, Fit
from bench.electrical.laws import FloatArray
from bench.electrical.problem import Problem
from bench.electrical.screening import Screened
from bench.electrical.slopes import slopes

SAME_SORT = 2  # of one sort of fault on the same circuits
WORTH_A_FIT = 12.0  # log posterior behind the best screened
WORTH_TRYING = -6.0  # log posterior odds against no change
WORTH_LEADING = 3.0  # log evidence
SUSPECT_SIGMAS = 4.0
JOINED_V = 0.02
FOLLOWS_SHARE = 0.4

Sort = tuple[Hashable, ...]


def shortlist(
    problem: Problem, base: Fit, screened: Sequence[Screened], fits: int, most_suspects: int = 0
) -> list[Screened]:
    """What shows plainly, every sort on the circuits that fit worst, then the best by score up to ``fits``."""
    sorts: Counter[Sort] = Counter()
    taken: list[Screened] = []
    plain = _plain(problem, base, screened)
    suspects = suspicious(problem, misfit(problem, base))[:most_suspects] if most_suspects else []
    wanted = [*plain, *_each_sort(screened, suspects), *_by_score(screened, fits)]
    for one in dict.fromkeys(wanted):
        sort = (_sort(one.candidate.fault, problem), one.candidate.circuits)
        if sorts[sort] < SAME_SORT:
            sorts[sort] += 1
            taken.append(one)
    return taken


def _by_score(screened: Sequence[Screened], fits: int) -> list[Screened]:
    """The best of each kind of fault and of each group of circuits, then the best of all."""
    hopeful = [one for one in screened if one.score > WORTH_TRYING]
    keys: tuple[Callable[[Screened], Hashable], ...] = (
        lambda one: _sort(one.candidate.fault),
        lambda one: one.candidate.circuits,
    )
    leaders = [one for key in keys for one in _first_of_each(hopeful, key) if one.gain > WORTH_LEADING]
    least = hopeful[0].score - max(WORTH_A_FIT, 0.3 * abs(hopeful[0].score)) if hopeful else 0.0
    return list(dict.fromkeys([*leaders, *(one for one in hopeful if one.score > least)]))[:fits]


def _first_of_each(screened: Sequence[Screened], key: Callable[[Screened], Hashable]) -> list[Screened]:
    first: dict[Hashable, Screened] = {}
    for one in screened:
        first.setdefault(key(one), one)
    return list(first.values())


def _each_sort(screened: Sequence[Screened], circuits: Sequence[str]) -> list[Screened]:
    """The best of every sort of fault on each of some circuits."""
    return [
        one
        for circuit in circuits
        for one in _first_of_each(
            [each for each in screened if each.candidate.circuits == (circuit,)],
            lambda each: _sort(each.candidate.fault),
        )
    ]


def _sort(fault: Fault, problem: Problem | None = None) -> Sort:
    """What kind of fault it is, as far as first-order scores can't compare."""
    match fault:
        case Series():
            return ("series", fault.open)
        case WrongLoad():
            return ("load", fault.out)
        case Leak():
            return ("leak", fault.to, fault.short)
        case Bridge() if fault.one_way and problem is not None:
            return ("one way", problem.harness.live_side[problem.harness.nodes[fault.a]])
        case Bridge():
            return ("bridge", fault.one_way)
    return (type(fault).__name__,)


# --- what the readings show plainly ---


def _plain(problem: Problem, base: Fit, screened: Sequence[Screened]) -> list[Screened]:
    """Circuits fed from outside, and bridges between a pin that is fed and one that follows it."""
    known = {type(fault) for fault in base.faults}
    followed = set() if {Bridge, Touch} & known else followed_pairs(problem)
    return [
        one
        for one in screened
        if isinstance(one.candidate.fault, Foreign)
        or (isinstance(one.candidate.fault, Bridge | Touch) and one.candidate.circuits in followed)
    ]


def followed_pairs(problem: Problem) -> set[tuple[str, ...]]:
    """Pairs of circuits, in the profile's order, of which one pin takes much of the other's drive voltage."""
    compared, circuits = problem.compared, problem.harness.profile.circuits
    pairs = set()
    for fed in circuits:
        rows = _alone(compared, fed.pin, cold=False)
        for other in circuits:
            volts = compared.value[rows, compared.harness.pins.index(other.pin)]
            if other != fed and np.any(volts > FOLLOWS_SHARE * compared.feeds.volts[rows].max(axis=1, initial=0.0)):
                pairs.add(tuple(circuit.name for circuit in circuits if circuit in (fed, other)))
    return pairs


def perhaps_joined(problem: Problem, nominal: Fit) -> list[tuple[str, str]]:
    """Pairs of circuits where feeding one lifts the other's pin above what a sound harness shows."""
    compared, harness = problem.compared, problem.harness
    circuits = harness.profile.circuits
    order = {circuit.name: number for number, circuit in enumerate(circuits)}
    pairs: set[tuple[str, str]] = set()
    for fed in circuits:
        rows = np.concatenate([_alone(compared, fed.pin, cold=True), _alone(compared, fed.pin, cold=False)])
        for other in circuits:
            column = harness.pins.index(other.pin)
            seen, sound = compared.value[rows, column], nominal.prediction.value[rows, column]
            if other != fed and np.any(seen - sound > JOINED_V + 0.02 * np.abs(seen)):
                one, two = sorted((fed.name, other.name), key=lambda name: order[name])
                pairs.add((one, two))
    return sorted(pairs)


def _alone(compared: Compared, pin: int, *, cold: bool) -> NDArray[np.intp]:
    """Rows of readings that fed one pin alone with a return closed."""
    feeds = compared.feeds
    alone = feeds.fed[:, compared.harness.pins.index(pin)] & (feeds.fed.sum(axis=1) == 1)
    return np.flatnonzero(alone & (feeds.pin_return | feeds.chassis_return) & (feeds.cold == cold))


# --- circuits whose own readings don't fit ---


def misfit(problem: Problem, base: Fit) -> FloatArray:
    """(entries,), residuals in standard deviations of all that ``base`` leaves open.

    A fit has used its freedom already; the harness as drawn has all of it left.
    """
    if base.loss > 0:
        return np.asarray(np.abs(base.residual))
    rates, widen = slopes(problem, base.x, base.prediction)
    return np.asarray(np.abs(problem.residual(base.prediction, widen)) / np.sqrt(1 + (rates**2).sum(axis=1)))


def suspicious(problem: Problem, size: FloatArray) -> list[str]:
    """Circuits with a reading of their own that does not fit, worst first."""
    rows = problem.compared.entries[0]
    fed = problem.compared.feeds.fed
    loss = np.log1p(size**2 / NU)
    worst: dict[str, float] = {}
    for circuit in problem.harness.profile.circuits:
        own = fed[:, problem.harness.pins.index(circuit.pin)] & (fed.sum(axis=1) == 1)
        mine = own[rows]
        if np.any(size[mine] > SUSPECT_SIGMAS):
            worst[circuit.name] = float(loss[mine].sum())
    return sorted(worst, key=lambda name: -worst[name])


def telling(problem: Problem, nominal: Fit, screened: Sequence[Screened], least_gain: float) -> list[Candidate]:
    """Candidates worth keeping: what explains nothing alone explains nothing beside another fault either."""
    suspects = set(suspicious(problem, misfit(problem, nominal)))
    return [
        one.candidate
        for one in screened
        if one.gain > least_gain or (suspects & set(one.candidate.circuits) and len(one.candidate.circuits) == 1)
    ]
