"""When a unit is due again, and how long its report must be kept. Pure.

Sources: 49 CFR 396.17, inspected at least once every 12 months; 396.21(b), the report kept for 14 months
(both read second-hand, in texts that cite the rule). They are federal rules of the United States for commercial
vehicles; other places have their own. A bench covers a part of such an inspection only: what is counted here
is the newest complete run in which everything passed.
"""

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from bench.records.summaries import RunSummary

INTERVAL_MONTHS = 12
KEPT_MONTHS = 14
INTERVAL_SOURCE = "49 CFR 396.17 (second-hand)"
KEPT_SOURCE = "49 CFR 396.21(b) (second-hand)"

State = Literal["overdue", "never-passed", "soon", "in-time"]


@dataclass(frozen=True, slots=True)
class Due:
    """One unit.

    Attributes:
        newest: its newest complete inspection, whatever came of it.
        passed: the newest that passed whole.
        due: the day by which it must pass again; None when it never did.
        keep_until: the day until which the newest one's report is kept.
    """

    unit: str
    state: State
    newest: RunSummary
    passed: RunSummary | None
    due: date | None
    days_left: int | None
    keep_until: date


def due_of(newest: RunSummary, passed: RunSummary | None, today: date, within_days: int = 30) -> Due:
    """When a unit is due; ``soon`` is within so many days."""
    keep_until = months_after(_day(newest), KEPT_MONTHS)
    unit = newest.unit_number or newest.vin or "?"
    if passed is None:
        return Due(unit, "never-passed", newest, None, None, None, keep_until)
    due = months_after(_day(passed), INTERVAL_MONTHS)
    left = (due - today).days
    state: State = "overdue" if left < 0 else "soon" if left <= within_days else "in-time"
    return Due(unit, state, newest, passed, due, left, keep_until)


def months_after(day: date, months: int) -> date:
    """The same day of a later month, or its last day where it is shorter."""
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))


def _day(run: RunSummary) -> date:
    return datetime.fromisoformat(run.started).date()
