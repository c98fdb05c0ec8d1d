"""Weigh everything together: ranked explanations of the readings, and the findings that follow.

The search (:mod:`bench.electrical.search`) has fitted many sets of faults; their posterior weights
(:mod:`bench.electrical.weighing`) give every finding its confidence, and every rival that the
readings leave open its place among the alternatives. A misfit that no set explains is said to be
unexplained.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.baseline import Baseline
from bench.electrical.candidates import Candidate, Topology
from bench.electrical.faults import Leak, Touch
from bench.electrical.harness import build
from bench.electrical.naming import Named
from bench.electrical.problem import pose
from bench.electrical.reach import Reach, short_reach, touch_place
from bench.electrical.rules import supply_findings
from bench.electrical.search import Explained, search
from bench.electrical.weighing import TELLING_SIGMAS, Spot, Weighed
from bench.electrical.wording import finding, join_words
from bench.profiles.model import Circuit, Measurements
from bench.results import Alternative, Evidence, Finding, Size, Verdict, Where

SURE = 0.90
WORTH_SAYING = 0.6
WORTH_NAMING = 0.02
UNEXPLAINED_SIGMAS = 6.0
UNEXPLAINED_MEAN = 1.6
MOST_HYPOTHESES = 12


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One set of faults that was weighed.

    Attributes:
        title: in words.
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
    told = _Told(Weighed(problem, topology, search(problem, topology)))
    worst, odd = told.misfit()
    findings = (*supply_findings(measurements), *told.findings(), *([told.unexplained()] if odd else []))
    return Diagnosis(findings, told.hypotheses(), worst, odd, told.weighed.best.fit.scale, untested)


class _Told:
    """Turns weights into findings and ranked hypotheses."""

    def __init__(self, weighed: Weighed) -> None:
        self.weighed = weighed
        profile = weighed.problem.measurements.profile
        self.circuits = {circuit.name: circuit for circuit in profile.circuits}
        self.ground_pins = profile.connector.ground_pins

    def findings(self) -> list[Finding]:
        """One for every fault of the best set that matters; dead lamps of a circuit are counted together."""
        groups: dict[tuple[str, tuple[str, ...], int], list[tuple[Candidate, Named]]] = {}
        for position, (candidate, named) in enumerate(self.weighed.best_named()):
            place = -1 if named.kind == "lamp-out" else position
            groups.setdefault((*named.key, place), []).append((candidate, named))
        likely = (group for group in groups.values() if self._probability(group) >= WORTH_SAYING)
        return [self._finding(group) for group in likely]

    def _probability(self, group: Sequence[tuple[Candidate, Named]]) -> float:
        return self.weighed.any_fault(group[0][1].circuits)

    def _finding(self, group: Sequence[tuple[Candidate, Named]]) -> Finding:
        candidate, named = group[0]
        spots = self.weighed.spots(candidate)
        main = _main(spots)
        whole = named.whole_ground and main.circuits == named.circuits
        place, detail, reach = self._place(candidate, named, main)
        if len(group) > 1:
            detail = f"These are {join_words([words.where.name for _, words in group if words.where])}."
        return finding(
            main.kind,
            [self.circuits[circuit] for circuit in main.circuits],
            confidence=sum(one.probability for one in spots if (one.kind, one.circuits) == (main.kind, main.circuits)),
            verdict=Verdict.FAIL if self._probability(group) >= SURE else Verdict.UNSURE,
            where=place,
            size=_size(main, group),
            evidence=[*self._evidence(candidate), *reach],
            alternatives=[
                Alternative(one.kind, one.where, round(one.probability, 4))
                for one in spots
                if one is not main and one.probability >= WORTH_NAMING and not _same_short(one, main)
            ],
            detail=detail,
            of="whole harness" if whole else "",
            pins=self.ground_pins if whole else None,
        )

    def _place(self, candidate: Candidate, named: Named, main: Spot) -> tuple[Where | None, str, list[Evidence]]:
        """Where it is; for a short how far it can be, in words and as evidence."""
        if isinstance(candidate.fault, Touch) and main.where == named.where:
            return touch_place(self.weighed.problem, self.weighed.topology, self.weighed.best, candidate.fault), "", []
        if not isinstance(candidate.fault, Leak) or main.kind != "short-to-ground":
            return main.where, "", []
        reach = short_reach(self.weighed.problem, self.weighed.topology, self.weighed.rivals(candidate))
        return (
            reach.where or named.where,
            _say_reach(reach),
            [Evidence("farthest from the connector", round(reach.most_m, 2), "m")],
        )

    def _evidence(self, candidate: Candidate) -> list[Evidence]:
        """The voltage and the current that this fault moves most, each with what it would be without it."""
        weighed = self.weighed
        keep = [one for one in weighed.best.faults if one.fault != candidate.fault]
        expected = weighed.as_drawn(weighed.best, keep)
        moved = weighed.apart(weighed.as_drawn(weighed.best, weighed.best.faults), expected)
        out: list[Evidence] = []
        is_volts = weighed.problem.compared.entries[1] <= weighed.problem.compared.pins
        for kind in (~is_volts, is_volts):
            ranked = np.flatnonzero(kind)[np.argsort(-moved[kind])].tolist()
            if ranked and moved[ranked[0]] > TELLING_SIGMAS:
                told, usual = weighed.told(ranked[0]), float(expected[ranked[0]])
                out.append(Evidence(told.label, round(told.value, 3), told.unit))
                out.append(Evidence(f"{told.label}, expected", round(usual, 3), told.unit))
        return out

    # --- the rest ---

    def misfit(self) -> tuple[float, bool]:
        """Worst reading in standard deviations, and whether the whole is beyond belief."""
        size = np.abs(self.weighed.best.fit.residual)
        if not size.size:
            return 0.0, False
        mean, worst = float(np.mean(np.minimum(size, 10.0) ** 2)), float(size.max())
        return worst, worst > UNEXPLAINED_SIGMAS or mean > UNEXPLAINED_MEAN

    def unexplained(self) -> Finding:
        """Where the misfit is, and what to do."""
        entries = np.argsort(-np.abs(self.weighed.best.fit.residual))[:3].tolist()
        pins = {pin for entry in entries for pin in self.weighed.fed(entry)}
        told = [self.weighed.told(entry) for entry in entries]
        circuits = [circuit for circuit in self.circuits.values() if circuit.pin in pins]
        evidence = [Evidence(one.label, round(one.value, 3), one.unit) for one in told]
        return finding("unexplained", circuits, confidence=0.9, verdict=Verdict.UNSURE, evidence=evidence)

    def hypotheses(self) -> tuple[Hypothesis, ...]:
        """The best few, each with its deciding reading."""
        weighed = self.weighed
        return tuple(
            Hypothesis(
                self._title(one),
                tuple(named.kind for named in names),
                tuple(dict.fromkeys(circuit for named in names for circuit in named.circuits)),
                round(one.log_posterior - weighed.sound.log_posterior, 2),
                round(weight, 4),
                self._deciding(one, self._runner_up() if one is weighed.best else weighed.best),
            )
            for one, names, weight in zip(
                weighed.sets[:MOST_HYPOTHESES],
                weighed.named[:MOST_HYPOTHESES],
                weighed.weights[:MOST_HYPOTHESES].tolist(),
                strict=True,
            )
        )

    def _runner_up(self) -> Explained:
        """The best set that means something else than the best of all."""
        weighed = self.weighed
        meant = {named.key for named in weighed.named[0]}
        pairs = zip(weighed.sets, weighed.named, strict=True)
        return next((one for one, names in pairs if {named.key for named in names} != meant), weighed.sound)

    def _deciding(self, one: Explained, rival: Explained) -> str:
        """The reading that two explanations disagree on most, beside what each of them says."""
        own, other = (self.weighed.as_drawn(each, each.faults) for each in (one, rival))
        apart = self.weighed.apart(own, other)
        if not apart.size or apart.max() < TELLING_SIGMAS:
            return "no single reading"
        entry = int(np.argmax(apart))
        told = self.weighed.told(entry)
        either = f"{own[entry]:.3g} {told.unit} by this, {other[entry]:.3g} {told.unit} by {self._title(rival)}"
        return f"{told.label}: {told.value:.3g} {told.unit} read, {either}"

    def _title(self, one: Explained) -> str:
        names = self.weighed.named[self.weighed.sets.index(one)]
        plain = "nothing that matters" if one.faults else "a sound harness"
        return " and ".join(_title(named, self.circuits) for named in names) or plain


def _main(spots: Sequence[Spot]) -> Spot:
    """The likeliest place of the likeliest kind."""
    totals: dict[tuple[str, tuple[str, ...]], float] = {}
    for one in spots:
        totals[(one.kind, one.circuits)] = totals.get((one.kind, one.circuits), 0.0) + one.probability
    best = max(totals, key=lambda key: totals[key])
    return next(one for one in spots if (one.kind, one.circuits) == best)


def _size(main: Spot, group: Sequence[tuple[Candidate, Named]]) -> Size | None:
    if main.kind == "lamp-out":
        return Size(float(len(group)), "lamps")
    named = group[0][1]
    return named.size if named.kind == main.kind else None


def _same_short(one: Spot, main: Spot) -> bool:
    """Other places of the same short are told by its reach, not as alternatives."""
    return main.kind == "short-to-ground" and (one.kind, one.circuits) == (main.kind, main.circuits)


def _say_reach(reach: Reach) -> str:
    if reach.two_ended:
        return "The sense lead at the far end takes the contact resistance out of it."
    return (
        f"It is at most {reach.most_m:.1f} m of wire from the connector; contact resistance makes a short look "
        "farther away than it is. A second reading with the sense lead at the far end would settle where."
    )


def _title(named: Named, circuits: dict[str, Circuit]) -> str:
    where = f" at {named.where.name}" if named.where else ""
    of = "whole harness" if named.whole_ground else ", ".join(circuits[one].title for one in named.circuits)
    return f"{named.kind.replace('-', ' ')} ({of}){where}"
