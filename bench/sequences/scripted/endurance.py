"""Endurance: one cycle after the other, for as long as it takes, in constant memory.

Each block of cycles is one step of the record, durable when it ends; with it goes the state of the whole loop, so that
a later run can go on from there, whatever ended this one. Values of a cycle count when the cycle is whole.

A circuit fails when its values have not passed in some cycles in a row; the first of them is its failure time. From
then on it is left alone, while the others go on. At the end stand mean, extremes and drift of every value over all
cycles, and how long the circuits lived.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Self

from bench.errors import InputError
from bench.profiles.sequence_model import Endure, Given, Measure, every_step
from bench.results import Value, Verdict
from bench.sequences.scripted.life import Life, life
from bench.sequences.scripted.part import Part
from bench.sequences.scripted.steps import Steps
from bench.sequences.scripted.tally import Tally, drift

NAME = "endurance"
BLOCKS = 50
SMALLEST_BLOCK = 20
DRIFT_CYCLES = 1000.0

Save = Callable[[Mapping[str, Any]], Awaitable[None]]
Cycle = Callable[[], Awaitable[None]]


@dataclass
class Endurance:
    """An endurance loop, from whole cycle to whole cycle.

    Attributes:
        done: whole cycles so far, those of earlier runs included.
        board_s: what they took.
        failed: circuits that have failed, with the cycle in which they did.
        streaks: cycles in a row in which a circuit has not passed.
        watched: circuits whose values were judged.
        tallies: every value over all cycles.
    """

    done: int = 0
    board_s: float = 0.0
    failed: dict[str, int] = field(default_factory=dict)
    streaks: dict[str, int] = field(default_factory=dict)
    watched: dict[str, None] = field(default_factory=dict)
    tallies: dict[str, Tally] = field(default_factory=dict)

    @classmethod
    def of(cls, document: Mapping[str, Any]) -> Self:
        """The loop that ``document`` keeps."""
        try:
            tallies = {name: Tally.of(each) for name, each in document["tallies"].items()}
            watched = dict.fromkeys(document["watched"])
            return cls(**{**document, "tallies": tallies, "watched": watched})
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(f"what the record keeps of its endurance loop can't be read: {error}") from error

    def document(self) -> dict[str, Any]:
        """All of it as plain data."""
        return {
            "done": self.done,
            "board_s": self.board_s,
            "failed": dict(self.failed),
            "streaks": dict(self.streaks),
            "watched": list(self.watched),
            "tallies": {name: tally.document() for name, tally in self.tallies.items()},
        }

    async def run(
        self, steps: Steps, asked: Endure, cycles: int, every_s: float | None, cycle: Cycle, save: Save
    ) -> None:
        """Do what is left of ``cycles`` cycles, block by block, and sum up."""
        await steps.close()
        steps.left_alone |= set(self.failed)
        earlier = self.done
        block = asked.block or max(-(-cycles // BLOCKS), SMALLEST_BLOCK)
        while self.done < cycles and not self._over(asked):
            last = min((self.done // block + 1) * block, cycles)
            async with steps.section(NAME, f"Cycles {self.done + 1} to {last}") as part:
                if 0 < earlier == self.done:
                    part.remark(f"goes on after {earlier} cycles of an earlier record")
                await self._block(steps, asked, last, every_s, cycle)
            await save(self.document())
        steps.cycle = 0
        await save(self.document())
        async with steps.section("endurance-sum", f"{self.done} cycles") as part:
            await asyncio.to_thread(self._sum_up, part, cycles)  # what it imports takes longer than a watchdog waits

    async def _block(self, steps: Steps, asked: Endure, last: int, every_s: float | None, cycle: Cycle) -> None:
        while self.done < last and not self._over(asked):
            began_s = await steps.now_s()
            await self._cycle(steps, asked, cycle)
            if every_s is not None:
                await steps.wait_to(began_s + every_s)
            self.board_s += await steps.now_s() - began_s

    async def _cycle(self, steps: Steps, asked: Endure, cycle: Cycle) -> None:
        heard: list[tuple[Value, str | None]] = []
        steps.cycle = self.done + 1
        steps.heard = lambda value, circuit: heard.append((value, circuit))
        try:
            await cycle()
        finally:
            steps.heard = lambda _value, _circuit: None
        self.done += 1
        for value, _ in heard:
            self.tallies.setdefault(value.name, Tally(value)).add(value, float(self.done))
        for name in self._newly_failed(heard, asked.failed_after):
            steps.left_alone.add(name)
            await steps.off(name)
            await steps.remark(f"{name} failed in cycle {self.failed[name]} and is left alone from now on")

    def _newly_failed(self, heard: list[tuple[Value, str | None]], failed_after: int) -> list[str]:
        circuits = dict.fromkeys(circuit for _, circuit in heard if circuit is not None)
        self.watched |= circuits
        bad = {circuit for value, circuit in heard if value.verdict is not Verdict.PASS}
        for name in circuits:
            self.streaks[name] = self.streaks.get(name, 0) + 1 if name in bad else 0
        fresh = [name for name in circuits if self.streaks[name] >= failed_after and name not in self.failed]
        self.failed |= dict.fromkeys(fresh, self.done - failed_after + 1)
        return fresh

    def _over(self, asked: Endure) -> bool:
        if asked.give_up_after is not None:
            return len(self.failed) >= asked.give_up_after
        watched = self.watched or _circuits(asked)
        return bool(watched) and len(self.failed) >= len(watched)

    # --- summing up ---

    def _sum_up(self, part: Part, cycles: int) -> None:
        enough = Verdict.PASS if self.done >= cycles else Verdict.NOT_TESTED
        part.add(Value("cycles", float(self.done), "1", low=float(cycles), verdict=enough))
        for tally in self.tallies.values():
            for value in [*tally.summary(), *_drift(tally)]:
                part.add(value)
            trace = tally.trace(0.0, self.board_s)
            if trace is not None:
                part.keep(trace)
        if self.watched:
            self._add_life(part)

    def _add_life(self, part: Part) -> None:
        alive = [self.done] * (len(self.watched) - len(self.failed))
        lived = life(sorted(self.failed.values()), alive)
        verdict = Verdict.FAIL if self.failed else Verdict.PASS
        part.add(Value("circuits failed", float(lived.failed), "1", high=0.0, verdict=verdict))
        for name, cycle in self.failed.items():
            part.add(Value(f"{name} failed in cycle", float(cycle), "1", verdict=Verdict.FAIL))
        for value in _life(lived):
            part.add(value)


async def _save_nothing(_: Mapping[str, Any]) -> None:
    return


async def endure(
    steps: Steps,
    cycles: int,
    cycle: Cycle,
    *,
    every_s: float | None = None,
    block: int | None = None,
    failed_after: int = 3,
    give_up_after: int | None = None,
    state: Mapping[str, Any] | None = None,
    save: Save = _save_nothing,
) -> Endurance:
    """An endurance loop in a script of one's own, as ``do: endure`` is in a sequence.

    Args:
        steps: those of the script.
        cycles: how many in all, those of ``state`` included.
        cycle: does one; what it measures of circuits decides who has failed.
        every_s: from the beginning of one cycle to that of the next.
        block: cycles in one step of the record; when None a fiftieth of all, at least twenty.
        failed_after: cycles in a row in which a circuit did not pass.
        give_up_after: failed circuits that end it; when all have failed, if None.
        state: to go on from, as an earlier ``save`` got it.
        save: gets the state after each block.

    Returns:
        The loop as it ended: who failed when, and every value over all cycles.
    """
    loop = Endurance() if state is None else Endurance.of(state)
    asked = Endure(cycles, (), every_s, block, failed_after, give_up_after)
    await loop.run(steps, asked, cycles, every_s, cycle, save)
    return loop


def _circuits(asked: Endure) -> set[str]:
    measured = [step.circuit for step in every_step(asked.steps) if isinstance(step, Measure)]
    return {circuit for circuit in measured if circuit is not None and not isinstance(circuit, Given)}


def _drift(tally: Tally) -> list[Value]:
    found = drift(tally)
    if found is None:
        return []
    per, about = found.per_cycle * DRIFT_CYCLES, found.plus_minus * DRIFT_CYCLES
    words = "it drifts" if found.certain else "no drift that could be told from chance"
    source = f"least squares over {tally.count} cycles: {per:.3g} ± {about:.2g} (95 %); {words}"
    return [Value(f"{tally.value.name}, drift in 1000 cycles", per, tally.value.unit, source=source)]


def _life(lived: Life) -> list[Value]:
    values = []
    if lived.surviving:
        last = lived.surviving[-1]
        source = f"Kaplan-Meier: 95 % {last.share.low:.2g} to {last.share.high:.2g} after cycle {last.time:g}"
        values.append(Value("surviving share", last.share.value, "1", source=source))
    if lived.weibull is not None:
        about = f"Weibull, maximum likelihood, {lived.failed} failed and {lived.alive} did not"
        for name, each in (("shape", lived.weibull.shape), ("scale", lived.weibull.scale)):
            values.append(
                Value(f"Weibull {name}", each.value, "1", source=f"{about}: {each.low:.3g} to {each.high:.3g}")
            )
        values.append(Value("cycles by which 10 % fail", lived.weibull.life(0.1), "1", source=about))
    return values
