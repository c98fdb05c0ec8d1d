"""What a later run said of what an earlier one found: closed with evidence, or still open."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from bench.results import Verdict

State = Literal["closed", "open"]


@dataclass(frozen=True, slots=True)
class Compared:
    """One measured value before and after a repair; the limits and the verdict are those of after."""

    name: str
    unit: str
    before: float | None
    after: float | None
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Followup:
    """A word on one finding.

    Attributes:
        step_no: step of the finding in its record, counted from 0.
        finding_no: finding of the step; None for the step's own values, where no finding named them.
        retest_id: the record that says so.
        reason: in plain words.
        written: ISO 8601 with offset; "" until it is stored.
    """

    step_no: int
    finding_no: int | None
    state: State
    retest_id: str
    reason: str
    evidence: tuple[Compared, ...] = ()
    written: str = ""


def newest(followups: Iterable[Followup]) -> dict[tuple[int, int | None], Followup]:
    """The last word on each finding, by step and number."""
    return {(each.step_no, each.finding_no): each for each in followups}
