"""Whether a condition of a sequence holds. Pure but for what it looks at."""

from collections.abc import Mapping

from bench.contract.readings import Snapshot
from bench.profiles.sequence_model import (
    Answered,
    CircuitName,
    Compared,
    Condition,
    Either,
    Every,
    Given,
    Judged,
    Number,
    Unless,
)
from bench.results import Verdict
from bench.sequences.operator import is_yes
from bench.sequences.scripted.steps import Steps

Environment = Mapping[str, float | str]


def number(given: Number, environment: Environment) -> float:
    """A number, or what its parameter gives."""
    return float(environment[given.parameter]) if isinstance(given, Given) else given


def name(given: CircuitName, environment: Environment) -> str:
    """A circuit's name, or what its loop gives."""
    return str(environment[given.parameter]) if isinstance(given, Given) else given


def holds(condition: Condition, steps: Steps, environment: Environment, seen: Snapshot) -> bool:
    """Whether ``condition`` holds, with what was kept so far and what ``seen`` shows."""
    match condition:
        case Compared():
            return _compared(condition, steps, environment, seen)
        case Judged(verdict_of="run", verdict=verdict):
            return steps.verdict is Verdict(verdict)
        case Judged(verdict_of=of, verdict=verdict):
            return of in steps.values and steps.values[of].verdict is Verdict(verdict)
        case Answered(answer=key, equals=equals):
            given = steps.answers.get(key)
            return is_yes(given) is equals if isinstance(equals, bool) else _same(given, equals)
        case Every(every=parts):
            return all(holds(part, steps, environment, seen) for part in parts)
        case Either(either=parts):
            return any(holds(part, steps, environment, seen) for part in parts)
        case Unless(unless=part):
            return not holds(part, steps, environment, seen)


def _same(given: object, wanted: float | str) -> bool:
    """Whether an answer, which may have been typed, is the one that is meant."""
    try:
        return float(str(given)) == float(wanted)
    except ValueError:
        return str(given).strip().lower() == str(wanted).lower()


def _compared(condition: Compared, steps: Steps, environment: Environment, seen: Snapshot) -> bool:
    circuit = None if condition.circuit is None else name(condition.circuit, environment)
    if condition.quantity is not None:
        figure: float | None = steps.read_now(seen, condition.quantity, circuit)
    else:
        kept = steps.values.get(f"{circuit} {condition.value}" if circuit else condition.value or "")
        figure = kept.value if kept else None
    if figure is None:
        return False
    above = condition.above is None or figure > number(condition.above, environment)
    below = condition.below is None or figure < number(condition.below, environment)
    return above and below
