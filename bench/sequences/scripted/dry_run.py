"""What a sequence would switch, and for how long, without a board. Pure.

Both branches of a ``when`` are followed and the longer one counts; so does the longest that a ``wait until`` may
take. Loops are not gone through pass by pass: the first pass may begin with other circuits on than the rest, so that
one and the second are looked at, and the second counts for all others. Figures are therefore at most what will be;
what is not to be known is said. What the board's exchanges take is not counted.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from bench.profiles import sequence_model as model
from bench.safety.setup import Setup
from bench.sequences.before_power import PROBE_S, PULSE_S
from bench.sequences.scripted.conditions import Environment, name, number
from bench.sequences.settle import LONGEST_S, MEAN_S

_TAKES_S: Mapping[str, float] = {"probe_ohm": PROBE_S, "pulse_ohm": PULSE_S, "settled_a": LONGEST_S}


@dataclass(frozen=True, slots=True)
class Use:
    """What happens to one circuit, at most: times switched on, seconds on, probes and pulses."""

    driven: int = 0
    on_s: float = 0.0
    probes: int = 0

    def __add__(self, other: "Use") -> "Use":
        return Use(self.driven + other.driven, self.on_s + other.on_s, self.probes + other.probes)

    def times(self, factor: int) -> "Use":
        """The same again and again."""
        return Use(self.driven * factor, self.on_s * factor, self.probes * factor)


@dataclass(frozen=True, slots=True)
class Switched:
    """One circuit in the plan; ``nominal_a`` is what its loads should take."""

    circuit: str
    use: Use
    nominal_a: float


@dataclass(frozen=True, slots=True)
class Plan:
    """What a sequence would do.

    Attributes:
        lines: its steps in words, each with how deep it stands.
        switched: circuits that would be fed, in the profile's order.
        duration_s: board seconds, at most.
        together: most circuits on at the same time.
        open: what is not to be known beforehand.
    """

    lines: tuple[tuple[int, str], ...]
    switched: tuple[Switched, ...]
    duration_s: float
    together: int
    open: tuple[str, ...]


@dataclass(frozen=True)
class _State:
    """Where a look ahead stands: what is on, and what has happened so far."""

    on: frozenset[str] = frozenset()
    uses: Mapping[str, Use] = field(default_factory=dict)
    passed_s: float = 0.0
    together: int = 0

    def after(self, seconds: float) -> "_State":
        uses = {**self.uses, **{each: self.uses.get(each, Use()) + Use(on_s=seconds) for each in self.on}}
        return replace(self, uses=uses, passed_s=self.passed_s + seconds)

    def used(self, circuits: frozenset[str], use: Use) -> "_State":
        return replace(self, uses={**self.uses, **{each: self.uses.get(each, Use()) + use for each in circuits}})

    def driving(self, circuits: frozenset[str]) -> "_State":
        on = self.on | circuits
        return replace(self.used(circuits - self.on, Use(driven=1)), on=on, together=max(self.together, len(on)))

    def and_again(self, since: "_State", more: int) -> "_State":
        """``more`` repetitions of what happened since then."""
        uses = {each: use + _less(use, since.uses.get(each, Use())).times(more) for each, use in self.uses.items()}
        return replace(self, uses=uses, passed_s=self.passed_s + (self.passed_s - since.passed_s) * more)


def _less(after: Use, before: Use) -> Use:
    return Use(after.driven - before.driven, after.on_s - before.on_s, after.probes - before.probes)


def plan(sequence: model.Sequence) -> Plan:
    """What ``sequence`` would do with its parameters as they are."""
    ahead = _LookAhead(frozenset(circuit.name for circuit in sequence.profile.circuits))
    end = ahead.through(sequence.steps, dict(sequence.given), _State())
    nominal_a = Setup.of(sequence.profile).nominal_a
    channels = sequence.profile.channel_of_pin
    return Plan(
        tuple(line for step in sequence.steps for line in describe(step, sequence.given)),
        tuple(
            Switched(circuit.name, end.uses[circuit.name], nominal_a.get(channels[circuit.pin], 0.0))
            for circuit in sequence.profile.circuits
            if circuit.name in end.uses
        ),
        end.passed_s,
        end.together,
        tuple(ahead.open),
    )


class _LookAhead:
    def __init__(self, every: frozenset[str]) -> None:
        self._every = every
        self.open: dict[str, None] = {}

    def through(self, steps: tuple[model.Step, ...], given: Environment, state: _State) -> _State:
        for step in steps:
            state = self._one(step, given, state)
        return state

    def _one(self, step: model.Step, given: Environment, state: _State) -> _State:  # a table; one line a step
        match step:
            case model.Drive(circuits=circuits):
                return state.driving(frozenset(name(each, given) for each in circuits))
            case model.Off(circuits=circuits):
                return replace(state, on=state.on - (frozenset(name(each, given) for each in circuits) or self._every))
            case model.Wait():
                return self._wait(step, given, state)
            case model.Measure():
                return self._measure(step, given, state)
            case model.Record(steps=steps, rate_hz=rate_hz, samples=samples):
                end = self.through(steps, given, state)
                return end.after(max(samples / rate_hz - (end.passed_s - state.passed_s), 0.0))
            case model.Section(steps=steps):
                return self.through(steps, given, state)
            case model.Repeat(times=times):
                if step.until is not None:
                    self.open["a loop ends when its condition holds: counted with all its passes"] = None
                return self._again(step.steps, number(times, given), step.every_s, given, state)
            case model.Endure(cycles=cycles):
                self.open["a circuit that fails is left alone: counted as if none did"] = None
                return self._again(step.steps, number(cycles, given), step.every_s, given, state)
            case model.ForEach(name=label, values=values, steps=steps):
                for value in values:
                    state = self.through(steps, {**given, label: value}, state)
                return state
            case model.When(then=then, otherwise=otherwise):
                self.open["a branch depends on a result: the longer way is counted"] = None
                ends = [self.through(way, given, state) for way in (then, otherwise)]
                return max(ends, key=lambda end: (end.passed_s, len(end.on)))
            case model.Inspect(names=names):
                self.open[f"inspection steps ({', '.join(names)}) take as long as the harness needs"] = None
                return state
            case model.Ask() | model.Stop():
                self.open["answers and stops are not foreseen: counted as if it went on"] = None
                return state
            case _:
                return state

    def _wait(self, step: model.Wait, given: Environment, state: _State) -> _State:
        if step.until is not None:
            self.open["a wait ends when its condition holds: counted with its longest time"] = None
        longest = step.seconds if step.until is None else step.at_most_s
        return state.after(number(longest or 0.0, given))

    def _measure(self, step: model.Measure, given: Environment, state: _State) -> _State:
        seconds = max(_TAKES_S.get(step.quantity, MEAN_S), number(step.over_s, given))
        if step.quantity in ("probe_ohm", "pulse_ohm") and step.circuit is not None:
            state = state.used(frozenset({name(step.circuit, given)}), Use(probes=1))
        return state.after(seconds)

    def _again(
        self,
        steps: tuple[model.Step, ...],
        times: float,
        every_s: model.Number | None,
        given: Environment,
        state: _State,
    ) -> _State:
        def once(begin: _State) -> _State:
            end = self.through(steps, given, begin)
            rest_s = 0.0 if every_s is None else number(every_s, given) - (end.passed_s - begin.passed_s)
            return end.after(max(rest_s, 0.0))

        first = once(state)
        if round(times) < 2:
            return first
        second = once(first)
        return second.and_again(first, round(times) - 2)


# --- in words ---


def describe(step: model.Step, given: Environment, depth: int = 0) -> list[tuple[int, str]]:
    """A step and those within it, in words."""
    lines = [(depth, _words(step, given))]
    if isinstance(step, model.When):
        lines += [line for each in step.then for line in describe(each, given, depth + 1)]
        if step.otherwise:
            lines.append((depth, "otherwise"))
            lines += [line for each in step.otherwise for line in describe(each, given, depth + 1)]
        return lines
    return lines + [line for each in model.inner(step) for line in describe(each, given, depth + 1)]


def _words(step: model.Step, given: Environment) -> str:  # a table; one line a step
    match step:
        case model.Drive(circuits=circuits, level=level):
            at = "" if level == 1.0 else f" at {_number(level, given)} of full power"
            return f"drive {_names(circuits, given)}{at}"
        case model.Off(circuits=circuits):
            return f"off {_names(circuits, given) or 'everything'}"
        case model.Returns(closed=closed):
            return f"returns closed: {closed}"
        case model.Wait(seconds=seconds, until=None):
            return f"wait {_number(seconds or 0.0, given)} s"
        case model.Wait(until=until, at_most_s=at_most_s) if until is not None:
            return f"wait until {condition_words(until, given)}, {_number(at_most_s or 0.0, given)} s at most"
        case model.Measure():
            return _measured(step, given)
        case model.Record(circuit=circuit, rate_hz=rate_hz, samples=samples):
            return f"record {_names((circuit,), given)}, {samples / rate_hz:g} s from its switch-on"
        case model.Ask(text=text):
            return f"ask: {text}"
        case model.Tell(text=text):
            return f"tell: {text}"
        case model.Repeat(times=times, until=until, every_s=every_s):
            until_words = "" if until is None else f", until {condition_words(until, given)}"
            return f"repeat {_number(times, given)} times{_every(every_s, given)}{until_words}"
        case model.ForEach(name=label, values=values):
            return f"for each {label} of {', '.join(f'{v:g}' if isinstance(v, float) else v for v in values)}"
        case model.When(condition=condition):
            return f"when {condition_words(condition, given)}"
        case model.Section(title=title):
            return title
        case model.Endure(cycles=cycles, every_s=every_s):
            return f"endure {_number(cycles, given)} cycles{_every(every_s, given)}"
        case model.Inspect(names=names):
            return f"inspection steps {', '.join(names)}"
        case model.Stop(verdict=verdict, reason=reason):
            return f"stop, {verdict}: {reason}"
        case _:
            return type(step).__name__.lower()


def condition_words(condition: model.Condition, given: Environment) -> str:
    """A condition in words."""
    match condition:
        case model.Compared():
            of = "" if condition.circuit is None else f"{_names((condition.circuit,), given)} "
            bounds = [
                f"{word} {_number(bound, given)}"
                for word, bound in (("above", condition.above), ("below", condition.below))
                if bound is not None
            ]
            return f"{of}{condition.value or condition.quantity} is {' and '.join(bounds)}"
        case model.Judged(verdict_of=of, verdict=verdict):
            return f"the verdict of {of} is {verdict}"
        case model.Answered(answer=answer, equals=equals):
            return f"the answer to {answer} is {'yes' if equals is True else 'no' if equals is False else equals}"
        case model.Every(every=parts):
            return " and ".join(condition_words(part, given) for part in parts)
        case model.Either(either=parts):
            return " or ".join(condition_words(part, given) for part in parts)
        case model.Unless(unless=part):
            return f"not ({condition_words(part, given)})"


def _measured(step: model.Measure, given: Environment) -> str:
    of = "" if step.circuit is None else f" of {_names((step.circuit,), given)}"
    bounds = [
        f"{word} {_number(bound, given)}"
        for word, bound in (("at least", step.low), ("at most", step.high))
        if bound is not None
    ]
    limits = f", {' and '.join(bounds)}" if bounds else f", limit: {step.limit}" if step.limit else ""
    return f"measure {step.quantity}{of}{limits}"


def _number(value: model.Number, given: Environment) -> str:
    if isinstance(value, model.Given):
        known = given.get(value.parameter, value.parameter)
        return f"{known:g}" if isinstance(known, float | int) else f"({known})"
    return f"{value:g}"


def _names(circuits: tuple[model.CircuitName, ...], given: Environment) -> str:
    return ", ".join(
        f"({each.parameter})" if isinstance(each, model.Given) and each.parameter not in given else name(each, given)
        for each in circuits
    )


def _every(every_s: model.Number | None, given: Environment) -> str:
    return "" if every_s is None else f", one every {_number(every_s, given)} s"
