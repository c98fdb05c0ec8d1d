"""A checked sequence as frozen dataclasses: what to do on a bench, one class a step.

A number may be given by a parameter or a for-each loop instead; so may the name of a circuit. Times are board
seconds. Whatever a step measures is kept under a name, which conditions then look at.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

from bench.profiles.model import Profile, ReturnName

OfCircuit = Literal["current_a", "settled_a", "voltage_v", "probe_ohm", "pulse_ohm", "trips"]
OfBench = Literal[
    "supply_v", "supply_a", "return_pin_a", "return_chassis_a", "ground_pin_v", "chassis_sense_v", "ambient_c",
    "board_c", "uptime_s",
]  # fmt: skip
Quantity = OfCircuit | OfBench
Outside = Literal["fail", "unsure"]
Ending = Literal["pass", "fail", "unsure", "not-tested"]
DRAWING = "drawing"  # the limit that is computed from the profile's loads

OF_CIRCUIT: frozenset[str] = frozenset({"current_a", "settled_a", "voltage_v", "probe_ohm", "pulse_ohm", "trips"})
_UNITS = {"a": "A", "v": "V", "ohm": "ohm", "c": "degC", "s": "s"}


def unit_of(quantity: str) -> str:
    """The unit that a quantity's name ends with."""
    return _UNITS.get(quantity.rsplit("_", 1)[-1], "1")


@dataclass(frozen=True, slots=True)
class Given:
    """What a parameter, or the for-each loop around it, gives."""

    parameter: str


Number: TypeAlias = float | Given
CircuitName: TypeAlias = str | Given


# --- conditions ---


@dataclass(frozen=True, slots=True)
class Compared:
    """A kept value (``value``), or a quantity read now, beside bounds; all bounds given must hold.

    With ``circuit``, a kept value is the one called ``CIRCUIT VALUE``. A value that was not measured fulfils nothing.
    """

    value: str | None = None
    quantity: Quantity | None = None
    circuit: CircuitName | None = None
    above: Number | None = None
    below: Number | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """The verdict of a kept value, or of everything so far where ``verdict_of`` is ``run``."""

    verdict_of: str
    verdict: Ending


@dataclass(frozen=True, slots=True)
class Answered:
    """What the operator answered to ``answer``."""

    answer: str
    equals: bool | float | str


@dataclass(frozen=True, slots=True)
class Every:
    """All of these hold."""

    every: "tuple[Condition, ...]"


@dataclass(frozen=True, slots=True)
class Either:
    """At least one of these holds."""

    either: "tuple[Condition, ...]"


@dataclass(frozen=True, slots=True)
class Unless:
    """This does not hold."""

    unless: "Condition"


Condition: TypeAlias = Compared | Judged | Answered | Every | Either | Unless


# --- steps ---


@dataclass(frozen=True, slots=True)
class Drive:
    """Soft-start circuits and keep them on at ``level``, a share of full power."""

    circuits: tuple[CircuitName, ...]
    level: Number = 1.0


@dataclass(frozen=True, slots=True)
class Off:
    """Turn circuits off, all when none is named."""

    circuits: tuple[CircuitName, ...] = ()


@dataclass(frozen=True, slots=True)
class Returns:
    """Close these returns and open the others."""

    closed: ReturnName


@dataclass(frozen=True, slots=True)
class Wait:
    """Let time pass: ``seconds``, or until a condition holds, for ``at_most_s``.

    Attributes:
        name: keeps how long it took under this name; judged by ``otherwise`` when the condition did not come true.
    """

    seconds: Number | None = None
    until: Condition | None = None
    at_most_s: Number | None = None
    name: str | None = None
    otherwise: Outside = "fail"


