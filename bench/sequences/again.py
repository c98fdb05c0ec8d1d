"""What to test again after a repair: what failed, and what the repair could have touched. Pure.

The board and its supply are checked every time, since every other number rests on them, and so is the look
before power: a repair can leave a short. Then the steps that failed or could not be decided. Circuits are
driven only where something was found, and where the wiring hangs together with the place of a finding.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from bench.profiles.model import CHASSIS, Joint, Load, Profile, Segment, pin_node
from bench.results import Finding, Run, Verdict, Where
from bench.sequences.steps import NAMES, STEPS

BASIS = ("self-check", "supply", "look", "cold-pulse")
IN_DOUBT = (Verdict.FAIL, Verdict.UNSURE)


@dataclass(frozen=True, slots=True)
class Again:
    """What a retest does.

    Attributes:
        steps: their names, in their own order; empty when nothing is left to test again.
        circuits: names of the circuits to drive.
    """

    steps: tuple[str, ...]
    circuits: frozenset[str]


def what_again(run: Run, profile: Profile, closed: Collection[tuple[int, int | None]] = ()) -> Again:
    """Plan the retest of a run.

    Args:
        run: whole, with its findings.
        profile: as it was in that run.
        closed: step and finding numbers that an earlier retest has closed already.
    """
    findings = [
        finding
        for no, step in enumerate(run.steps)
        for finding_no, finding in enumerate(step.findings)
        if finding.verdict in IN_DOUBT and (no, finding_no) not in closed
    ]
    unnamed = {
        step.step
        for no, step in enumerate(run.steps)
        if step.verdict in IN_DOUBT and not step.findings and (no, None) not in closed
    }
    if not findings and not unnamed:
        return Again((), frozenset())
    wanted = {*BASIS, *unnamed, *_steps_of(run, findings), *_steps_that_find(findings)}
    return Again(tuple(name for name in NAMES if name in wanted), _touched(profile, findings, run))


def _steps_of(run: Run, findings: Collection[Finding]) -> set[str]:
    return {step.step for step in run.steps if any(finding in findings for finding in step.findings)}


def _steps_that_find(findings: Iterable[Finding]) -> set[str]:
    kinds = {finding.kind for finding in findings}
    return {step.name for step in STEPS if kinds & set(step.finds)}


def _touched(profile: Profile, findings: Iterable[Finding], run: Run) -> frozenset[str]:
    places = _circuits_at(profile)
    named = {name for finding in findings for name in finding.circuits}
    near = {
        circuit
        for finding in findings
        for where in (finding.where, *(each.where for each in finding.alternatives))
        if where is not None
        for node in _nodes(profile, where)
        for circuit in places.get(node, ())
    }
    doubted = {
        circuit.name
        for circuit in profile.circuits
        for step in run.steps
        for value in step.values
        if value.verdict in IN_DOUBT and value.name.startswith(f"{circuit.name} ")
    }
    return frozenset(named | near | doubted)


def _nodes(profile: Profile, where: Where) -> set[str]:
    """The ends of what a finding names. The chassis is everybody's and says nothing of who is near."""
    elements: list[Segment | Joint | Load] = [*profile.segments, *profile.joints, *profile.loads]
    return {node for each in elements if each.name == where.name for node in (each.a, each.b)} - {CHASSIS}


def _circuits_at(profile: Profile) -> dict[str, set[str]]:
    """Circuits by the nodes that their wires and lamps hang on; ground wires belong to the lamps on them."""
    joints = [joint for joint in profile.joints if not joint.ground]
    places: dict[str, set[str]] = {}
    for circuit in profile.circuits:
        for node in _reached(pin_node(circuit.pin), [*profile.segments, *joints]):
            places.setdefault(node, set()).add(circuit.name)
    for load in profile.loads:
        for node in {load.a, load.b} - {CHASSIS}:
            places.setdefault(node, set()).add(load.circuit)
    return places


def _reached(start: str, wires: Iterable[Segment | Joint]) -> set[str]:
    ends = [(wire.a, wire.b) for wire in wires]
    reached, fresh = {start}, {start}
    while fresh:
        fresh = {other for a, b in ends for one, other in ((a, b), (b, a)) if one in fresh} - reached
        reached |= fresh
    return reached
