"""From readings to what people are told: the ranking's findings, with what only clear rules can see beside them.

The ranking (:mod:`bench.electrical.diagnosis`) weighs every reading that has settled. It leaves out
readings in which the board switched a circuit off by itself, and it takes the harness to be the same
in all of them, and the board's sensors to be as good as stated. So three things are for rules alone:
a short that only such a reading shows, a contact that comes and goes between readings, and a current
sensor that contradicts the others. Where the ranking looked at the same circuit it has
the last word, so that nothing is said twice.

When the ranking itself fails, the rules' findings stand, and it is said that they do.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bench.electrical.baseline import Baseline
from bench.electrical.board_rules import board_faults
from bench.electrical.calibration import corrected
from bench.electrical.diagnosis import Diagnosis, diagnose
from bench.electrical.intermittent import comes_and_goes
from bench.electrical.rules import first_look
from bench.electrical.whereabouts import whereabouts
from bench.profiles.model import Measurements, Profile, Reading
from bench.results import Alternative, Explanation, Finding

Rank = Callable[[Measurements, Baseline | None], Diagnosis]


@dataclass(frozen=True, slots=True)
class Conclusion:
    """What is said of a harness.

    Attributes:
        ranked: what the ranking found; None where it could not be asked.
        notes: what people should know of how it was found.
    """

    findings: tuple[Finding, ...]
    ranked: Diagnosis | None = None
    notes: tuple[str, ...] = ()

    @property
    def explanations(self) -> tuple[Explanation, ...]:
        """What was weighed, the likeliest first."""
        return tuple(
            Explanation(one.title, one.kinds, one.circuits, one.log_evidence, one.probability, one.deciding)
            for one in (self.ranked.hypotheses if self.ranked else ())
        )


def conclude(measurements: Measurements, baseline: Baseline | None = None, rank: Rank = diagnose) -> Conclusion:
    """Say what is wrong, from everything that was read.

    Args:
        measurements: as read; a gain that the board measured of itself is allowed for here.
        baseline: what earlier sound readings of the same harness taught.
        rank: the ranking.
    """
    measurements = corrected(measurements)
    by_rules = first_look(measurements)
    wrong = board_faults(measurements)
    seen = (*wrong, *(found for found in comes_and_goes(measurements) if not _named(found, wrong)))
    if not any(reading.driven for reading in measurements.readings):
        return Conclusion(by_rules)
    try:
        ranked = rank(measurements, baseline)
    except Exception as error:  # whatever went wrong in it, the run and its rules' findings are kept
        return Conclusion(_told(_with(seen, by_rules), measurements.profile), None, (_fallback(error),))
    alone = [found for found in by_rules if _only_for_rules(found, measurements) and not _named(found, ranked.findings)]
    findings = _told(_with(seen, (*ranked.findings, *alone)), measurements.profile)
    return Conclusion(findings, ranked, _notes(ranked, measurements.profile))


_SERIOUS = ("safety", "defect", "advice")


def _told(findings: Sequence[Finding], profile: Profile) -> tuple[Finding, ...]:
    """Worst first, each with its place in words that one can walk to."""
    ranked = sorted(findings, key=lambda found: (_SERIOUS.index(found.severity), -found.confidence))
    return tuple(_addressed(found, profile) for found in ranked)


def _addressed(found: Finding, profile: Profile) -> Finding:
    if found.where is None or not (address := whereabouts(profile, found.where)):
        return found
    return replace(found, next=found.next.replace(found.where.name, f"{found.where.name} ({address})", 1))


def _fallback(error: Exception) -> str:
    why = str(error) or type(error).__name__
    return f"weighing the readings failed ({why}): the findings are those of clear rules, without places or odds"


def _notes(ranked: Diagnosis, profile: Profile) -> tuple[str, ...]:
    if not ranked.untested:
        return ()
    titles = [profile.circuit(name).title for name in ranked.untested]
    return (f"nothing is known of what was never fed: {', '.join(titles)}",)


def _only_for_rules(found: Finding, measurements: Measurements) -> bool:
    """Whether what was read of a finding's pins was left out of the ranking."""
    own = [reading for reading in measurements.readings if set(reading.driven) & set(found.pins)]
    return bool(own) and not any(_weighed(reading) for reading in own if reading.how != "probe")


def _weighed(reading: Reading) -> bool:
    return not reading.tripped


def _named(found: Finding, others: Sequence[Finding]) -> bool:
    return any(set(found.circuits) & set(other.circuits) for other in others)


def _with(rules: Sequence[Finding], findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """What only rules see takes the place of what its circuits looked like to the ranking, which stays as a rival."""
    kept = list(findings)
    out = []
    for found in rules:
        own = set(found.circuits)
        same = [other for other in kept if other.circuits and set(other.circuits) <= own]
        kept = [other for other in kept if other not in same]
        out.append(_with_rivals(found, [other for other in same if other.kind != "unexplained"]))
    return (*out, *kept)


def _with_rivals(found: Finding, rivals: Sequence[Finding]) -> Finding:
    """The place is that of a rival where the rule knows none; each rival keeps a part of what the rule leaves."""
    left = (1.0 - found.confidence) / max(len(rivals), 1)
    others = tuple(Alternative(rival.kind, rival.where, round(left * rival.confidence, 4)) for rival in rivals)
    placed = found.kind == "intermittent" and found.where is None
    where = next((rival.where for rival in rivals if rival.where), None) if placed else found.where
    return replace(found, where=where, alternatives=(*found.alternatives, *others))
