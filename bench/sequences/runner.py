"""The runner: one loop over the chosen steps, from the first caution to the closed record."""

import asyncio
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import replace
from datetime import datetime

from bench.contract.table import Capability
from bench.electrical import Conclusion, conclude, first_look
from bench.errors import BoardRefused, PermitDenied
from bench.events import Cautioned, FirstLook, Listener, StepStarted, ignore
from bench.profiles.model import Measurements, Profile
from bench.results import Finding, FindingKind, Run, StepResult, Value, Verdict, worst
from bench.safety import AirTripped, GuardedBoard
from bench.safety.permit import names
from bench.sequences.air.rig import AirProblem, bench_finding
from bench.sequences.cautions import BEFORE_AIR, SUPPLY, before_power, clear_to_power
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.ledger import Ledger, RunStore, new_run, why
from bench.sequences.operator import Answer, Operator, Prepared, is_yes
from bench.sequences.skipping import Skip
from bench.sequences.steps import DIAGNOSIS, Step, choose
from bench.sequences.together import joined

Infer = Callable[[Measurements], tuple[Finding, ...]]
Conclude = Callable[[Measurements], Conclusion]
Keep = Callable[[str, Measurements], Awaitable[None]]


async def keep_nothing(_run_id: str, _measurements: Measurements) -> None:
    """Forget the readings."""


