"""Findings in plain English: how serious each kind is, what it means, what to do next.

One table for the rules and the ranking, so that the same fault is always said the same way.
``{circuit}`` is the circuit's title, ``{place}`` the place, ``{size}`` the size; a text without a
place or size is used where they are unknown.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from bench.profiles.model import Circuit
from bench.results import Alternative, Evidence, Finding, FindingKind, Severity, Size, Verdict, Where


@dataclass(frozen=True, slots=True)
class Words:
    """What is said of a kind of fault."""

    severity: Severity
    explain: str
    next: str


WORDS: dict[FindingKind, Words] = {
    "open": Words(
        "safety",
        "No current flows in the {circuit} circuit: it is open{at}.",
        "Check {place} first for a parted wire, a pushed-back contact or a dead lamp, then measure from there back.",
    ),
    "short-to-ground": Words(
        "safety",
        "The {circuit} wire touches ground{at}.",
        "Leave this circuit off. Look for chafed insulation{near}, then test again.",
    ),
    "overload": Words(
        "defect",
        "The {circuit} circuit takes {size} more than its lamps should{at}.",
        "Look for an added lamp, a wet connector or a chafed wire on the {circuit} circuit, then test again.",
    ),
    "cross-connection": Words(
        "safety",
        "The {circuit} circuits are joined by metal{at}: power on one comes out on the other, both ways alike.",
        "Check {place} for swapped or touching wires, crushed cable or corrosion between contacts.",
    ),
    "back-feed": Words(
        "safety",
        "Power on the {circuit} circuits leaks from one into the other, in one direction only{at}.",
        "Look for a lamp, diode or adapter wired between the two circuits near {place}.",
    ),
    "high-resistance": Words(
        "defect",
        "There is {size} too much resistance in the {circuit} circuit{at}.",
        "Clean and tighten {place}, load the circuit again and compare the voltage on both sides of it.",
    ),
    "board-fault": Words(
        "defect",
        "The bench's own current reading of the {circuit} circuit is wrong: what it feeds and what comes back differ.",
        "Do not trust this channel: run the board's self test and calibration, then test the {circuit} circuit again.",
    ),
    "intermittent": Words(
        "safety",
        "Contact in the {circuit} circuit comes and goes{at}: readings of the same thing contradict each other.",
        "Move the wires and plugs of {circuit} by hand during a wiggle test: it shows where the contact breaks.",
    ),
    "lamp-out": Words(
        "safety",
        "{size} out in the {circuit} circuit{at}.",
        "Look at {place}: replace the lamp, or repair its socket, its wire or its ground.",
    ),
    "wrong-load": Words(
        "defect",
        "What hangs on the {circuit} circuit{at} takes {size} of the current that it should.",
        "Check what is fitted at {place}: the right lamp or part, no dead section, clean contacts.",
    ),
    "ground-open": Words(
        "safety",
        "A ground of the {circuit} is open{at}: current must find its way back through other lamps or paths.",
        "Check {place}: clean it to bare metal, tighten it, and look for a broken ground wire.",
    ),
    "ground-high-resistance": Words(
        "defect",
        "The ground return has {size} too much resistance{at}.",
        "Clean {place} to bare metal and tighten it; measure its voltage drop with the stop lamps lit.",
    ),
    "short-to-supply": Words(
        "safety",
        "The {circuit} wire is live although the bench does not feed it{at}: something on the trailer supplies it.",
        "Disconnect batteries and chargers on the trailer. Find where {circuit} touches a live wire before going on.",
    ),
    "abs-supply": Words(
        "safety",
        "The ABS control unit does not draw the current that it should{at}.",
        "Check {place}, the unit's plug and its fuse; the ABS needs a steady supply.",
    ),
    "low-supply": Words(
        "advice",
        "The bench supply is low ({size}): readings are less sure and lamps are dimmer than on the road.",
        "Charge or connect the bench supply properly, then test again.",
    ),
    "unexplained": Words(
        "defect",
        "The readings of the {circuit} circuit fit neither a sound harness nor any single or double fault.",
        "Clean the connector, seat the plug, make sure nothing else feeds the trailer, and test again.",
    ),
}


def finding(
    kind: FindingKind,
    circuits: Sequence[Circuit],
    *,
    confidence: float,
    verdict: Verdict = Verdict.FAIL,
    where: Where | None = None,
    size: Size | None = None,
    evidence: Sequence[Evidence] = (),
    alternatives: Sequence[Alternative] = (),
    severity: Severity | None = None,
    detail: str = "",
    of: str = "",
    pins: Sequence[int] | None = None,
    source: str | None = None,
) -> Finding:
    """A finding with the words of its kind.

    ``detail`` is added to the explanation; ``of`` replaces the titles of the circuits, ``pins`` their pins.
    """
    words = WORDS[kind]
    facts = {
        "circuit": of or join_words([circuit.title for circuit in circuits]) or "whole harness",
        "at": _at(where),
        "near": f" near {where.name}" if where else " along its wire",
        "place": where.name if where else "its connectors and contacts",
        "size": say(size) if size else "something",
    }
    return Finding(
        kind=kind,
        circuits=tuple(circuit.name for circuit in circuits),
        pins=tuple(circuit.pin for circuit in circuits) if pins is None else tuple(pins),
        verdict=verdict,
        severity=severity or words.severity,
        confidence=round(confidence, 4),
        explain=_sentences(words.explain.format(**facts), detail),
        next=words.next.format(**facts),
        where=where,
        size=size,
        evidence=tuple(evidence),
        alternatives=tuple(alternatives),
        source=source,
    )


def _at(where: Where | None) -> str:
    """The place; its distance stands beside it in the finding, and only a range of it needs words."""
    if where is None:
        return ""
    if where.from_connector_m is None or where.plus_minus_m is None:
        return f" at {where.name}"
    near_m, far_m = where.from_connector_m - where.plus_minus_m, where.from_connector_m + where.plus_minus_m
    return f" at {where.name} or nearby, {max(near_m, 0.0):.1f} to {far_m:.1f} m of wire from the connector"


def _sentences(*parts: str) -> str:
    return " ".join(part for part in parts if part)


def say(size: Size) -> str:
    """A size with its unit, in three significant digits."""
    if size.unit == "lamps":
        return f"{size.value:.0f} lamp is" if size.value == 1 else f"{size.value:.0f} lamps are"
    if size.unit == "1":
        return f"{size.value:.0%}"
    return f"{size.value:.3g} {size.unit}"


def join_words(words: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
