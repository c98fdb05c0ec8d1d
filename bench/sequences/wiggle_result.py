"""What a watch amounts to: values, findings and a verdict that claims no more than was looked at. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from bench.contract.table import TripReason
from bench.electrical.sampling import SAMPLE_S, rarest_every_s, seen_probability
from bench.profiles.model import Circuit, Profile, Protection
from bench.results import Evidence, Finding, Severity, Size, StepResult, Value, Verdict, worst
from bench.sequences.conduction import Marks, Spell, Tally
from bench.sequences.values import judged

CLAIMED_OPENINGS_S = (0.001, 0.003)
TOGETHER_S = 0.002  # two circuits that open within it have something in common
LISTED = 200  # openings and shorts listed one by one in a record
THEORY = "sampling theory: geometric probability, Poisson thinning"
ADIABATIC = "copper, adiabatic, K = 226 (IEC 60364-5-54): 2,350 A²s takes 18 AWG from 50 to 70 °C (calculated)"


@dataclass
class Watching:
    """One circuit under watch.

    Attributes:
        how: ``off``, ``probed``, ``lit`` or ``exercised``.
        counts: how many times each change happened.
        watched_s: board time during which openings would have been seen.
        exercised_s: the part of it between retry pulses and during them.
        heat_a2s: what may have gone into the fault, at most.
        tripped: why the board switched it off, until something was done about it.
        confirmed: pulses of this exercise have met the short.
        changed_s: board clock of the last change.
        ended: why it is watched no longer.
    """

    circuit: Circuit
    channel: int
    tally: Tally = field(default_factory=Tally)
    how: str = "off"
    counts: dict[str, int] = field(default_factory=dict)
    watched_s: float = 0.0
    exercised_s: float = 0.0
    heat_a2s: float = 0.0
    tripped: TripReason | None = None
    confirmed: bool = False
    changed_s: float = 0.0
    ended: str | None = None

    def passed(self, seconds: float, protection: Protection) -> None:
        """Count board time that has passed in the present way of watching."""
        if self.how == "off":
            return
        self.watched_s += seconds
        if self.how == "exercised":
            self.exercised_s += seconds
            pulse_a2s = protection.wiggle_limit_a**2 * protection.wiggle_time_s
            self.heat_a2s += pulse_a2s * seconds / protection.wiggle_period_s


@dataclass(frozen=True, slots=True)
class Summary:
    """What belongs to the run as a whole; board clock seconds."""

    step: str
    title: str
    began_s: float
    ended_s: float
    lost: int
    dropouts: int
    cut_short: str | None = None


def conclude(profile: Profile, run: Summary, watched: Sequence[Watching], marks: Marks) -> StepResult:
    """The step's result."""
    values = [value for each in watched for value in _values(profile, each, run.began_s)]
    values += [Value(f"mark '{text}'", board_s - run.began_s, "s") for board_s, text in marks]
    if run.lost:
        values.append(judged("events lost", float(run.lost), "1", high=0.0, outside=Verdict.UNSURE))
    findings = tuple(finding for each in watched if (finding := _finding(profile, each, watched)))
    verdict = worst([*(value.verdict for value in values), *(finding.verdict for finding in findings)])
    return StepResult(
        run.step,
        run.title,
        verdict,
        run.began_s,
        max(run.ended_s - run.began_s, 0.0),
        tuple(values),
        findings,
        reason="; ".join(_reasons(run, watched)) or None,
    )


def _reasons(run: Summary, watched: Sequence[Watching]) -> Iterable[str]:
    if run.cut_short:
        yield run.cut_short
    for each in watched:
        if each.ended:
            yield f"{each.circuit.name}: {each.ended}"
        if len(each.tally.openings) + len(each.tally.shorts) > LISTED:
            yield f"{each.circuit.name}: only its first {LISTED} changes are listed"
        if each.how == "probed":
            yield f"{each.circuit.name}: at 12 mA a short that comes and goes is not seen; watch it lit for that"
    if run.dropouts:
        yield f"the link failed {run.dropouts} times; the board kept its events"
    if run.lost:
        yield f"{run.lost} events were overwritten on the board before they could be read"


# --- values ---


def _values(profile: Profile, each: Watching, began_s: float) -> Iterable[Value]:
    name, tally = each.circuit.name, each.tally
    if each.watched_s == 0.0:
        yield judged(f"{name} openings", None, "1")
        return
    yield judged(f"{name} openings", float(len(tally.openings)), "1", high=0.0)
    yield judged(f"{name} shorts", float(len(tally.shorts)), "1", high=0.0)
    yield Value(f"{name} watched", each.watched_s, "s")
    yield from _claims(profile, each)
    if each.heat_a2s:
        yield Value(f"{name} into the fault, at most", each.heat_a2s, "A²s", source=ADIABATIC)
    for word, spells in (("opening", tally.openings), ("short", tally.shorts)):
        for number, spell in enumerate(spells[:LISTED], 1):
            yield _listed(f"{name} {word} {number}", spell, began_s)


def _claims(profile: Profile, each: Watching) -> Iterable[Value]:
    """How likely an opening of each length would have been seen, and how rare it may be and still be missed."""
    for opening_s in CLAIMED_OPENINGS_S:
        seen = seen_share(profile.protection, each, opening_s)
        length = f"{opening_s * 1000:g} ms opening"
        yield Value(f"{each.circuit.name}, a {length} is seen with probability", seen, "1", source=THEORY)
    if not each.tally.openings:
        seen = seen_share(profile.protection, each, CLAIMED_OPENINGS_S[0])
        yield Value(
            f"{each.circuit.name}, 1 ms openings ruled out (95 %) if as often as once in",
            rarest_every_s(seen, each.watched_s),
            "s",
            source=THEORY,
        )