async def run_inspection(
    guard: GuardedBoard,
    profile: Profile,
    *,
    store: RunStore,
    run_id: str,
    now: Callable[[], datetime],
    board_url: str = "",
    only: Collection[str] | None = None,
    skip: Collection[str] = (),
    skipping: Skip | None = None,
    circuits: Collection[str] | None = None,
    answers: Mapping[str, Answer] | None = None,
    operator: Operator | None = None,
    tell: Listener = ignore,
    infer: Infer = first_look,
    conclude: Conclude = conclude,
    keep: Keep = keep_nothing,
    command: str = "inspect",
    unit_number: str | None = None,
    vin: str | None = None,
    operator_name: str | None = None,
) -> Run:
    """Inspect what is plugged in.

    Args:
        guard: entered, with the same profile.
        profile: what is plugged in.
        store: gets the run before anything is switched and each step as it ends.
        run_id: of the new record.
        now: wall clock, aware; for the record only.
        board_url: for the record.
        only: names of the steps to do, all when None.
        skip: names of steps to leave out.
        skipping: lets somebody leave out a step while it is done.
        circuits: names of the circuits to drive alone, all when None; every one is looked at without power.
        answers: to the operator's questions, by key.
        operator: asked for the rest; without one, what depends on a safety question is not tested.
        tell: gets every event, in order.
        infer: turns all readings so far into findings, at once and often.
        conclude: weighs all readings together, once and at leisure; the diagnosis.
        keep: gets the record's id and the new readings of each step that read something, when it is in the record.
        command: for the record, like the next three.
        unit_number: the trailer's own number.
        vin: vehicle identification number.
        operator_name: who inspects.

    Raises:
        InputError: a step's name is unknown; nothing was switched or recorded.
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    chosen = choose(only, skip, concluding=True)
    if only is None:
        chosen = tuple(step for step in chosen if step.belongs(profile))
    if only is None and not _has_air(guard, profile):
        chosen = tuple(step for step in chosen if not step.air)
        if profile.air is not None:
            guard.remark("this board has no air: air lines and brakes are not part of this run")
    run = new_run(
        guard, profile, run_id, now(), board_url, command, unit_number=unit_number, vin=vin, operator=operator_name
    )
    ledger = Ledger(run, guard, store, tell)
    inspection = Inspection(guard, profile, tell, only_circuits=circuits, conclude=conclude)
    loop = _Loop(inspection, chosen, ledger, Prepared(answers or {}, operator), infer, keep, skipping)
    return await loop.run()


def _has_air(guard: GuardedBoard, profile: Profile) -> bool:
    return profile.air is not None and (Capability.AIR in guard.capabilities or guard.identity.air_inputs > 0)


class InspectionSteps:
    """Steps of the inspection within another run, each a step of its record."""

    def __init__(self, inspection: Inspection, ledger: Ledger, operator: Operator, infer: Infer = first_look) -> None:
        self._inspection = inspection
        self._ledger = ledger
        self._operator = operator
        self._infer = infer

    async def __call__(self, names: Collection[str]) -> Verdict:
        """Do the steps of these names, in their own order; the worst verdict of them.

        Raises:
            InputError: a name that no step has.
        """
        loop = _Loop(self._inspection, choose(names), self._ledger, self._operator, self._infer, keep_nothing, None)
        return await loop.within()


class _Loop:
    """The state of one run: what is being done, and what has been found."""

    def __init__(
        self,
        inspection: Inspection,
        steps: tuple[Step, ...],
        ledger: Ledger,
        operator: Operator,
        infer: Infer,
        keep: Keep,
        skipping: Skip | None,
    ) -> None:
        self._inspection = inspection
        inspection.operator = operator
        self._guard = inspection.guard
        self._profile = inspection.profile
        self._steps = steps
        self._ledger = ledger
        self._operator = operator
        self._tell = inspection.tell
        self._infer = infer
        self._keep = keep
        self._skipping = skipping or Skip()
        self._kept = 0
        self._found: list[Finding] = []
        self._glimpsed: tuple[Finding, ...] = ()  # by clear rules, until the diagnosis has the last word
        self._doing: StepResult | None = None
        self._outcome = Outcome()

    async def run(self) -> Run:
        try:
            async with self._guard.interruptible():
                await self._ledger.begin(tuple(step.name for step in self._steps if not step.on_demand))
                await self._each()
                return await self._ledger.complete()
        except BaseException as error:
            await self._ledger.cut_short(error, self._unfinished(self._outcome, error), self._keep_readings)
            raise

    async def within(self) -> Verdict:
        """Do the steps in a run that somebody else begins and ends; the worst verdict of them."""
        try:
            return worst(await self._each())
        except BaseException as error:
            await self._guard.safe()
            unfinished = self._unfinished(self._outcome, error)
            if unfinished is not None:
                await self._ledger.add(unfinished)
            raise

    async def _each(self) -> list[Verdict]:
        verdicts: list[Verdict] = []
        for step in self._steps:
            if not step.when(self._inspection):
                continue
            self._outcome = Outcome()
            result = await self._step(len(verdicts) + 1, step, self._outcome)
            self._doing = None  # from here on it is written whole
            await self._ledger.add(result)
            await self._keep_readings()
            verdicts.append(result.verdict)
        return verdicts

    async def _keep_readings(self) -> None:
        """Hand over what was read since the last time."""
        new = tuple(self._inspection.readings[self._kept :])
        if new:
            await self._keep(self._ledger.run.id, replace(self._inspection.measurements(), readings=new))
            self._kept += len(new)

    async def _step(self, number: int, step: Step, outcome: Outcome) -> StepResult:
        started_s = (await self._guard.fresh()).uptime_s
        cautions = self._cautions(number, step)
        self._doing = StepResult(step.name, step.title, Verdict.NOT_TESTED, started_s, 0.0, cautions=cautions)
        for text in cautions:
            self._tell(Cautioned(step.name, text))
        reason = await self._why_not(step)
        to_come = self._steps[self._steps.index(step) + 1 :]
        count = number + sum(not later.on_demand or later.when(self._inspection) for later in to_come)
        self._tell(StepStarted(step.name, step.title, number, count))
        if reason is None:
            reason = await self._perform(step, outcome)
        ended_s = (await self._guard.fresh()).uptime_s
        if reason is not None:
            verdict = worst((Verdict.NOT_TESTED, *(found.verdict for found in outcome.findings)))
            return replace(self._so_far(outcome, reason), duration_s=ended_s - started_s, verdict=verdict)
        return replace(await self._judged(step, outcome), duration_s=ended_s - started_s)

    def _cautions(self, number: int, step: Step) -> tuple[str, ...]:
        first = (SUPPLY,) if number == 1 else ()
        before = self._steps[: self._steps.index(step)]
        powered = step.powers and not any(earlier.powers for earlier in before)
        air = step.air and not any(earlier.air for earlier in before)
        return (*first, *(before_power(self._profile) if powered else ()), *(BEFORE_AIR if air else ()), *step.warns)

    async def _why_not(self, step: Step) -> str | None:
        """Why a step can't be done, or None."""
        if step.air and not _has_air(self._guard, self._profile):
            return "the profile has no air system" if self._profile.air is None else "the board has no air"
        if missing := step.lacks(self._guard.capabilities):
            return f"the board has no {names(missing)}"
        if not step.powers:
            return None
        question = clear_to_power(self._profile)
        answer = await self._operator.ask(question)
        if is_yes(answer):
            return None
        said = "nobody answered" if answer is None else f"the answer was {answer!r}"
        return f"{said} ({question.key}): {question.text}"

    async def _perform(self, step: Step, outcome: Outcome) -> str | None:
        self._inspection.step = step.name
        self._inspection.to_come = tuple(other.name for other in self._steps[self._steps.index(step) + 1 :])
        try:
            async with self._skipping.able():
                await step.perform(self._inspection, outcome)
        except (AirTripped, AirProblem) as problem:
            self._tell_once(outcome, str(problem))
            return str(problem)
        except (PermitDenied, BoardRefused) as refused:
            await self._guard.off()
            return str(refused)
        return None

    def _tell_once(self, outcome: Outcome, why: str) -> None:
        """Every step that air is missing for ends with the reason; the first of them with a finding."""
        finding = bench_finding(why, "air lines", "Find the cause before air goes on again.")
        if finding not in self._found:
            self._found.append(finding)
            outcome.findings.append(finding)

    def _so_far(self, outcome: Outcome, reason: str) -> StepResult:
        assert self._doing  # noqa: S101 - set before the step began
        return replace(
            self._doing,
            values=tuple(outcome.values),
            traces=tuple(outcome.traces),
            findings=tuple(outcome.findings),
            reason="; ".join((reason, *outcome.reasons)),
        )

    def _unfinished(self, outcome: Outcome, error: BaseException) -> StepResult | None:
        if self._doing is None:
            return None
        cut = self._so_far(outcome, f"cut short: {why(error)}")
        # No diagnosis comes any more: what clear rules saw is then all there is.
        return replace(cut, findings=(*cut.findings, *self._glimpsed))

    # --- judging ---

    async def _judged(self, step: Step, outcome: Outcome) -> StepResult:
        own = self._not_told(outcome.findings) if step.name == DIAGNOSIS else outcome.findings
        findings = (*own, *await self._by_rules(step))
        values = tuple(_with_findings(value, (*self._found, *findings)) for value in outcome.values)
        self._found += findings
        self._inspection.suspects |= _suspects(findings)
        result = self._so_far(outcome, "")
        verdicts = [value.verdict for value in values] + [finding.verdict for finding in findings]
        return replace(
            result,
            verdict=worst(verdicts),
            values=values,
            findings=findings,
            reason="; ".join(outcome.reasons) or None,
        )

    async def _by_rules(self, step: Step) -> tuple[Finding, ...]:
        """What clear rules add after a step; with the diagnosis to come it is told, not found, or it is said twice."""
        if step.name == DIAGNOSIS:
            self._glimpsed = ()  # whatever it was, this was the last word
        if step.air or step.name == DIAGNOSIS:
            return ()
        fresh = await self._fresh(step)
        self._inspection.joined |= joined(fresh)
        if not self._to_be_concluded(step):
            return fresh
        self._glimpsed += fresh
        self._inspection.suspects |= _suspects(fresh)
        if fresh:
            self._tell(FirstLook(step.name, fresh))
        return ()

    def _not_told(self, findings: Collection[Finding]) -> list[Finding]:
        """Without what an earlier step has found by itself, with limits of its own."""
        told = {_key(finding) for finding in self._found}
        return [finding for finding in findings if _key(finding) not in told]

    def _to_be_concluded(self, step: Step) -> bool:
        return any(later.name == DIAGNOSIS for later in self._steps[self._steps.index(step) + 1 :])

    async def _fresh(self, step: Step) -> tuple[Finding, ...]:
        """Findings not told before that belong here, or whose own step does not come any more."""
        later = self._steps[self._steps.index(step) + 1 :]
        awaited = {kind for other in later if not other.on_demand for kind in other.finds}
        told = {_key(finding) for finding in (*self._found, *self._glimpsed)}
        # In a thread: it may take a second, and the watchdog must be fed meanwhile.
        every = await asyncio.to_thread(self._infer, self._inspection.measurements())
        return tuple(finding for finding in every if _key(finding) not in told and finding.kind not in awaited)


def _suspects(findings: Collection[Finding]) -> set[str]:
    return {name for found in findings if not _of_ground(found) for name in found.circuits}


def _key(finding: Finding) -> tuple[FindingKind, tuple[str, ...]]:
    return finding.kind, finding.circuits


def _of_ground(finding: Finding) -> bool:
    """A bad ground is not the fault of the circuits that it serves."""
    return finding.kind.startswith("ground-")


def _with_findings(value: Value, findings: Collection[Finding]) -> Value:
    """A value of a circuit that a finding names is no better than the finding."""
    named = [
        finding.verdict
        for finding in findings
        if not _of_ground(finding) and any(value.name.startswith(f"{circuit} ") for circuit in finding.circuits)
    ]
    return replace(value, verdict=worst((value.verdict, *named))) if value.verdict is not Verdict.NOT_TESTED else value
