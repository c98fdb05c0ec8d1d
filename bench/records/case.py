"""A case: an inspection with all retests that followed it, seen as one.

A retest of a retest repeats whatever of the whole case is still open, compares with the newest value of each name,
and speaks of every finding that is open, in whichever record of the case it stands. So the finding of the first
inspection is closed too when the third try at a repair was the right one. Pure.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from bench.records.comparing import compare
from bench.results import Followup, Reexamined, Run

Place = tuple[int, int | None]  # step and finding number


@dataclass(frozen=True, slots=True)
class Case:
    """One or more records.

    Attributes:
        runs: oldest first; the first is the inspection, the others are retests.
        as_one: the first with the steps of all, in their order.
        closed: places in ``as_one`` that a retest has closed.
    """

    runs: tuple[Run, ...]
    as_one: Run
    closed: frozenset[Place]

    @property
    def left(self) -> int:
        """How much is not closed."""
        return len(compare(self.as_one, self.as_one, self.closed))

    def compared(self, after: Run) -> dict[str, list[Followup]]:
        """What a new retest says of everything that is open, by the record in which it stands."""
        said: dict[str, list[Followup]] = {}
        for followup in compare(self.as_one, after, self.closed):
            run, step_no = self._place(followup.step_no)
            said.setdefault(run.id, []).append(replace(followup, step_no=step_no))
        return said

    def _place(self, step_no: int) -> tuple[Run, int]:
        for run in self.runs:
            if step_no < len(run.steps):
                return run, step_no
            step_no -= len(run.steps)
        raise IndexError(step_no)


def case_of(runs: Sequence[Run], closed: Mapping[str, Collection[Place]]) -> Case:
    """Put records together.

    Args:
        runs: at least one, oldest first.
        closed: by record, the places in it that a retest has closed.
    """
    places: set[Place] = set()
    before = 0
    for run in runs:
        places |= {(before + step_no, finding_no) for step_no, finding_no in closed.get(run.id, ())}
        before += len(run.steps)
    as_one = replace(runs[0], steps=tuple(step for run in runs for step in run.steps))
    return Case(tuple(runs), as_one, frozenset(places))


def told_once(every: Sequence[Reexamined]) -> tuple[Reexamined, ...]:
    """What retests said, without what they said again of the same fault where a later record found it too."""
    first: dict[object, str] = {}
    kept = []
    for each in sorted(every, key=lambda one: one.record):
        subject = (each.finding.kind, each.finding.circuits) if each.finding else each.step
        if first.setdefault((each.followup.retest_id, subject), each.record) == each.record:
            kept.append(each)
    return tuple(kept)