def seen_share(protection: Protection, each: Watching, opening_s: float) -> float:
    """Probability that an opening of this length, at any moment of the watch, was seen."""
    steady = seen_probability(opening_s)
    pulsed = seen_probability(opening_s, SAMPLE_S, protection.wiggle_time_s, protection.wiggle_period_s)
    share = each.exercised_s / each.watched_s if each.watched_s else 0.0
    return share * pulsed + (1 - share) * steady


def _listed(name: str, spell: Spell, began_s: float) -> Value:
    at = f"at {spell.began_s - began_s:.3f} s" + (f", '{spell.mark}'" if spell.mark else "")
    length_s = spell.length_s
    if length_s is None:
        return Value(f"{name} {at}, still there at the end", None, "ms", verdict=Verdict.FAIL)
    return judged(f"{name} {at}", length_s * 1000, "ms", high=0.0)


# --- findings ---


def _finding(profile: Profile, each: Watching, watched: Sequence[Watching]) -> Finding | None:
    tally = each.tally
    if tally.openings or any(spell.ended_s is not None for spell in tally.shorts):
        return _intermittent(profile, each, watched)
    if tally.shorted:
        return _steady(profile, each, "short-to-ground")
    return _steady(profile, each, "open") if tally.conducts is False else None


def _intermittent(profile: Profile, each: Watching, watched: Sequence[Watching]) -> Finding:
    name, tally = each.circuit.name, each.tally
    spells = tally.openings or tally.shorts
    word = "opened" if tally.openings else "was shorted"
    lengths_s = [length_s for spell in spells if (length_s := spell.length_s) is not None]
    others = together(each, watched)
    return Finding(
        "intermittent",
        (name,),
        (each.circuit.pin,),
        Verdict.FAIL,
        _severity(profile, each.circuit),
        0.95,
        f"The {name} circuit {word} {_times(len(spells))} while the wire was moved{_range(lengths_s)}."
        f"{_under(spells)}{_both(tally)}{_with(others, spells)}",
        _next(tally, spells, others),
        size=Size(float(len(spells)), "openings" if tally.openings else "shorts"),
        evidence=tuple(_evidence(each, spells, lengths_s)),
    )


def _evidence(each: Watching, spells: Sequence[Spell], lengths_s: Sequence[float]) -> Iterable[Evidence]:
    yield Evidence("openings", float(len(each.tally.openings)), "1")
    yield Evidence("shorts", float(len(each.tally.shorts)), "1")
    if lengths_s:
        yield Evidence("shortest", min(lengths_s) * 1000, "ms")
        yield Evidence("longest", max(lengths_s) * 1000, "ms")
    for mark, count in Counter(spell.mark for spell in spells).most_common():
        yield Evidence(f"at '{mark}'" if mark else "before the first mark", float(count), "1")


def together(each: Watching, watched: Sequence[Watching]) -> list[str]:
    """Circuits that opened with most openings of ``each``."""
    return [
        other.circuit.name
        for other in watched
        if other is not each and 2 * _coinciding(each.tally, other.tally) > len(each.tally.openings)
    ]


def _coinciding(tally: Tally, other: Tally) -> int:
    return sum(
        any(abs(spell.began_s - theirs.began_s) <= TOGETHER_S for theirs in other.openings) for spell in tally.openings
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _range(lengths_s: Sequence[float]) -> str:
    if not lengths_s:
        return ""
    low, high = min(lengths_s) * 1000, max(lengths_s) * 1000
    return f", for {low:.0f} ms" if round(low) == round(high) else f", for {low:.0f} to {high:.0f} ms"


def _under(spells: Sequence[Spell]) -> str:
    marked = Counter(spell.mark for spell in spells if spell.mark)
    if not marked:
        return ""
    return " By mark: " + ", ".join(f"{mark} {count}" for mark, count in marked.most_common()) + "."


def _both(tally: Tally) -> str:
    return f" It was also shorted {_times(len(tally.shorts))}." if tally.openings and tally.shorts else ""


def _with(others: Sequence[str], spells: Sequence[Spell]) -> str:
    return f" {', '.join(others)} opened at the same moments." if others and spells else ""


def _next(tally: Tally, spells: Sequence[Spell], others: Sequence[str]) -> str:
    marked = Counter(spell.mark for spell in spells if spell.mark).most_common(1)
    place = f" near '{marked[0][0]}'" if marked else ""
    if others:
        return f"Look first at what they share{place}: ground ring, ground wire, the connector. Then watch again."
    if tally.openings:
        look = "open the plug, splice or lamp socket that was moved, and look for a loose, green or broken contact"
    else:
        look = "look for insulation rubbed through to the frame, and tie the wire off it"
    return f"Go back{place or ' to where the wire was being moved'}: {look}. Repair, then watch again."


def _steady(profile: Profile, each: Watching, kind: str) -> Finding:
    name = each.circuit.name
    if kind == "open":
        explain, what = f"The {name} circuit conducted nothing during the whole watch.", "open"
    else:
        explain, what = (
            f"The {name} circuit was shorted during the whole watch; nothing that was moved cleared it.",
            "short",
        )
    return Finding(
        "open" if kind == "open" else "short-to-ground",
        (name,),
        (each.circuit.pin,),
        Verdict.FAIL,
        _severity(profile, each.circuit),
        0.9,
        explain,
        f"Find its place with the step circuits of an inspection; a lasting {what} needs no wiggling.",
        evidence=(Evidence("watched", each.watched_s, "s"),),
    )


def _severity(profile: Profile, circuit: Circuit) -> Severity:
    return "safety" if profile.kind == "trailer" and circuit.lit else "defect"
