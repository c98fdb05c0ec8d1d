"""A sequence, played: each of its steps is one of ``Steps``."""

from collections.abc import Awaitable, Callable
from itertools import count

from bench.profiles import sequence_model as model
from bench.profiles.sequence_model import CircuitName, Number
from bench.results import Value, Verdict
from bench.sequences.scripted.conditions import Environment, holds, name, number
from bench.sequences.scripted.endurance import Endurance, Save
from bench.sequences.scripted.steps import Steps

InspectionSteps = Callable[[tuple[str, ...]], Awaitable[Verdict]]


class Player:
    """Plays one sequence.

    Args:
        steps: what does it.
        environment: value of each parameter.
        endurance: where an endurance loop begins, and how it keeps what it has.
        inspect: performs steps of the usual inspection.
    """

    def __init__(
        self, steps: Steps, environment: Environment, endurance: Endurance, save: Save, inspect: InspectionSteps
    ) -> None:
        self._steps = steps
        self._environment = dict(environment)
        self._endurance = endurance
        self._save = save
        self._inspect = inspect

    async def play(self, steps: tuple[model.Step, ...]) -> None:
        """Do steps one after the other.

        Raises:
            ScriptOver: the sequence ends itself.
        """
        for step in steps:
            await self._do(step)

    async def _do(self, step: model.Step) -> None:  # a table; one line a step
        steps = self._steps
        match step:
            case model.Drive(circuits=circuits, level=level):
                await steps.drive(*map(self._name, circuits), level=self._number(level))
            case model.Off(circuits=circuits):
                await steps.off(*map(self._name, circuits))
            case model.Returns(closed=closed):
                await steps.returns(closed)
            case model.Wait():
                await self._wait(step)
            case model.Measure():
                await self._measure(step)
            case model.Record(circuit=circuit, name=label, rate_hz=rate_hz, samples=samples):
                async with steps.record(self._name(circuit), label, rate_hz=rate_hz, samples=samples):
                    await self.play(step.steps)
            case model.Ask(key=key, text=text, must=must, safety=safety):
                await steps.ask(key, text, must=must, safety=safety)
            case model.Tell(text=text):
                await steps.tell(text)
            case model.Repeat():
                await self._repeat(step)
            case model.ForEach():
                await self._for_each(step)
            case model.When(condition=condition, then=then, otherwise=otherwise):
                await self.play(then if await self._holds(condition) else otherwise)
            case model.Section(name=label, title=title):
                async with steps.section(label, title):
                    await self.play(step.steps)
            case model.Endure():
                every_s = None if step.every_s is None else self._number(step.every_s)
                total = round(self._number(step.cycles))
                await self._endurance.run(steps, step, total, every_s, lambda: self.play(step.steps), self._save)
            case model.Inspect(names=names):
                await steps.close()
                steps.note(await self._inspect(names))
            case model.Stop(verdict=verdict, reason=reason):
                steps.stop(verdict, reason)

    async def _wait(self, step: model.Wait) -> None:
        if step.until is None:
            await self._steps.wait(self._number(step.seconds or 0.0))
            return
        until, at_most_s = step.until, self._number(step.at_most_s or 0.0)
        took_s = await self._steps.wait_until(
            lambda seen: holds(until, self._steps, self._environment, seen), at_most_s
        )
        if step.name is not None:
            await self._steps.keep(_waited(step.name, took_s, at_most_s, Verdict(step.otherwise)))
        elif took_s is None:
            await self._steps.remark(f"waited {at_most_s:g} s for what did not come")

    async def _measure(self, step: model.Measure) -> None:
        circuit = None if step.circuit is None else self._name(step.circuit)
        label = step.name
        if label is not None and isinstance(step.circuit, model.Given):
            label = f"{circuit} {label}"
        await self._steps.measure(
            step.quantity,
            circuit,
            name=label,
            low=None if step.low is None else self._number(step.low),
            high=None if step.high is None else self._number(step.high),
            limit=step.limit,
            outside=step.outside,
            over_s=self._number(step.over_s),
        )

    async def _repeat(self, step: model.Repeat) -> None:
        times = round(self._number(step.times))
        for no in count(1):
            began_s = await self._steps.now_s()
            await self.play(step.steps)
            if no >= times or (step.until is not None and await self._holds(step.until)):
                return
            if step.every_s is not None:
                await self._steps.wait_to(began_s + self._number(step.every_s))

    async def _for_each(self, step: model.ForEach) -> None:
        for value in step.values:
            self._environment[step.name] = value
            await self.play(step.steps)
        del self._environment[step.name]

    async def _holds(self, condition: model.Condition) -> bool:
        seen = await self._steps.snapshot()
        return holds(condition, self._steps, self._environment, seen)

    def _number(self, given: Number) -> float:
        return number(given, self._environment)

    def _name(self, given: CircuitName) -> str:
        return name(given, self._environment)


def _waited(label: str, took_s: float | None, at_most_s: float, late: Verdict) -> Value:
    if took_s is None:
        return Value(label, at_most_s, "s", high=at_most_s, verdict=late, source="it did not come true in time")
    return Value(label, took_s, "s", high=at_most_s)
