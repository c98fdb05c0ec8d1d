"""Runs beside which a person stands: cautions, one question, then circuits are fed until it is over.

Walk-round, wiggle test and lasting power share this way in and this way out.
"""

from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Required, TypedDict, Unpack

from bench.contract.table import Capability
from bench.errors import InputError
from bench.events import Cautioned, Listener
from bench.profiles.model import Circuit, Profile
from bench.results import Run, StepResult, Verdict, worst
from bench.sequences.cautions import SUPPLY, before_power, clear_to_power
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.ledger import Ledger, RunStore, new_run, why
from bench.sequences.operator import Answer, Operator, Prepared, is_yes


class Labels(TypedDict, total=False):
    """What a record is found by later, besides its profile.

    Attributes:
        unit_number: the trailer's own number.
        vin: vehicle identification number.
        operator_name: who tests.
    """

    unit_number: str | None
    vin: str | None
    operator_name: str | None


class Surroundings(Labels, total=False):
    """What a session gives to every run.

    Attributes:
        store: gets each step as it ends.
        run_id: of the new record.
        now: wall clock, aware.
        board_url: for the record.
        answers: to the operator's questions, by key.
        operator: asked for the rest.
        tell: gets every event.
    """

    store: Required[RunStore]
    run_id: Required[str]
    now: Required[Callable[[], datetime]]
    board_url: str
    answers: Mapping[str, Answer] | None
    operator: Operator | None
    tell: Listener


@dataclass(kw_only=True)
class Attended(Outcome):
    """The one step of such a run, filled while it measures.

    Attributes:
        step: its name.
        title: of what is tested.
        began_s: board time, once it has begun.
    """

    step: str
    title: str
    began_s: float | None = None

    def result(self, now_s: float) -> StepResult:
        """All of it, as bad as its worst part; ``now_s`` is board time."""
        began_s = now_s if self.began_s is None else self.began_s
        verdicts = [*(value.verdict for value in self.values), *(finding.verdict for finding in self.findings)]
        return StepResult(
            self.step,
            self.title,
            worst(verdicts),
            began_s,
            now_s - began_s,
            tuple(self.values),
            tuple(self.findings),
            tuple(self.traces),
            reason="; ".join(self.reasons) or None,
        )

    def unfinished(self, error: BaseException) -> StepResult | None:
        """What had been measured when the run was cut short."""
        if self.began_s is None:
            return None
        self.reasons.append(f"cut short: {why(error)}")
        return self.result(self.began_s)


def chosen(profile: Profile, names: Collection[str] | None) -> list[Circuit]:
    """The circuits called ``names``, all when None, in the profile's order.

    Raises:
        InputError: there is no such circuit, or none was named.
    """
    every = [circuit.name for circuit in profile.circuits]
    for name in names or ():
        if name not in every:
            raise InputError(f"there is no circuit {name!r}: the circuits are {', '.join(every)}")
    found = [circuit for circuit in profile.circuits if names is None or circuit.name in names]
    if not found:
        raise InputError(f"no circuit was named: the circuits are {', '.join(every)}")
    return found


async def why_not(inspection: Inspection, operator: Operator) -> str | None:
    """Cautions and the question; why circuits must not be fed, or None."""
    profile = inspection.profile
    for text in (SUPPLY, *before_power(profile)):
        inspection.tell(Cautioned(inspection.step, text))
    if not (inspection.can(Capability.CURRENT_LIMIT) or inspection.can(Capability.FIXED_FUSE)):
        return "the board has no current limit"
    question = clear_to_power(profile)
    return None if is_yes(await operator.ask(question)) else f"not answered with yes ({question.key}): {question.text}"


async def attend(
    inspection: Inspection,
    command: str,
    title: str,
    body: Callable[[Ledger], Awaitable[None]],
    unfinished: Callable[[BaseException], StepResult | None],
    *,
    permit: Callable[[Inspection, Operator], Awaitable[str | None]] = why_not,
    **around: Unpack[Surroundings],
) -> Run:
    """Make a run of one step, or of one step again and again.

    Args:
        inspection: guard, profile, listener and the step's name.
        command: for the record.
        title: of the step when it can't begin.
        body: feeds circuits and adds results to the ledger.
        unfinished: what the step has when an error ends it.
        permit: says what must be said before, and why it must not be done, or None.
        around: what the session gives.

    Raises:
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    run = new_run(
        inspection.guard,
        inspection.profile,
        around["run_id"],
        around["now"](),
        around.get("board_url", ""),
        command,
        unit_number=around.get("unit_number"),
        vin=around.get("vin"),
        operator=around.get("operator_name"),
    )
    ledger = Ledger(run, inspection.guard, around["store"], inspection.tell)
    person = Prepared(around.get("answers") or {}, around.get("operator"))
    try:
        async with inspection.guard.interruptible():
            await ledger.begin((inspection.step,))
            reason = await permit(inspection, person)
            if reason is None:
                await body(ledger)
            else:
                await ledger.add(StepResult(inspection.step, title, Verdict.NOT_TESTED, 0.0, 0.0, reason=reason))
            return await ledger.complete()
    except BaseException as error:
        await ledger.cut_short(error, unfinished(error))
        raise
