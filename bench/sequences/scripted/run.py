"""A script's run: the same way into the record, and the same way out, as an inspection's.

What is given to power at any time is asked for before anything is switched. However it ends, outputs are off and the
record is closed; an endurance loop leaves its state with the record.
"""

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Unpack

from bench.errors import InputError
from bench.events import ignore
from bench.profiles.model import Profile
from bench.profiles.sequence_model import Drive, Endure, Given, Inspect, Sequence, every_step
from bench.results import Run, StepResult
from bench.safety import GuardedBoard
from bench.sequences.attended import Surroundings
from bench.sequences.inspection import Inspection
from bench.sequences.ledger import Ledger, new_run, why
from bench.sequences.operator import Prepared
from bench.sequences.runner import InspectionSteps
from bench.sequences.scripted.endurance import Endurance
from bench.sequences.scripted.player import Player
from bench.sequences.scripted.steps import ScriptOver, Steps
from bench.sequences.steps import choose

STATE_ATTACHMENT = "endurance.json"
SEQUENCE_ATTACHMENT = "sequence.json"

Script = Callable[[Steps], Awaitable[None]]
Attach = Callable[[str, str, Mapping[str, Any]], Awaitable[None]]


async def attach_nothing(_run_id: str, _name: str, _document: Mapping[str, Any]) -> None:
    """Forget a document."""


async def run_script(
    guard: GuardedBoard,
    profile: Profile,
    script: Script,
    *,
    name: str = "script",
    title: str = "Script",
    command: str = "run",
    **around: Unpack[Surroundings],
) -> Run:
    """Run a script that is written in Python.

    Args:
        guard: entered, with the same profile.
        profile: what is plugged in.
        script: does it.
        name: of the part of the record that stands outside any section, like the next.
        title: of that part.
        command: for the record.
        around: what the session gives.

    Raises:
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    return await _Run(guard, profile, name, title, command, around).run(script)


async def run_sequence(
    guard: GuardedBoard,
    sequence: Sequence,
    *,
    resume: Mapping[str, Any] | None = None,
    attach: Attach = attach_nothing,
    **around: Unpack[Surroundings],
) -> Run:
    """Run a sequence.

    Args:
        guard: entered, with the sequence's profile.
        sequence: what to do.
        resume: the state of its endurance loop that an earlier record keeps.
        attach: keeps documents with the record.
        around: what the session gives.

    Raises:
        InputError: an inspection step that it names does not exist; nothing was switched.
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    check(sequence)
    endurance = Endurance.of(resume) if resume is not None else Endurance()
    run_id = around["run_id"]
    run = _Run(guard, sequence.profile, sequence.name, sequence.title, "run", around)

    async def save(document: Mapping[str, Any]) -> None:
        await attach(run_id, STATE_ATTACHMENT, document)

    async def script(steps: Steps) -> None:
        await attach(run_id, SEQUENCE_ATTACHMENT, identity_of(sequence))
        if any(isinstance(step, Drive) for step in every_step(sequence.steps)):
            await steps.clear_to_power()
        inspect = InspectionSteps(steps.inspection, steps.ledger, run.operator)
        await Player(steps, sequence.given, endurance, save, inspect).play(sequence.steps)

    async def keep() -> None:
        if endurance.done:
            await save(endurance.document())

    return await run.run(script, keep)


def check(sequence: Sequence) -> None:
    """Refuse inspection steps that do not exist.

    Raises:
        InputError: names the step.
    """
    for step in every_step(sequence.steps):
        if isinstance(step, Inspect):
            choose(step.names)
            if any(each.air for each in choose(step.names)):
                raise InputError(f"{sequence.name}: air steps belong into an inspection; a sequence can't do them")


def identity_of(sequence: Sequence) -> dict[str, Any]:
    """What an endurance loop must be again to be gone on with: everything but the parameter for how many cycles."""
    asked = [step.cycles for step in sequence.steps if isinstance(step, Endure)]
    cycles = {number.parameter for number in asked if isinstance(number, Given)}
    given = {name: value for name, value in sequence.given.items() if name not in cycles}
    return {"sequence": sequence.name, "document": dict(sequence.document), "given": given}


class _Run:
    """One script's run."""

    def __init__(
        self, guard: GuardedBoard, profile: Profile, name: str, title: str, command: str, around: Surroundings
    ) -> None:
        self.operator = Prepared(around.get("answers") or {}, around.get("operator"))
        run = new_run(
            guard,
            profile,
            around["run_id"],
            around["now"](),
            around.get("board_url", ""),
            command,
            unit_number=around.get("unit_number"),
            vin=around.get("vin"),
            operator=around.get("operator_name"),
        )
        inspection = Inspection(guard, profile, around.get("tell", ignore), name, operator=self.operator)
        self._name = name
        self._ledger = Ledger(run, guard, around["store"], inspection.tell)
        self._steps = Steps(inspection, self._ledger, self.operator, name, title)
        self._guard = guard

    async def run(self, script: Script, keep: Callable[[], Awaitable[None]] | None = None) -> Run:
        try:
            async with self._guard.interruptible():
                await self._ledger.begin((self._name,))
                try:
                    await script(self._steps)
                except ScriptOver as over:
                    await self._end(over)
                await self._guard.off()
                await self._steps.close()
                return await self._ledger.complete()
        except BaseException as error:
            if keep is not None:
                await self._ledger.cut_short(error, self._unfinished(error), keep)
            else:
                await self._ledger.cut_short(error, self._unfinished(error))
            raise

    async def _end(self, over: ScriptOver) -> None:
        part = await self._steps.current()
        part.ended = over.verdict
        part.remark(str(over))

    def _unfinished(self, error: BaseException) -> StepResult | None:
        """The part that goes on; a script that never got past its whole passes is not passed."""
        part = self._steps.part
        if part is None or part.empty:
            return None
        return part.result(f"cut short: {why(error)}")
