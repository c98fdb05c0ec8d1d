"""Circuits that a first look takes to be joined, driven together: what that reading alone can separate.

Fed alone, a circuit that is joined to another shows its own lamps and the other's behind the joint.
Fed together, the joint carries next to nothing, and each circuit shows its own lamps and wire. The
difference is the joint; with each return alone it is also seen whether they share a ground.
"""

from collections.abc import Collection, Iterable, Sequence

from bench.contract.readings import Snapshot
from bench.contract.table import Capability, Return
from bench.profiles.model import Circuit
from bench.results import Finding
from bench.sequences.inspection import Inspection, Outcome, at_rest, reading_of
from bench.sequences.settle import discharge, settle

JOINED = ("cross-connection", "back-feed", "ground-open")
MOST = 3  # more is no pair but a ground that all share, and the ground's own step loads that


def joined(findings: Iterable[Finding]) -> set[frozenset[str]]:
    """Names of circuits that belong together in some finding."""
    return {frozenset(found.circuits) for found in findings if found.kind in JOINED and 1 < len(found.circuits) <= MOST}


def any_joined(inspection: Inspection) -> bool:
    """Whether some circuits are taken to be joined, and may be driven."""
    return bool(_groups(inspection))


async def together(inspection: Inspection, outcome: Outcome) -> None:
    """Drive each such group at once: both returns, then each alone where the board can."""
    groups = _groups(inspection)
    for group in groups:
        await _read(inspection, group)
    outcome.reasons.append(f"read together, as they may be joined: {_named(groups)}")


async def _read(inspection: Inspection, group: Sequence[Circuit]) -> None:
    guard, channels = inspection.guard, [inspection.channel(circuit) for circuit in group]
    rest = await discharge(guard)
    for channel in channels:
        await guard.drive(channel)
    await _settled(inspection, group, rest)
    if inspection.can(Capability.RETURN_SWITCHES):
        for way in (Return.PIN, Return.CHASSIS):
            await guard.returns(way)
            await _settled(inspection, group, rest)
        await guard.returns(Return.BOTH)
    await guard.off(channels)


async def _settled(inspection: Inspection, group: Sequence[Circuit], rest: Snapshot) -> None:
    settled = await settle(inspection.guard, [inspection.channel(circuit) for circuit in group], nearly=True)
    reading = reading_of(
        inspection,
        "drive",
        group,
        settled.seen,
        rest=rest,
        limited=bool(settled.limited),
        tripped=bool(settled.tripped),
    )
    inspection.note(at_rest(reading, inspection.by_pin(settled.steady_a)))
    inspection.progress(settled.seen, f"{' and '.join(circuit.name for circuit in group)} together")


def _groups(inspection: Inspection) -> list[list[Circuit]]:
    sound = {circuit.name: circuit for circuit in inspection.sound()}
    return [[sound[name] for name in sorted(group)] for group in sorted(inspection.joined, key=sorted)
            if group <= set(sound)]  # fmt: skip


def _named(groups: Collection[Collection[Circuit]]) -> str:
    return "; ".join(" with ".join(circuit.name for circuit in group) for group in groups)
