"""The interlock at work: pressures in, valves out.

Only this file commands valves. Entering a stage de-energises first and energises after, so that
no instant has more open than one of the two stages. Every energised valve carries its longest-on time,
which the board keeps by itself. ``look`` is called by the session's keeper: it ends what is held by
nobody, overdue or faulty.
"""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from math import inf

from bench.contract.readings import Snapshot
from bench.contract.table import Valve
from bench.errors import PermitDenied
from bench.profiles.air_model import AirInput, AirSystem
from bench.safety import interlock
from bench.safety.hand import Hand
from bench.safety.interlock import TABLE, Acknowledgement, AirSeen, Pressures, Stage, State, Thresholds

RATE_OVER_S = 5.0
LEAST_RATE_S = 2.0
REMEMBERED_EVERY_S = 0.2
IMPLAUSIBLE_TIMES = 2  # in a row: one may be a glitch
VALVE_MARGIN_S = 1.0  # the board's own limit is a little later than the session's
LONGEST_ON_S = 600.0  # that the contract allows
LINES = ("supply", "service")

MoveValve = Callable[[Valve, bool, float], Awaitable[None]]


class AirTripped(PermitDenied):
    """The interlock has ended a stage; the message says why, and the valves are as the stage after it wants."""


class AirGuard:
    """The air of one session.

    Args:
        air: what is behind the valves; None for a profile without air.
        move: sends one valve command.
        thresholds: of the interlock.
        hand: a person who must hold the control; with None the session holds it for as long as a step lasts.

    Attributes:
        system: what is behind the valves.
        state: where it is.
        ended: why the interlock last ended a stage by itself.
    """

    def __init__(
        self, air: AirSystem | None, move: MoveValve, thresholds: Thresholds | None = None, hand: Hand | None = None
    ) -> None:
        self.system = air
        self.hand = hand
        self.state = State()
        self.ended: str | None = None
        self.thresholds = thresholds or Thresholds()
        self.pressures = Pressures()
        self._move = move
        self._energised: frozenset[Valve] = frozenset()
        self._past: deque[tuple[float, tuple[float | None, float | None]]] = deque()
        self._implausible = 0
        self._now_s = 0.0
        self._heard_s = self._noted_s = _loop_s()
        self._silent_s = self._blind_s = 0.0
        self._held_s = -inf
        self._moving = asyncio.Lock()

    # --- what people do ---

    def acknowledge(self, said: Acknowledgement) -> None:
        """Take what a person has just said."""
        self.state = interlock.acknowledged(self.state, said, self._now_s)

    def confirm_springs(self) -> None:
        """A person has just said that spring brakes may apply."""
        self.state = interlock.springs_confirmed(self.state, self._now_s)

    def hold(self) -> None:
        """Somebody holds the control: good for a quarter of a second."""
        self._held_s = _loop_s()

    def let_go(self) -> None:
        """Nobody holds the control any more: the next look ends what was held."""
        self._held_s = -inf

    # --- what is known ---

    @property
    def seen(self) -> AirSeen:
        """What a decision looks at."""
        return AirSeen(self.state, self.pressures, self._now_s, _loop_s() - self._held_s, self.thresholds)

    @property
    def until_s(self) -> float:
        """Board clock at which the stage's time is over."""
        return self.state.until_s

    def heard(self) -> None:
        """The board has answered, whatever it was asked: the longest silence counts until the next look."""
        self._silent_s = max(self._silent_s, _loop_s() - self._heard_s)
        self._heard_s = _loop_s()

    def note(self, snapshot: Snapshot) -> None:
        """Take in what a snapshot says of the air."""
        if self.system is None:
            return
        self.heard()
        self._blind_s, self._noted_s = max(self._blind_s, _loop_s() - self._noted_s), _loop_s()
        self._now_s = snapshot.uptime_s
        read = {str(each.quantity): each for each in self.system.inputs if each.quantity in LINES}
        why = next((why for each in read.values() if (why := implausible(each, snapshot.air))), None)
        self._implausible = self._implausible + 1 if why else 0
        supply_pa, service_pa = (_reading(read.get(line), snapshot.air) for line in LINES)
        self._remember((supply_pa, service_pa))
        self.pressures = Pressures(
            supply_pa, service_pa, self._rate(0), self._rate(1), why if self._implausible >= IMPLAUSIBLE_TIMES else None
        )

    def _remember(self, pressures: tuple[float | None, float | None]) -> None:
        if self._past and self._now_s - self._past[-1][0] < REMEMBERED_EVERY_S:
            return
        self._past.append((self._now_s, pressures))
        while self._now_s - self._past[0][0] > RATE_OVER_S:
            self._past.popleft()

    def _rate(self, line: int) -> float | None:
        """Pa/s between the two halves of the last seconds within this stage."""
        past = [
            (time_s, value)
            for time_s, values in self._past
            if time_s >= self.state.since_s and (value := values[line]) is not None
        ]
        if len(past) < 4 or past[-1][0] - past[0][0] < LEAST_RATE_S:
            return None
        half = len(past) // 2
        (early_s, early), (late_s, late) = (_mean(part) for part in (past[:half], past[half:]))
        return (late - early) / (late_s - early_s)

    def check(self) -> None:
        """Raise when the interlock has ended a stage since the last ``enter``.

        Raises:
            AirTripped: it has.
        """
        if self.ended:
            raise AirTripped(self.ended)

    def understood(self) -> None:
        """Why the last stage ended is known: what follows is judged by itself."""
        self.ended = None

    # --- what moves ---

    async def look(self) -> None:
        """End the stage if it must end now."""
        fault = interlock.fault_of(self.seen, self._silent_s, self._blind_s)
        self._silent_s = self._blind_s = 0.0
        if fault and self.state.fault is None:
            self.ended = fault
            self.state = interlock.made_safe(self.state, fault, self._now_s)
            await self._follow()
        elif falling := interlock.falls_to(self.seen):
            stage, self.ended = falling
            await self._go(stage, inf)
        elif self._energised != TABLE[self.state.stage].energises:
            await self._follow()  # an answer was lost on the way

    async def enter(self, stage: Stage, at_most_s: float) -> None:
        """Move to ``stage``.

        Raises:
            AirTripped: the interlock refuses it, perhaps since it was permitted.
        """
        if why := interlock.denied(stage, self.seen):
            raise AirTripped(why)
        self.ended = None
        await self._go(stage, at_most_s)

    async def _go(self, stage: Stage, at_most_s: float) -> None:
        self.state = interlock.entered(self.state, stage, self._now_s, at_most_s, self.thresholds)
        await self._follow()

    async def _follow(self) -> None:
        """Put the valves where the state wants them; a state that changes meanwhile is followed too."""
        async with self._moving:
            wanted = TABLE[self.state.stage].energises
            for valve in sorted(self._energised - wanted):  # a fill valve before its exhaust
                await self._move(valve, False, 0.0)
            self._energised &= wanted
            for valve in sorted(wanted, reverse=True):  # an exhaust before its fill valve
                if TABLE[self.state.stage].energises != wanted:
                    break
                await self._move(valve, True, self._longest_on_s())
                self._energised |= {valve}
            changed = TABLE[self.state.stage].energises != wanted
        if changed:
            await self._follow()

    def _longest_on_s(self) -> float:
        return min(max(self.state.until_s - self._now_s, 0.0) + VALVE_MARGIN_S, LONGEST_ON_S)

    def forget(self) -> None:
        """The board has de-energised everything by itself, or was told to with all else."""
        self._energised = frozenset()
        self.state = State(since_s=self._now_s, fault=self.state.fault)


def implausible(wired: AirInput, air: tuple[int, ...]) -> str | None:
    """Why an input's reading can't be true, or None."""
    raw = air[wired.number - 1]
    if wired.low <= raw <= wired.high:
        return None
    whose = f" of {wired.wheel_end}" if wired.wheel_end else ""
    return f"the {wired.quantity} sensor{whose} (input {wired.number}) is out of its range: unplugged or shorted"


def _reading(wired: AirInput | None, air: tuple[int, ...]) -> float | None:
    return None if wired is None else float(air[wired.number - 1])


def _mean(part: list[tuple[float, float]]) -> tuple[float, float]:
    return sum(time_s for time_s, _ in part) / len(part), sum(value for _, value in part) / len(part)


def _loop_s() -> float:
    return asyncio.get_running_loop().time()