@dataclass(frozen=True, slots=True)
class Measure:
    """Measure a quantity, judge it and keep it.

    Attributes:
        name: under which it is kept; ``CIRCUIT QUANTITY`` when None. A circuit that a loop gives stands before it.
        limit: name of a limit of the profile, or ``drawing``: what the circuit's loads should take.
        over_s: mean over this time.
    """

    quantity: Quantity
    circuit: CircuitName | None = None
    name: str | None = None
    low: Number | None = None
    high: Number | None = None
    limit: str | None = None
    outside: Outside = "fail"
    over_s: Number = 0.0


@dataclass(frozen=True, slots=True)
class Record:
    """Record a circuit's current and voltage from its next switch-on, while ``steps`` switch it on."""

    circuit: CircuitName
    name: str
    steps: "tuple[Step, ...]"
    rate_hz: int = 1000
    samples: int = 200


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask the operator; the answer is kept under ``key``.

    Attributes:
        must: without a plain yes the sequence ends there, not tested.
        safety: never answered by anything but a person or an answers file.
    """

    key: str
    text: str
    must: bool = True
    safety: bool = True


@dataclass(frozen=True, slots=True)
class Tell:
    """Tell the operator."""

    text: str


@dataclass(frozen=True, slots=True)
class Repeat:
    """Do steps again and again: so many times, or until a condition holds after a pass.

    Attributes:
        every_s: a pass begins this long after the one before, or at once when that is over.
    """

    steps: "tuple[Step, ...]"
    times: Number
    until: Condition | None = None
    every_s: Number | None = None


@dataclass(frozen=True, slots=True)
class ForEach:
    """Do steps once with each value of the parameter ``name``."""

    name: str
    values: tuple[float | str, ...]
    steps: "tuple[Step, ...]"


@dataclass(frozen=True, slots=True)
class When:
    """Do one thing or the other."""

    condition: Condition
    then: "tuple[Step, ...]"
    otherwise: "tuple[Step, ...]" = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A part that stands in the record as a step of its own."""

    name: str
    title: str
    steps: "tuple[Step, ...]"


@dataclass(frozen=True, slots=True)
class Endure:
    """Cycles, by the thousand: drift and failure times, in the record block by block, so that it can be resumed.

    Attributes:
        block: cycles in one step of the record; when None a fiftieth of all, at least twenty.
        failed_after: a circuit whose values did not pass in so many cycles in a row has failed, and is left alone.
        give_up_after: failed circuits that end it; None: when all have failed.
    """

    cycles: Number
    steps: "tuple[Step, ...]"
    every_s: Number | None = None
    block: int | None = None
    failed_after: int = 3
    give_up_after: int | None = None


@dataclass(frozen=True, slots=True)
class Inspect:
    """Steps of the usual inspection, each a step of the record."""

    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """End the sequence here with a verdict."""

    verdict: Ending
    reason: str


Step: TypeAlias = (
    Drive | Off | Returns | Wait | Measure | Record | Ask | Tell | Repeat | ForEach | When | Section | Endure | Inspect
    | Stop
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number that whoever runs a sequence may choose, within bounds."""

    value: float
    low: float | None = None
    high: float | None = None
    unit: str = "1"
    title: str = ""


@dataclass(frozen=True, slots=True)
class Sequence:
    """A whole sequence.

    Attributes:
        given: the chosen value of each parameter.
        document: its plain data as it was read, for the record.
    """

    name: str
    title: str
    profile: Profile
    parameters: Mapping[str, Parameter]
    given: Mapping[str, float]
    steps: tuple[Step, ...]
    document: Mapping[str, Any] = field(default_factory=dict)


def inner(step: Step) -> "tuple[Step, ...]":
    """The steps directly within a step."""
    match step:
        case Record() | Repeat() | ForEach() | Section() | Endure():
            return step.steps
        case When():
            return (*step.then, *step.otherwise)
        case _:
            return ()


def every_step(steps: "tuple[Step, ...]") -> "list[Step]":
    """All steps, those within others included, in the order of the file."""
    return [each for step in steps for each in (step, *every_step(inner(step)))]
