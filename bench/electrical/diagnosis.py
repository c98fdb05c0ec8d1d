"""Weigh everything together: ranked explanations of the readings, and the findings that follow.

The search (:mod:`bench.electrical.search`) has fitted many sets of faults. Their posterior
weights give every finding its confidence, and every rival that the readings leave open its
place among the alternatives. A misfit that no set explains is said to be unexplained.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.electrical.baseline import Baseline
from bench.electrical.candidates import Candidate, Topology
from bench.electrical.faults import Leak
from bench.electrical.harness import build
from bench.electrical.laws import FloatArray
from bench.electrical.naming import Named, name, twins
from bench.electrical.problem import Problem, pose
from bench.electrical.reach import Reach, short_reach
from bench.electrical.rules import supply_findings
from bench.electrical.search import Explained, Search, search
from bench.electrical.slopes import slopes
from bench.electrical.wording import finding
from bench.profiles.model import Circuit, Measurements, Reading
from bench.results import Alternative, Evidence, Finding, Verdict, Where

TEMPER = 0.7  # of log evidence: the model is not quite the harness
SURE = 0.90
WORTH_SAYING = 0.6
WORTH_NAMING = 0.02
TELLING_SIGMAS = 1.0  # of what tolerances and sensors leave open
UNEXPLAINED_SIGMAS = 6.0
UNEXPLAINED_MEAN = 1.6
MOST_HYPOTHESES = 12


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One set of faults that was weighed.

    Attributes:
        title: in words; "sound" for none.
        kinds: of its faults that matter.
        circuits: of those faults.
        log_evidence: log posterior odds against a sound harness.
        probability: its share.
        deciding: the reading on which it and the best disagree most (for the best: it and the next
            one that means something else).
    """

    title: str
    kinds: tuple[str, ...]
    circuits: tuple[str, ...]
    log_evidence: float
    probability: float
    deciding: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the readings say.

    Attributes:
        findings: what to tell people.
        hypotheses: ranked, for who asks why.
        misfit: worst reading under the best explanation, in standard deviations.
        unexplained: no explanation fits.
        tolerance_scale: how far this harness strays from its drawing, against the profile's tolerances.
        untested: circuits that no reading fed.
    """

    findings: tuple[Finding, ...]
    hypotheses: tuple[Hypothesis, ...]
    misfit: float
    unexplained: bool
    tolerance_scale: float
    untested: tuple[str, ...]


def diagnose(measurements: Measurements, baseline: Baseline | None = None) -> Diagnosis:
    """Rank every explanation of ``measurements``; what was not measured is simply not known.

    ``baseline`` is what earlier sound readings of the same harness taught; it narrows the tolerances.
    Circuits that no reading fed are listed as untested; with no readings at all there is
    nothing else.
    """
    profile = measurements.profile
    fed = {pin for reading in measurements.readings for pin in reading.driven}
    untested = tuple(circuit.name for circuit in profile.circuits if circuit.pin not in fed)
    if not measurements.readings:
        return Diagnosis((), (), 0.0, False, 1.0, untested)
    topology = Topology(build(profile, [reading.sense_at for reading in measurements.readings]))
    problem = pose(measurements, topology.harness, baseline.prior if baseline else None)
    weighed = _Weighed(problem, topology, search(problem, topology))
    worst, odd = weighed.misfit()
    findings = (*supply_findings(measurements), *weighed.findings())
    if odd:
        findings = (*findings, weighed.unexplained())
    return Diagnosis(findings, weighed.hypotheses(), worst, odd, weighed.best.fit.scale, untested)


class _Weighed:
    """Posterior weights of everything that was tried."""

    def __init__(self, problem: Problem, topology: Topology, found: Search) -> None:
        self.problem, self.topology, self.found = problem, topology, found
        self.best = found.best
        self.sets = sorted(found.tried.values(), key=lambda one: -one.log_posterior)
        logs = np.array([one.log_posterior for one in self.sets])
        weights = np.exp(TEMPER * (logs - logs.max()))
        self.weights: FloatArray = weights / weights.sum()
        self.named = [self._names(one) for one in self.sets]
        self.uncertain = _uncertain(problem, found)
        self.circuits = {circuit.name: circuit for circuit in problem.measurements.profile.circuits}

    def _names(self, one: Explained) -> list[Named]:
        sizes = one.fit.sizes(self.problem)
        pairs = zip(one.faults, sizes, strict=True)
        return [named for candidate, q in pairs if (named := name(self.topology, candidate, q)) is not None]

    # --- findings ---

    def findings(self) -> list[Finding]:
        """One for every fault of the best set that matters; dead lamps of a circuit are counted together."""
        groups: dict[tuple[str, tuple[str, ...], int], list[tuple[Candidate, Named]]] = {}
        for position, (candidate, q) in enumerate(
            zip(self.best.faults, self.best.fit.sizes(self.problem), strict=True)
        ):
            named = name(self.topology, candidate, q)
            if named is not None:
                place = -1 if named.kind == "lamp-out" else position
                groups.setdefault((*named.key, place), []).append((candidate, named))
        return [
            self._finding(group) for group in groups.values() if self._any_fault(group[0][1].circuits) >= WORTH_SAYING
        ]

    def _finding(self, group: Sequence[tuple[Candidate, Named]]) -> Finding:
        candidate, named = group[0]
        confidence = self._share(named.key)
        size = replace(named.size, value=float(len(group))) if named.size and named.kind == "lamp-out" else named.size
        others, own = self._alternatives(group, confidence)
        where, detail = named.where, ""
        evidence: list[Evidence] = []
        if isinstance(candidate.fault, Leak) and named.kind == "short-to-ground":
            reach = short_reach(self.problem, self.topology, self._rivals_of(candidate))
            where, detail, evidence = _say_reach(reach, named.where)
        whole = named.whole_ground
        return finding(
            named.kind,
            [self.circuits[circuit] for circuit in named.circuits],
            confidence=confidence * own,
            verdict=Verdict.FAIL if self._any_fault(named.circuits) >= SURE else Verdict.UNSURE,
            where=where,
            size=size,
            evidence=[*self._evidence(candidate), *evidence],
            alternatives=others,
            detail=detail,
            of="whole harness" if whole else "",
            pins=self.topology.harness.profile.connector.ground_pins if whole else None,
        )

    def _share(self, key: tuple[str, tuple[str, ...]]) -> float:
        holds = [any(named.key == key for named in names) for names in self.named]
        return float(self.weights[np.array(holds)].sum())

    def _any_fault(self, circuits: Sequence[str]) -> float:
        """Probability that something is wrong with any of these circuits."""
        wanted = set(circuits)
        holds = [any(wanted & set(named.circuits) for named in names) for names in self.named]
        return float(self.weights[np.array(holds)].sum())

    def _rivals_of(self, candidate: Candidate) -> list[tuple[Explained, Candidate, float]]:
        """Sets that differ from the best in this fault alone, with the fault that stands there and their weight."""
        rest = self.best.key - {candidate.fault}
        out = []
        for one, weight in zip(self.sets, self.weights.tolist(), strict=True):
            if len(one.key) == len(self.best.key) and rest <= one.key:
                stands = next(other for other in one.faults if other.fault not in rest)
                out.append((one, stands, weight))
        return out

    def _alternatives(
        self, group: Sequence[tuple[Candidate, Named]], confidence: float
    ) -> tuple[list[Alternative], float]:
        """Rivals by posterior weight, then what no reading can tell apart; and the share left to the finding."""
        candidate, named = group[0]
        shares: dict[tuple[str, Where | None], float] = {}
        best_shape = {one.fault for one, _ in group}
        for one, stands, weight in self._rivals_of(candidate):
            q = dict(zip([c.fault for c in one.faults], one.fit.sizes(self.problem), strict=True))[stands.fault]
            other = name(self.topology, stands, q)
            if other is not None and stands.fault not in best_shape:
                spot: tuple[str, Where | None] = (other.kind, other.where)
                if spot != (named.kind, named.where):
                    shares[spot] = shares.get(spot, 0.0) + weight
        same = twins(self.topology, candidate, named)
        for twin in same:
            place = (twin.kind, twin.where)
            shares[place] = shares.get(place, 0.0) + confidence * twin.confidence
        umbrella = named.kind == "abs-supply"  # says what is missing, whichever part is at fault
        own = 1.0 if umbrella else 1 - sum(twin.confidence for twin in same if twin.kind != named.kind)
        ranked = sorted(shares.items(), key=lambda item: -item[1])
        others = [
            Alternative(kind, where, round(min(share, 1.0), 4))
            for (kind, where), share in ranked
            if share >= WORTH_NAMING
        ]
        return others, own

    def _evidence(self, candidate: Candidate) -> list[Evidence]:
        """The voltage and the current that this fault moves most, each with what it would be without it."""
        keep = [one for one in self.best.faults if one.fault != candidate.fault]
        expected = self._as_drawn(self.best, keep)
        moved = np.abs(self._as_drawn(self.best, self.best.faults) - expected) / self.uncertain
        out: list[Evidence] = []
        is_volts = self.problem.compared.entries[1] <= self.problem.compared.pins
        for kind in (~is_volts, is_volts):
            ranked = np.flatnonzero(kind)[np.argsort(-moved[kind])]
            if ranked.size and moved[ranked[0]] > TELLING_SIGMAS:
                label, unit, value = self._describe(int(ranked[0]))
                usual = float(expected[ranked[0]])
                out += [Evidence(label, round(value, 3), unit), Evidence(f"{label}, expected", round(usual, 3), unit)]
        return out

    def _as_drawn(self, one: Explained, faults: Sequence[Candidate]) -> FloatArray:
        """(entries,), readings of the harness as drawn but for some faults of a set, as large as the set has them."""
        sizes = dict(zip([each.fault for each in one.faults], one.fit.sizes(self.problem), strict=True))
        x = np.concatenate([self.problem.prior.mean, *(sizes[each.fault] for each in faults)])
        return np.asarray(self.problem.predict(x, [each.fault for each in faults]).value[self.problem.compared.entries])

    def _describe(self, entry: int) -> tuple[str, str, float]:
        reading, what, unit, value = self.problem.compared.describe(entry, self.problem.measurements.readings)
        return f"{what} with {_say_fed(reading)}", unit, value

    # --- the rest ---

    def misfit(self) -> tuple[float, bool]:
        """Worst reading in standard deviations, and whether the whole is beyond belief."""
        size = np.abs(self.best.fit.residual)
        if not size.size:
            return 0.0, False
        mean = float(np.mean(np.minimum(size, 10.0) ** 2))
        worst = float(size.max())
        return worst, worst > UNEXPLAINED_SIGMAS or mean > UNEXPLAINED_MEAN

    def unexplained(self) -> Finding:
        """Where the misfit is, and what to do."""
        size = np.abs(self.best.fit.residual)
        entries = np.argsort(-size)[:3].tolist()
        pins: set[int] = set()
        evidence = []
        for entry in entries:
            label, unit, value = self._describe(entry)
            pins |= set(self.problem.measurements.readings[int(self.problem.compared.entries[0][entry])].driven)
            evidence.append(Evidence(label, round(value, 3), unit))
        circuits = [circuit for circuit in self.circuits.values() if circuit.pin in pins]
        return finding("unexplained", circuits, confidence=0.9, verdict=Verdict.UNSURE, evidence=evidence)

    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """The best few, each with its deciding reading."""
        sound = self.found.tried[frozenset()].log_posterior
        out = []
        for number, (one, names, weight) in enumerate(zip(self.sets, self.named, self.weights.tolist(), strict=True)):
            if number >= MOST_HYPOTHESES:
                break
            rival = self._runner_up() if number == 0 else self.sets[0]
            out.append(
                Hypothesis(
                    self._title_of(one),
                    tuple(named.kind for named in names),
                    tuple(dict.fromkeys(circuit for named in names for circuit in named.circuits)),
                    round(one.log_posterior - sound, 2),
                    round(weight, 4),
                    self._deciding(one, rival),
                )
            )
        return tuple(out)

    def _runner_up(self) -> Explained:
        """The best set that means something else than the best of all."""
        meant = {named.key for named in self.named[0]}
        others = (one for one, names in zip(self.sets, self.named, strict=True) if {n.key for n in names} != meant)
        return next(others, self.found.tried[frozenset()])

    def _deciding(self, one: Explained, rival: Explained) -> str:
        """The reading that two explanations disagree on most, beside what each of them says."""
        own, other = (self._as_drawn(each, each.faults) for each in (one, rival))
        apart = np.abs(own - other) / self.uncertain
        if not apart.size or apart.max() < TELLING_SIGMAS:
            return "no single reading"
        entry = int(np.argmax(apart))
        label, unit, value = self._describe(entry)
        either = f"{own[entry]:.3g} {unit} by this, {other[entry]:.3g} {unit} by {self._title_of(rival)}"
        return f"{label}: {value:.3g} {unit} read, {either}"

    def _title_of(self, one: Explained) -> str:
        names = self.named[self.sets.index(one)]
        plain = "nothing that matters" if one.faults else "a sound harness"
        return " and ".join(_title(named, self.circuits) for named in names) or plain


def _uncertain(problem: Problem, found: Search) -> FloatArray:
    """(entries,), standard deviation of each reading of a sound harness: noise, sensors and tolerances together."""
    sound = found.tried[frozenset()].fit
    rates, widen = slopes(problem, sound.x, sound.prediction)
    spread = np.sqrt(1 + (rates**2).sum(axis=1))
    return np.asarray(problem.compared.sigma[problem.compared.entries] * widen * spread)


def _say_fed(reading: Reading) -> str:
    pins = ", ".join(str(pin) for pin in reading.driven)
    way = {"both": "both returns", "none": "no return"}.get(reading.returns, f"{reading.returns} return")
    return f"pin {pins} {({'probe': 'probed', 'pulse': 'pulsed', 'drive': 'driven'})[reading.how]}, {way}"


def _say_reach(reach: Reach, where: Where | None) -> tuple[Where | None, str, list[Evidence]]:
    place = where if reach.where is None else reach.where
    detail = (
        f"It is at most {reach.most_m:.1f} m of wire from the connector; contact resistance makes a short look "
        "farther away than it is. A second reading with the sense lead at the far end would settle where."
    )
    if reach.two_ended:
        detail = "The sense lead at the far end takes the contact resistance out of it."
    return place, detail, [Evidence("farthest from the connector", round(reach.most_m, 2), "m")]


def _title(named: Named, circuits: dict[str, Circuit]) -> str:
    where = f" at {named.where.name}" if named.where else ""
    of = "whole harness" if named.whole_ground else ", ".join(circuits[one].title for one in named.circuits)
    return f"{named.kind.replace('-', ' ')} ({of}){where}"
