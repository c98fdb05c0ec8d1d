"""Posterior weights of everything that was tried, and what they say of each fault of the best set.

A fault's probability is conditional on the rest of the best set: its rivals are the sets that
differ from the best in this fault alone, and the set without it. Each rival's weight is shared
among the places and kinds that no reading can tell apart, so a wire, its contacts and the lamp
at its end each get their part.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.candidates import Candidate, Topology
from bench.electrical.faults import Fault
from bench.electrical.laws import FloatArray
from bench.electrical.naming import Named, name, same_from_outside
from bench.electrical.problem import Problem
from bench.electrical.search import Explained, Search
from bench.electrical.slopes import slopes
from bench.electrical.wording import join_words
from bench.profiles.model import Reading
from bench.results import FindingKind, Where

TEMPER = 0.7  # of log evidence: the model is not quite the harness
TELLING_SIGMAS = 1.0  # of what tolerances and sensors leave open


@dataclass(frozen=True, slots=True)
class Spot:
    """One thing a fault may be, where, and how probably."""

    kind: FindingKind
    circuits: tuple[str, ...]
    where: Where | None
    probability: float


@dataclass(frozen=True, slots=True)
class Told:
    """A reading in words: what was read, the unit, the value."""

    label: str
    unit: str
    value: float


class Weighed:
    """What a search found, weighed."""

    def __init__(self, problem: Problem, topology: Topology, found: Search) -> None:
        self.problem, self.topology = problem, topology
        self.sets = sorted(found.tried.values(), key=lambda one: -one.log_posterior)
        self.best, self.sound = self.sets[0], found.tried[frozenset()]
        logs = np.array([one.log_posterior for one in self.sets])
        weights = np.exp(TEMPER * (logs - logs.max()))
        self.weights: FloatArray = weights / weights.sum()
        self.named = [self._names(one) for one in self.sets]
        self._uncertain = _uncertainty(problem, self.sound)
        self._drawn: dict[tuple[frozenset[Fault], tuple[Fault, ...]], FloatArray] = {}

    def _names(self, one: Explained) -> list[Named]:
        sizes = one.fit.sizes(self.problem)
        pairs = zip(one.faults, sizes, strict=True)
        return [named for candidate, q in pairs if (named := name(self.topology, candidate, q)) is not None]

    def best_named(self) -> list[tuple[Candidate, Named]]:
        """The faults of the best set that matter, in words."""
        sizes = self.best.fit.sizes(self.problem)
        named = [(one, name(self.topology, one, q)) for one, q in zip(self.best.faults, sizes, strict=True)]
        return [(one, words) for one, words in named if words is not None]

    def any_fault(self, circuits: Sequence[str]) -> float:
        """Probability that something is wrong with any of these circuits."""
        wanted = set(circuits)
        holds = [any(wanted & set(named.circuits) for named in names) for names in self.named]
        return float(self.weights[np.array(holds)].sum())

    def rivals(self, candidate: Candidate) -> list[tuple[Explained, Candidate, float]]:
        """Sets that differ from the best in this fault alone, with the fault that stands there and their weight."""
        rest = self.best.key - {candidate.fault}
        out = []
        for one, weight in zip(self.sets, self.weights.tolist(), strict=True):
            if len(one.key) == len(self.best.key) and rest <= one.key:
                stands = next(other for other in one.faults if other.fault not in rest)
                out.append((one, stands, weight))
        return out

    def spots(self, candidate: Candidate) -> list[Spot]:
        """Everything that this fault of the best set may be, likeliest first; they sum to 1 less "nothing"."""
        rest = self.best.key - {candidate.fault}
        nothing = sum(w for one, w in zip(self.sets, self.weights.tolist(), strict=True) if one.key == rest)
        rivals = self.rivals(candidate)
        total = nothing + sum(weight for _, _, weight in rivals)
        shares: dict[tuple[FindingKind, tuple[str, ...], Where | None], float] = {}
        for one, stands, weight in rivals:
            sizes = dict(zip([each.fault for each in one.faults], one.fit.sizes(self.problem), strict=True))
            named = name(self.topology, stands, sizes[stands.fault])
            for kind, where, share in same_from_outside(self.topology, stands, named) if named else ():
                spot = (kind, stands.circuits, where)
                shares[spot] = shares.get(spot, 0.0) + weight * share / total
        ranked = sorted(shares.items(), key=lambda item: -item[1])
        return [Spot(kind, circuits, where, share) for (kind, circuits, where), share in ranked]

    # --- readings ---

    def as_drawn(self, one: Explained, faults: Sequence[Candidate]) -> FloatArray:
        """(entries,), readings of the harness as drawn but for some faults of a set, as large as the set has them."""
        kept = tuple(each.fault for each in faults)
        if (one.key, kept) not in self._drawn:
            sizes = dict(zip([each.fault for each in one.faults], one.fit.sizes(self.problem), strict=True))
            x = np.concatenate([self.problem.prior.mean, *(sizes[fault] for fault in kept)])
            value = self.problem.predict(x, kept).value[self.problem.compared.entries]
            self._drawn[(one.key, kept)] = np.asarray(value)
        return self._drawn[(one.key, kept)]

    def apart(self, one: FloatArray, other: FloatArray) -> FloatArray:
        """(entries,), how far apart two predictions are, in standard deviations of a sound harness's readings."""
        return np.asarray(np.abs(one - other) / self._uncertain)

    def told(self, entry: int) -> Told:
        """A compared reading in words."""
        reading, what, unit, value = self.problem.compared.describe(entry, self.problem.measurements.readings)
        return Told(_say(what, reading), unit, value)

    def fed(self, entry: int) -> tuple[int, ...]:
        """Pins that were fed in a compared reading."""
        return self.problem.measurements.readings[int(self.problem.compared.entries[0][entry])].driven


def _uncertainty(problem: Problem, sound: Explained) -> FloatArray:
    """(entries,), standard deviation of each reading of a sound harness: noise, sensors and tolerances together."""
    rates, widen = slopes(problem, sound.fit.x, sound.fit.prediction)
    spread = np.sqrt(1 + (rates**2).sum(axis=1))
    return np.asarray(problem.compared.sigma[problem.compared.entries] * widen * spread)


def _say(what: str, reading: Reading) -> str:
    """A reading as one would say it: ``pin 2, driven alone, both returns``."""
    way = {"both": "both returns", "none": "no return"}.get(reading.returns, f"{reading.returns} return")
    how = {"probe": "probed", "pulse": "pulsed", "drive": "driven"}[reading.how]
    pins = [str(pin) for pin in sorted(reading.driven)]
    if not pins:
        return f"{what} with nothing fed, {way}"
    if what == f"pin {pins[0]}" and len(pins) == 1:
        return f"{what}, {how} alone, {way}"
    return f"{what} with pin{'s' if len(pins) > 1 else ''} {join_words(pins)} {how}, {way}"
