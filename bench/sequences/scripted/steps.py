"""What a script can do, as async Python; a sequence file does the same through these very methods.

    async def script(steps: Steps) -> None:
        await steps.drive("lock")
        await steps.wait(0.2)
        await steps.measure("current_a", "lock", low=2.5, high=4.0)
        await steps.off()

Circuits go by the profile's names, times are board seconds, and everything passes the guarded board. What a rule
refuses to switch is not an error: it is remarked, and what is measured on it then is not tested.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import NoReturn

from bench.contract.readings import Snapshot
from bench.contract.table import Capability, ChannelState, Mode
from bench.errors import InputError
from bench.events import Progress, StepStarted
from bench.profiles.model import Circuit, ReturnName
from bench.profiles.sequence_model import DRAWING, OF_CIRCUIT, Ending, Outside, Quantity, unit_of
from bench.results import Trace, Value, Verdict, worst
from bench.safety import Denied
from bench.sequences.attended import why_not
from bench.sequences.before_power import PROBE_S, PULSE_S, behind_ohm
from bench.sequences.circuits import judge_current
from bench.sequences.drawing import Drawing
from bench.sequences.inspection import RETURN_NAMES, Inspection, reading_of
from bench.sequences.ledger import Ledger
from bench.sequences.operator import Answer, Operator, Question, is_yes
from bench.sequences.scripted.part import Part
from bench.sequences.settle import MEAN_S, settle
from bench.sequences.values import judged, limited

POLL_S = 0.02
LOOK_EVERY_S = 0.5
CAPTURE_SLACK_S = 0.2
DRIVEN: frozenset[str] = frozenset({"current_a", "settled_a"})  # means nothing while the circuit could not be fed


class ScriptOver(Exception):  # noqa: N818 - named for what happened
    """A script ends itself; not an error."""

    def __init__(self, verdict: Verdict, reason: str) -> None:
        super().__init__(reason)
        self.verdict = verdict


class Steps:
    """The steps of one script on one board.

    Attributes:
        values: the newest value kept under each name.
        answers: what the operator answered, by key.
        verdict: the worst so far; not tested before anything was judged.
        cycle: number of the endurance cycle, for drift; 0 outside.
        left_alone: circuits that have failed and are not fed or measured any more.
        heard: gets every value as it is kept, with its circuit's name.
    """

    def __init__(self, inspection: Inspection, ledger: Ledger, operator: Operator, name: str, title: str) -> None:
        self.values: dict[str, Value] = {}
        self.answers: dict[str, Answer | None] = {}
        self.verdict = Verdict.NOT_TESTED
        self.cycle = 0
        self.left_alone: set[str] = set()
        self.heard: Callable[[Value, str | None], None] = lambda _value, _circuit: None
        self.part: Part | None = None
        self._judged_any = False
        self.inspection = inspection
        self._guard = inspection.guard
        self.ledger = ledger
        self._operator = operator
        self._script = (name, title)
        self._circuits = {circuit.name: circuit for circuit in inspection.profile.circuits}
        self._refused: dict[str, str] = {}
        self._fed: dict[str, Circuit] = {}
        self._clear = False
        self._drawing: Drawing | None = None
        self._parts = 0

    # --- parts of the record ---

    @asynccontextmanager
    async def section(self, name: str, title: str) -> AsyncIterator[Part]:
        """A step of the record of its own; what is measured within belongs to it."""
        await self.close()
        self.part = part = await self._begin(name, title)
        yield part
        await self.close()

    async def close(self) -> None:
        """Put the part that goes on into the record."""
        part = self.part
        if part is None:
            return
        part.now_s = (await self._guard.fresh()).uptime_s
        self.part = None  # from here on it is written whole
        if not part.empty:
            await self.ledger.add(part.result())

    async def _begin(self, name: str, title: str) -> Part:
        self._parts += 1
        self.inspection.step = name
        self.inspection.tell(StepStarted(name, title, self._parts, 0))
        now_s = (await self._guard.fresh()).uptime_s
        return Part(name, title, now_s, now_s)

    async def current(self) -> Part:
        """The part that goes on; one for the whole script where none was begun."""
        if self.part is None:
            self.part = await self._begin(*self._script)
        return self.part

    async def remark(self, text: str) -> None:
        """Put one line into the record."""
        (await self.current()).remark(text)

    def stop(self, verdict: Ending, reason: str) -> NoReturn:
        """End the script here, with this verdict among the others."""
        raise ScriptOver(Verdict(verdict), reason)

    # --- people ---

    async def ask(self, key: str, text: str, *, must: bool = True, safety: bool = True) -> Answer | None:
        """Ask the operator, who may have answered beforehand.

        Args:
            key: the question's name in an answers file.
            text: the question.
            must: without a plain yes the script ends here, not tested.
            safety: never answered by ``--yes``.
        """
        answer = await self._operator.ask(Question(key, text, safety=safety))
        self.answers[key] = answer
        if must and not is_yes(answer):
            self.stop("not-tested", f"not answered with yes ({key}): {text}")
        return answer

    async def tell(self, text: str) -> None:
        """Tell the operator."""
        self._progress(await self._guard.fresh(), text)

    async def clear_to_power(self) -> None:
        """Cautions, and the operator's yes, once; without it the script ends, not tested."""
        if self._clear:
            return
        reason = await why_not(self.inspection, self._operator)
        if reason is not None:
            self.stop("not-tested", reason)
        self._clear = True

    # --- switching ---

    async def drive(self, *circuits: str, level: float = 1.0) -> bool:
        """Soft-start circuits and keep them on.

        Returns:
            Whether all of them are fed; what was refused is remarked.
        """
        await self.clear_to_power()
        chosen = [self.circuit(name) for name in circuits]
        return all([await self._drive(circuit, level) for circuit in chosen if circuit.name not in self.left_alone])

    async def _drive(self, circuit: Circuit, level: float) -> bool:
        try:
            await self._guard.drive(self.inspection.channel(circuit), level)
        except Denied as denied:
            self._refused[circuit.name] = str(denied)
            await self.remark(f"{circuit.name}: {denied}")
            return False
        self._refused.pop(circuit.name, None)
        self._fed[circuit.name] = circuit
        return True

    async def off(self, *circuits: str) -> None:
        """Turn circuits off, all when none is named."""
        chosen = [self.circuit(name) for name in circuits]
        await self._guard.off([self.inspection.channel(circuit) for circuit in chosen] if chosen else None)
        for name in circuits or list(self._fed):
            self._fed.pop(name, None)

    async def returns(self, closed: ReturnName) -> None:
        """Close these returns and open the others.

        Raises:
            Denied: a rule refuses it.
        """
        await self._guard.returns(next(returns for returns, name in RETURN_NAMES.items() if name == closed))

    # --- time ---

    async def wait(self, seconds: float) -> None:
        """Let board time pass."""
        seen = await self._guard.fresh()
        until_s = seen.uptime_s + seconds
        while until_s - seen.uptime_s > LOOK_EVERY_S:
            seen = await self._guard.wait(LOOK_EVERY_S, since=seen)
            self._progress(seen, "waiting")
        await self._guard.wait(until_s - seen.uptime_s, since=seen)

    async def wait_to(self, board_s: float) -> None:
        """Let board time pass until this time, if it is still to come."""
        now_s = (await self._guard.fresh()).uptime_s
        if board_s > now_s:
            await self.wait(board_s - now_s)

    async def wait_until(self, holds: Callable[[Snapshot], bool], at_most_s: float) -> float | None:
        """Wait until a snapshot fulfils ``holds``; how long it took, or None when it never did."""
        began = seen = await self._guard.snapshot()
        while not holds(seen):
            if seen.uptime_s - began.uptime_s >= at_most_s:
                return None
            seen = await self._guard.wait(POLL_S, since=seen)
        return seen.uptime_s - began.uptime_s

    async def snapshot(self) -> Snapshot:
        """Everything measured, now."""
        return await self._guard.snapshot()

    async def now_s(self) -> float:
        """The board's clock."""
        return (await self._guard.fresh()).uptime_s

    # --- measuring ---

    async def measure(
        self,
        quantity: Quantity,
        circuit: str | None = None,
        *,
        name: str | None = None,
        low: float | None = None,
        high: float | None = None,
        limit: str | None = None,
        outside: Outside = "fail",
        over_s: float = 0.0,
    ) -> Value:
        """Measure a quantity, judge it and keep it.

        Args:
            quantity: of ``circuit``, or of the bench when None.
            circuit: its name.
            name: under which it is kept; ``CIRCUIT QUANTITY`` when None.
            low: at least this.
            high: at most this.
            limit: instead of both, the name of a limit of the profile, or ``drawing`` for a current.
            outside: the verdict beyond them.
            over_s: mean over this time.
        """
        of = self.circuit(circuit) if circuit is not None else None
        known_as = name or (f"{circuit} {quantity}" if circuit else quantity)
        if circuit in self.left_alone:
            return judged(known_as, None, unit_of(quantity), source="it has failed and is left alone")
        reason = self._why_not_measured(quantity, of)
        if reason is not None:
            value = judged(known_as, None, unit_of(quantity), low=low, high=high, source=reason)
        else:
            if limit == DRAWING and self._drawing is None:  # in a thread: the watchdog must be fed meanwhile
                self._drawing = await asyncio.to_thread(Drawing, self.inspection.measurements())
            seen, figure = await self._read(quantity, of, over_s)
            value = self._judge(known_as, figure, unit_of(quantity), (low, high), limit, Verdict(outside), of, seen)
            value = self._tripped(value, of, seen)
            self._progress(seen, known_as, of)
        await self.keep(value, circuit)
        return value

    async def keep(self, value: Value, circuit: str | None = None) -> None:
        """Keep a value that was judged elsewhere."""
        self.values[value.name] = value
        self.heard(value, circuit)
        self.note(value.verdict)
        (await self.current()).add(value, float(self.cycle))

    def note(self, verdict: Verdict) -> None:
        """Take a verdict into that of the whole script."""
        self.verdict = worst((self.verdict, verdict)) if self._judged_any else verdict
        self._judged_any = True

    def _why_not_measured(self, quantity: str, circuit: Circuit | None) -> str | None:
        return self._refused.get(circuit.name) if circuit is not None and quantity in DRIVEN else None

    async def _read(self, quantity: Quantity, circuit: Circuit | None, over_s: float) -> tuple[Snapshot, float]:
        if circuit is None:
            return await self._mean(lambda seen: float(getattr(seen, quantity)), over_s)
        channel = self.inspection.channel(circuit)
        match quantity:
            case "settled_a":
                settled = await settle(self._guard, [channel])
                return settled.seen, settled.steady_a.get(channel, settled.seen.channel(channel).current_a)
            case "probe_ohm":
                shot = await self._guard.probe(channel, PROBE_S)
                fed_ohm = self.inspection.identity.probe_ohm
                return shot, behind_ohm(self.inspection, fed_ohm, shot.supply_v, shot.channel(channel).voltage_v)
            case "pulse_ohm":
                shot = await self._guard.pulse(channel, PULSE_S)
                fed_ohm = self.inspection.identity.pulse_ohm
                return shot, behind_ohm(self.inspection, fed_ohm, shot.supply_v, shot.channel(channel).voltage_v)
            case _:
                return await self._mean(lambda seen: float(getattr(seen.channel(channel), quantity)), over_s)

    async def _mean(self, read: Callable[[Snapshot], float], over_s: float) -> tuple[Snapshot, float]:
        seen = await self._guard.snapshot()
        figures = [read(seen)]
        until_s = seen.uptime_s + over_s
        while seen.uptime_s + MEAN_S <= until_s:
            seen = await self._guard.wait(MEAN_S, since=seen)
            figures.append(read(seen))
        return seen, sum(figures) / len(figures)

    def _judge(
        self,
        name: str,
        figure: float,
        unit: str,
        bounds: tuple[float | None, float | None],
        limit: str | None,
        outside: Verdict,
        circuit: Circuit | None,
        seen: Snapshot,
    ) -> Value:
        if limit is None:
            return judged(name, figure, unit, low=bounds[0], high=bounds[1], outside=outside)
        if limit != DRAWING:
            if limit not in self.inspection.profile.limits:
                raise InputError(
                    f"the profile has no limit {limit!r}: it has {', '.join(self.inspection.profile.limits)}"
                )
            return limited(name, figure, unit, self.inspection.profile.limits[limit], outside)
        if circuit is None:
            raise InputError("the drawing has limits for the current of a circuit: name one")
        value = replace(judge_current(self.inspection, circuit, figure, self._drawn_a(circuit, seen)), name=name)
        return replace(value, verdict=outside) if value.verdict is Verdict.UNSURE else value

    def _drawn_a(self, circuit: Circuit, seen: Snapshot) -> float:
        fed = list(self._fed.values())
        if self._drawing is None or circuit not in fed:
            return 0.0
        return self._drawing.of(reading_of(self.inspection, "drive", fed, seen)).pin_a[circuit.pin]

    def _tripped(self, value: Value, circuit: Circuit | None, seen: Snapshot) -> Value:
        if circuit is None or seen.channel(self.inspection.channel(circuit)).state is not ChannelState.TRIPPED:
            return value
        reason = self._guard.trips.get(self.inspection.channel(circuit))
        why = f": {reason.name.lower().replace('_', ' ')}" if reason else ""
        return replace(value, verdict=Verdict.FAIL, source=f"the board switched it off by itself{why}")

    # --- recording ---

    @asynccontextmanager
    async def record(self, circuit: str, name: str, *, rate_hz: int = 1000, samples: int = 200) -> AsyncIterator[None]:
        """Record a circuit's current and voltage from its switch-on, which happens in the block."""
        of = self.circuit(circuit)
        if not self.inspection.can(Capability.CAPTURE) or circuit in self.left_alone:
            yield
            return
        channel, board = self.inspection.channel(of), self.inspection.identity
        rate_hz, samples = min(rate_hz, board.capture_rate_hz), min(samples, board.capture_samples)
        began_us = (await self._guard.fresh()).uptime_us
        await self._guard.arm_capture(channel, rate_hz, samples)
        yield
        lasts_s = samples / rate_hz + CAPTURE_SLACK_S
        await self.wait_until(lambda seen: Mode.CAPTURE_RUNNING not in seen.mode, lasts_s)
        capture = await self._guard.capture()
        if capture.channel != channel or capture.started_us < began_us or not capture.current_a:
            await self.remark(f"{name}: {circuit} was not switched on, so nothing was recorded")
            return
        columns = {"current_a": capture.current_a, "voltage_v": capture.voltage_v}
        (await self.current()).keep(Trace(name, capture.started_us * 1e-6, capture.dt_s, columns))

    # --- small things ---

    def circuit(self, name: str) -> Circuit:
        """The profile's circuit of that name, on this board.

        Raises:
            InputError: there is none, or the board has no channel for it.
        """
        found = self._circuits.get(name)
        if found is None:
            raise InputError(f"there is no circuit {name!r}: the circuits are {', '.join(self._circuits)}")
        if self.inspection.channel(found) > self.inspection.identity.channels:
            raise InputError(f"{name} is on channel {self.inspection.channel(found)}, which this board does not have")
        return found

    def read_now(self, seen: Snapshot, quantity: Quantity, circuit: str | None) -> float:
        """A quantity that a snapshot shows by itself."""
        if quantity not in OF_CIRCUIT:
            return float(getattr(seen, quantity))
        reading = seen.channel(self.inspection.channel(self.circuit(circuit or "")))
        return float(getattr(reading, "current_a" if quantity == "settled_a" else quantity))

    def _progress(self, seen: Snapshot, text: str, circuit: Circuit | None = None) -> None:
        if circuit is not None:
            self.inspection.progress(seen, text, circuit)
        else:
            self.inspection.tell(Progress(self.inspection.step, seen.uptime_s, text))
