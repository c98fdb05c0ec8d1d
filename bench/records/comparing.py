"""Before and after a repair: which findings a retest closes, and by which numbers. Pure.

A finding is closed only by evidence: its step was done again to its end, nothing was found on its circuits, and
every one of its values that had not passed was measured again and passes now. Anything less leaves it open.
"""

from collections.abc import Collection, Iterator, Sequence

from bench.results import Compared, Finding, Followup, Run, StepResult, Value, Verdict

IN_DOUBT = (Verdict.FAIL, Verdict.UNSURE)


def compare(before: Run, after: Run, closed: Collection[tuple[int, int | None]] = ()) -> tuple[Followup, ...]:
    """A word on everything that ``before`` found and that is not among ``closed`` already."""
    return tuple(
        _judged(before, step, no, finding_no, after)
        for no, step in enumerate(before.steps)
        for finding_no in _subjects(step)
        if (no, finding_no) not in closed
    )


def _subjects(step: StepResult) -> Iterator[int | None]:
    yield from (no for no, finding in enumerate(step.findings) if finding.verdict in IN_DOUBT)
    if step.verdict in IN_DOUBT and not step.findings:
        yield None


def _judged(before: Run, step: StepResult, no: int, finding_no: int | None, after: Run) -> Followup:
    finding = None if finding_no is None else step.findings[finding_no]
    again = next((each for each in after.steps if each.step == step.step), None)
    evidence = tuple(_compared(_values(before, step, finding), before, after))
    reason = _why_open(finding, again, after, evidence)
    if reason is not None:
        return Followup(no, finding_no, "open", after.id, reason, evidence)
    return Followup(no, finding_no, "closed", after.id, "tested again, and everything is within its limits", evidence)


def _values(before: Run, step: StepResult, finding: Finding | None) -> list[Value]:
    """What speaks of a finding: the step's values that did not pass, of the finding's circuits where it names any."""
    doubted = [value for value in step.values if value.verdict in IN_DOUBT]
    if finding is None or not finding.circuits:
        return doubted
    own = [value for value in doubted if _of(value, finding.circuits)]
    every = [value for each in before.steps for value in each.values if _of(value, finding.circuits)]
    return own or [value for value in every if value.verdict in IN_DOUBT] or every


def _of(value: Value, circuits: Sequence[str]) -> bool:
    return any(value.name.startswith(f"{circuit} ") for circuit in circuits)


def _compared(values: Sequence[Value], before: Run, after: Run) -> Iterator[Compared]:
    """Each name once, with what was measured of it last before."""
    found, last = _newest(after), _newest(before)
    for name in dict.fromkeys(value.name for value in values):
        old, new = last[name], found.get(name)
        if new is None:
            yield Compared(name, old.unit, old.value, None, old.low, old.high, Verdict.NOT_TESTED)
        else:
            yield Compared(name, old.unit, old.value, new.value, new.low, new.high, new.verdict)


def _newest(run: Run) -> dict[str, Value]:
    """The last value of each name; one that was measured before one that was not."""
    every = [value for step in run.steps for value in step.values]
    return {value.name: value for value in every} | {value.name: value for value in every if value.value is not None}


def _why_open(
    finding: Finding | None, again: StepResult | None, after: Run, evidence: Sequence[Compared]
) -> str | None:
    """Why the retest does not close a finding, or None."""
    if after.state != "complete":
        return f"the retest did not come to its end: {after.reason or after.state}"
    if again is None or again.verdict is Verdict.NOT_TESTED:
        return f"not tested again: {(again and again.reason) or 'the step was not done'}"
    if finding is not None and (still := _still(finding, after)):
        return still
    beyond = [each.name for each in evidence if each.verdict is not Verdict.PASS]
    if beyond:
        return f"does not pass yet: {', '.join(beyond)}"
    if not evidence and again.verdict is not Verdict.PASS:
        return "no number shows that it is gone"
    return None


def _still(finding: Finding, after: Run) -> str | None:
    for new in after.findings:
        same_kind = new.kind == finding.kind and set(new.circuits) == set(finding.circuits)
        if new.verdict in IN_DOUBT and (same_kind or set(new.circuits) & set(finding.circuits)):
            return "still there" if same_kind else f"now there is another: {new.kind.replace('-', ' ')}"
    return None
