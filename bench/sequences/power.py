"""Lasting power: circuits stay lit, watched by the board, until somebody lets go or the time is over.

Turn signals can flash, on for half of each period (30 to 75 % is in the same source, from memory). The host
switches, so a slow link makes the edges late by as much; each on is a soft-start.
"""

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Unpack

from bench.contract.readings import Snapshot
from bench.contract.table import ChannelState
from bench.errors import InputError
from bench.events import StepStarted, ignore
from bench.profiles.model import Circuit, Profile
from bench.results import Run, StepResult, Value, worst
from bench.safety import Denied, GuardedBoard
from bench.sequences.attended import Surroundings, attend, chosen
from bench.sequences.circuits import judge_current
from bench.sequences.drawing import Drawing
from bench.sequences.inspection import Inspection, reading_of
from bench.sequences.ledger import Ledger, why
from bench.sequences.settle import settle
from bench.sequences.typed import Typed
from bench.sequences.values import judged

STEP = "power"
LOOK_EVERY_S = 0.25
SLOWEST_PER_MIN, FASTEST_PER_MIN = 60.0, 120.0
FLASH_SOURCE = "SAE J945 (1966) in 49 CFR 571.108, variable-load flashers (verified: NHTSA letters 01931ztv, GF006498)"
LEAST_CYCLES = 5  # the same source measures after so many


async def run_power(
    guard: GuardedBoard,
    profile: Profile,
    *,
    only: Collection[str],
    seconds: float | None = None,
    flash_per_min: float | None = None,
    typed: Typed | None = None,
    **around: Unpack[Surroundings],
) -> Run:
    """Keep circuits lit until released.

    Args:
        guard: entered, with the same profile.
        profile: whose circuits are lit.
        only: names of the circuits.
        seconds: how long at most, board time; None until released or stopped.
        flash_per_min: makes turn signals among them flash at this rate.
        typed: an empty line releases.
        around: what the session gives.

    Raises:
        InputError: an unknown circuit, a rate out of range, nothing that flashes; nothing was switched.
        BenchError: the run could not go on; outputs are off and the record is closed.
    """
    circuits = chosen(profile, only)
    if flash_per_min is not None:
        check_flash(profile, circuits, flash_per_min)
    inspection = Inspection(guard, profile, around.get("tell", ignore), STEP)
    flashing = [circuit for circuit in circuits if flash_per_min is not None and is_turn_signal(profile, circuit)]
    power = _Power(inspection, circuits, flashing, seconds, flash_per_min or 0.0, typed or Typed())
    return await attend(inspection, "power", power.title, power.body, power.unfinished, **around)


def is_turn_signal(profile: Profile, circuit: Circuit) -> bool:
    """Whether the connector's pin table says that a circuit is a turn signal."""
    return any(pin.number == circuit.pin and "turn" in pin.function.lower().split() for pin in profile.connector.pins)


def check_flash(profile: Profile, circuits: Collection[Circuit], per_min: float) -> None:
    """Refuse a rate that no flasher has, and flashing what is no turn signal.

    Raises:
        InputError: says which.
    """
    if not SLOWEST_PER_MIN <= per_min <= FASTEST_PER_MIN:
        raise InputError(
            f"{per_min:g} flashes a minute is not {SLOWEST_PER_MIN:g} to {FASTEST_PER_MIN:g}, "
            f"the range of {FLASH_SOURCE}"
        )
    if not any(is_turn_signal(profile, circuit) for circuit in circuits):
        names = [circuit.name for circuit in profile.circuits if is_turn_signal(profile, circuit)]
        raise InputError(f"only turn signals flash: {', '.join(names) or 'this profile has none'}")


