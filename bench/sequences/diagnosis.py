"""Everything that was read, weighed together: what is wrong, where, how bad, what next. Nothing is switched."""

import asyncio

from bench.events import Weighed
from bench.results import Value, Verdict
from bench.sequences.inspection import Inspection, Outcome

WEIGHED = "readings weighed"
MISFIT = "largest misfit, in standard deviations"


async def diagnosis(inspection: Inspection, outcome: Outcome) -> None:
    """Outputs off, then the ranking in a thread: it may take seconds, and the watchdog must be fed meanwhile."""
    await inspection.guard.off()
    read = [reading for reading in inspection.readings if reading.driven]
    inspection.progress(await inspection.guard.fresh(), f"weighing {len(read)} readings")
    conclusion = await asyncio.to_thread(inspection.conclude, inspection.measurements())
    outcome.findings += conclusion.findings
    outcome.reasons += conclusion.notes
    if not read:
        outcome.reasons.append("no circuit was read, so nothing is known of any")
        outcome.values.append(Value(WEIGHED, None, "1", verdict=Verdict.NOT_TESTED))
        return
    failed = conclusion.ranked is None
    outcome.values.append(Value(WEIGHED, len(read), "1", verdict=Verdict.UNSURE if failed else Verdict.PASS))
    if conclusion.ranked is None:
        return
    outcome.values.append(Value(MISFIT, round(conclusion.ranked.misfit, 2), "1"))
    inspection.tell(Weighed(inspection.step, conclusion.explanations))
