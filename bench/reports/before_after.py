"""Before and after a repair, as the page shows it."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from bench import units
from bench.reports import words
from bench.reports.face_drawing import verdict_sign
from bench.results import Compared, Reexamined


@dataclass(frozen=True, slots=True)
class ComparedView:
    """One value before and after."""

    name: str
    before: str
    after: str
    limit: str
    sign: Markup
    verdict: str


@dataclass(frozen=True, slots=True)
class RepairView:
    """What a retest said of one finding."""

    title: str
    circuits: str
    closed: bool
    reason: str
    record: str
    retest: str
    values: tuple[ComparedView, ...]


def repair_views(reexamined: Sequence[Reexamined], system: units.System) -> tuple[RepairView, ...]:
    """Views in the order in which the findings stand in their records."""
    return tuple(_repair(each, system) for each in reexamined)


def _repair(each: Reexamined, system: units.System) -> RepairView:
    finding, followup = each.finding, each.followup
    return RepairView(
        title=words.kind_title(finding.kind) if finding else each.step,
        circuits=", ".join(finding.circuits) if finding else "",
        closed=followup.state == "closed",
        reason=followup.reason,
        record=each.record,
        retest=followup.retest_id,
        values=tuple(_compared(value, system) for value in followup.evidence),
    )


def _compared(value: Compared, system: units.System) -> ComparedView:
    numbers = [value.before, value.after, value.low, value.high]
    (before, after, low, high), unit = units.columns(numbers, value.unit, system)
    return ComparedView(
        name=value.name,
        before=f"{before} {unit}".strip() if before else "not measured",
        after=f"{after} {unit}".strip() if after else "not measured",
        limit=words.limit(low, high, unit),
        sign=verdict_sign(value.verdict),
        verdict=words.VERDICT[value.verdict],
    )