@dataclass
class _Power:
    inspection: Inspection
    circuits: list[Circuit]
    flashing: list[Circuit]
    seconds: float | None
    per_min: float
    typed: Typed
    began_s: float | None = None
    now_s: float = 0.0
    values: dict[str, Value] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)
    starts_s: list[float] = field(default_factory=list)

    @property
    def title(self) -> str:
        return f"Power on {', '.join(circuit.name for circuit in self.circuits)}"

    @property
    def steady(self) -> list[Circuit]:
        return [circuit for circuit in self.circuits if circuit not in self.flashing]

    async def body(self, ledger: Ledger) -> None:
        """Light, watch, switch off."""
        self.inspection.tell(StepStarted(STEP, self.title, 1, 1))
        seen = await self.inspection.guard.snapshot()
        self.began_s = self.now_s = seen.uptime_s
        for circuit in self.steady:
            await self._light(circuit)
        await self._judge()
        await self._stay(self.began_s + self.seconds if self.seconds is not None else float("inf"))
        await self.inspection.guard.off()
        await ledger.add(self._result())

    def unfinished(self, error: BaseException) -> StepResult | None:
        """What had been measured when the run was cut short."""
        return None if self.began_s is None else self._result(f"cut short: {why(error)}")

    def _result(self, cut_short: str | None = None) -> StepResult:
        began_s = self.began_s or 0.0
        values = [*self.values.values(), *self._rate()]
        reasons = [*([cut_short] if cut_short else []), *self.refused]
        return StepResult(
            STEP,
            self.title,
            worst(value.verdict for value in values),
            began_s,
            max(self.now_s - began_s, 0.0),
            tuple(values),
            reason="; ".join(reasons) or None,
        )

    def _rate(self) -> list[Value]:
        cycles = len(self.starts_s) - 1
        if cycles < LEAST_CYCLES:
            return []
        per_min = 60 * cycles / (self.starts_s[-1] - self.starts_s[0])
        return [Value("flashes, mean", per_min, "1/min", SLOWEST_PER_MIN, FASTEST_PER_MIN, source=FLASH_SOURCE)]

    async def _light(self, circuit: Circuit) -> bool:
        try:
            await self.inspection.guard.drive(self.inspection.channel(circuit))
        except Denied as denied:
            self._leave(circuit, str(denied))
            return False
        return True

    def _leave(self, circuit: Circuit, reason: str) -> None:
        """A circuit is not lit any more."""
        self.circuits = [each for each in self.circuits if each is not circuit]
        self.flashing = [each for each in self.flashing if each is not circuit]
        self.refused.append(f"{circuit.name}: {reason}")
        name = f"{circuit.name} current"
        self.values[name] = judged(name, None, "A", source=reason)

    async def _judge(self) -> None:
        """The steady circuits' currents beside the drawing's, once they have settled."""
        guard, lit = self.inspection.guard, self.steady
        if not lit:
            return
        seen = (await settle(guard, [self.inspection.channel(circuit) for circuit in lit])).seen
        drawn = Drawing(self.inspection.measurements()).of(reading_of(self.inspection, "drive", lit, seen))
        for circuit in lit:
            current_a = seen.channel(self.inspection.channel(circuit)).current_a
            value = judge_current(self.inspection, circuit, current_a, drawn.pin_a[circuit.pin])
            self.values[value.name] = value

    # --- until it is over ---

    async def _stay(self, until_s: float) -> None:
        edge_s, on = self.now_s, False
        while self.circuits and self.now_s < until_s and not self.typed.over:
            if self.flashing and self.now_s >= edge_s:
                on = not on
                await self._flash(on=on)
                edge_s += 30 / self.per_min
            next_s = min(until_s, edge_s) if self.flashing else until_s
            seen = await self.inspection.guard.wait(min(max(next_s - self.now_s, 0.0), LOOK_EVERY_S))
            self.now_s = seen.uptime_s
            self._look(seen)

    async def _flash(self, *, on: bool) -> None:
        if not on:
            await self.inspection.guard.off([self.inspection.channel(circuit) for circuit in self.flashing])
            return
        self.starts_s.append(self.now_s)
        for circuit in list(self.flashing):
            await self._light(circuit)

    def _look(self, seen: Snapshot) -> None:
        for circuit in list(self.circuits):
            reading = seen.channel(self.inspection.channel(circuit))
            if reading.state is ChannelState.TRIPPED:
                self._leave(circuit, "the board switched it off by itself")
            text = "flashes" if circuit in self.flashing else "lit"
            self.inspection.progress(seen, text, circuit)
