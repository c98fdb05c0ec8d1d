"""Brakes held applied by a person's hand while somebody looks at them, again and again.

Nothing is judged: what a person sees is for a person to say. The record has how often, how long and at what pressure.
Only for sessions in which a hand must hold (see ``bench.safety.hand``): letting go releases.
"""

import asyncio
from dataclasses import dataclass, field
from typing import Unpack

from bench.contract.readings import Snapshot
from bench.contract.table import Capability
from bench.errors import InputError
from bench.events import Cautioned, StepStarted, ignore
from bench.profiles.model import Profile
from bench.results import Run, StepResult, Value, Verdict
from bench.safety import AirTripped, GuardedBoard, Stage
from bench.safety.hand import Hand
from bench.sequences.air import rig
from bench.sequences.attended import Surroundings, attend
from bench.sequences.cautions import BEFORE_AIR
from bench.sequences.inspection import Inspection
from bench.sequences.ledger import Ledger, why
from bench.sequences.operator import Operator
from bench.sequences.typed import Typed

STEP, TITLE = "hold-brakes", "Brakes held by hand"
JUDGES_NOTHING = "a person looks; the bench judges nothing here"


async def run_brakes(
    guard: GuardedBoard, profile: Profile, *, typed: Typed | None = None, **around: Unpack[Surroundings]
) -> Run:
    """Apply the brakes for as long as a hand holds them, until an empty line is typed.

    Args:
        guard: entered, with the same profile and a hand.
        profile: what is plugged in.
        typed: an empty line ends it.
        around: what the session gives.

    Raises:
        InputError: the profile has no air, or nobody's hand can hold.
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    if profile.air is None:
        raise InputError(f"profile {profile.name} has no air system")
    if guard.air.hand is None:
        raise InputError("brakes are held by hand from the live page only: umbilical serve")
    inspection = Inspection(guard, profile, around.get("tell", ignore), STEP)
    brakes = _Brakes(inspection, guard.air.hand, typed or Typed())
    return await attend(inspection, "brakes", TITLE, brakes.body, brakes.unfinished, permit=_permit, **around)


async def _permit(inspection: Inspection, operator: Operator) -> str | None:
    """The cautions; what only people can see is asked when the air is armed."""
    inspection.operator = operator
    for text in BEFORE_AIR:
        inspection.tell(Cautioned(inspection.step, text))
    return None if inspection.can(Capability.AIR) else "the board has no air"


@dataclass
class _Brakes:
    inspection: Inspection
    hand: Hand
    typed: Typed
    began_s: float | None = None
    now_s: float = 0.0
    held_s: list[float] = field(default_factory=list)
    highest_pa: float = 0.0

    async def body(self, ledger: Ledger) -> None:
        """Charge, then apply and release as the hand does."""
        self.inspection.tell(StepStarted(STEP, TITLE, 1, 1))
        seen = await self.inspection.guard.snapshot()
        self.began_s = self.now_s = seen.uptime_s
        await rig.ready(self.inspection)
        while await self._held_again():
            await rig.ready(self.inspection)
            try:
                await self._apply()
            except AirTripped:  # the hand let go, which is how an application ends
                self.inspection.guard.air.understood()
                await rig.release(self.inspection)
        await ledger.add(self._result())

    def unfinished(self, error: BaseException) -> StepResult | None:
        """What there was when the run was cut short."""
        return None if self.began_s is None else self._result(why(error))

    async def _held_again(self) -> bool:
        """Wait for the hand; False when it is over."""
        try:
            async with asyncio.TaskGroup() as tasks:
                waiting = tasks.create_task(self.hand.taken(Stage.APPLY), name="hand")
                while not waiting.done() and not self.typed.over:
                    self._shown(await rig.look(self.inspection), "released: hold to apply")
                waiting.cancel()
        except BaseExceptionGroup as group:  # of one: waiting for the hand never fails
            raise group.exceptions[0] from None
        return not self.typed.over

    async def _apply(self) -> None:
        async with rig.applying(self.inspection):
            seen = await rig.reach_applied(self.inspection)
            self.held_s.append(0.0)
            began_s = seen.uptime_s
            while not self.typed.over:
                seen = await rig.look(self.inspection)
                self.held_s[-1] = seen.uptime_s - began_s
                self.highest_pa = max(self.highest_pa, self.inspection.guard.air.pressures.service_pa or 0.0)
                self._shown(seen, "applied")

    def _shown(self, seen: Snapshot, text: str) -> None:
        self.now_s = seen.uptime_s
        service_pa = self.inspection.guard.air.pressures.service_pa
        self.inspection.progress(seen, text if service_pa is None else f"{text}, service {rig.in_psi(service_pa)}")

    def _result(self, cut_short: str | None = None) -> StepResult:
        values = [Value("applications by hand", float(len(self.held_s)), "1", verdict=Verdict.NOT_TESTED)]
        if self.held_s:
            values.append(Value("longest application", max(self.held_s), "s", verdict=Verdict.NOT_TESTED))
            values.append(Value("highest service pressure", self.highest_pa, "Pa", verdict=Verdict.NOT_TESTED))
        reason = JUDGES_NOTHING if cut_short is None else f"cut short: {cut_short}; {JUDGES_NOTHING}"
        began_s = self.began_s or 0.0
        return StepResult(
            STEP, TITLE, Verdict.NOT_TESTED, began_s, self.now_s - began_s, tuple(values),
            cautions=BEFORE_AIR, reason=reason,
        )  # fmt: skip
