"""Sequence files: steps, conditions and parameters as a person writes them.

Every form becomes the dataclass of :mod:`bench.profiles.sequence_model` that it names, field by field.
"""

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from bench.profiles import sequence_model as model
from bench.profiles.forms.common import Form, Name, Text, Title
from bench.profiles.forms.limits import Reference
from bench.profiles.forms.scenario import Answer
from bench.profiles.model import ReturnName


class MadeForm(Form):
    """A form that becomes a dataclass with the same fields."""

    made: ClassVar[type]


Label = Annotated[str, Field(min_length=1, max_length=80, description="A name as people read it.")]
Hertz = Annotated[int, Field(ge=100, le=10_000)]


class GivenForm(MadeForm):
    """A parameter, or what the for-each loop around it gives."""

    made: ClassVar[type] = model.Given
    parameter: Name


def _plain_or_given(value: Any) -> str:
    return "given" if isinstance(value, Mapping | GivenForm) else "plain"


def _bounded(low: float, high: float) -> Any:
    plain = Annotated[float, Field(ge=low, le=high)]
    return Annotated[
        Annotated[plain, Tag("plain")] | Annotated[GivenForm, Tag("given")], Discriminator(_plain_or_given)
    ]


Number: Any = _bounded(-1e9, 1e9)
Seconds: Any = _bounded(0, 1e7)
Times: Any = _bounded(1, 1e9)
Level: Any = _bounded(0.001, 1)
CircuitName = Annotated[
    Annotated[Name, Tag("plain")] | Annotated[GivenForm, Tag("given")], Discriminator(_plain_or_given)
]
LoopValue = Annotated[
    Annotated[Annotated[float, Field(ge=-1e9, le=1e9)], Tag("number")] | Annotated[Name, Tag("name")],
    Discriminator(lambda value: "name" if isinstance(value, str) else "number"),
]


# --- conditions ---


class ComparedForm(MadeForm):
    """A kept value, or a quantity read now, above or below bounds."""

    made: ClassVar[type] = model.Compared
    value: Label | None = Field(
        None, description="Name of a value measured before; without its circuit where 'circuit' says that."
    )
    quantity: model.Quantity | None = Field(None, description="A quantity to read now, instead.")
    circuit: CircuitName | None = None
    above: Number | None = None
    below: Number | None = None

    @model_validator(mode="after")
    def _one_and_a_bound(self) -> Self:
        if (self.value is None) == (self.quantity is None):
            raise ValueError("a condition looks at one thing: 'value: NAME' or 'quantity: NAME'")
        if self.above is None and self.below is None:
            raise ValueError("a condition needs 'above', 'below' or both")
        if self.quantity in ("settled_a", "probe_ohm", "pulse_ohm"):
            raise ValueError(f"'{self.quantity}' takes a step of its own: measure it, then look at its value")
        if self.quantity is not None:
            _check_circuit(self.quantity, self.circuit)
        return self


def _check_circuit(quantity: str, circuit: object) -> None:
    if quantity in model.OF_CIRCUIT and circuit is None:
        raise ValueError(f"'{quantity}' is measured on a circuit: add 'circuit: NAME'")
    if quantity not in model.OF_CIRCUIT and circuit is not None:
        raise ValueError(f"'circuit' says nothing here: {quantity} is not one circuit's")


class JudgedForm(MadeForm):
    """The verdict of a kept value, or of ``run``: everything so far."""

    made: ClassVar[type] = model.Judged
    verdict_of: Label = Field(description="Name of a value, or 'run'.")
    verdict: model.Ending


class AnsweredForm(MadeForm):
    """An answer of the operator."""

    made: ClassVar[type] = model.Answered
    answer: Name
    equals: Answer


class EveryForm(MadeForm):
    """All of these hold."""

    made: ClassVar[type] = model.Every
    every: "list[ConditionForm]" = Field(min_length=1, max_length=20)


class EitherForm(MadeForm):
    """At least one of these holds."""

    made: ClassVar[type] = model.Either
    either: "list[ConditionForm]" = Field(min_length=1, max_length=20)


class UnlessForm(MadeForm):
    """This does not hold."""

    made: ClassVar[type] = model.Unless
    unless: "ConditionForm"


_TELLING = ("verdict_of", "answer", "every", "either", "unless")


def _kind_of_condition(value: Any) -> str:
    keys = value if isinstance(value, Mapping) else type(value).model_fields if isinstance(value, Form) else {}
    return next((f"of-{key}" for key in _TELLING if key in keys), "of-value")


ConditionForm = Annotated[
    Annotated[ComparedForm, Tag("of-value")]
    | Annotated[JudgedForm, Tag("of-verdict_of")]
    | Annotated[AnsweredForm, Tag("of-answer")]
    | Annotated[EveryForm, Tag("of-every")]
    | Annotated[EitherForm, Tag("of-either")]
    | Annotated[UnlessForm, Tag("of-unless")],
    Discriminator(_kind_of_condition),
]


# --- steps ---


class DriveForm(MadeForm):
    """Soft-start circuits and keep them on."""

    made: ClassVar[type] = model.Drive
    do: Literal["drive"]
    circuits: list[CircuitName] = Field(min_length=1, max_length=128)
    level: Level = Field(1.0, description="Share of full power.")


class OffForm(MadeForm):
    """Turn circuits off, all when none is named."""

    made: ClassVar[type] = model.Off
    do: Literal["off"]
    circuits: list[CircuitName] = Field(default_factory=list, max_length=128)


class ReturnsForm(MadeForm):
    """Close these returns and open the others."""

    made: ClassVar[type] = model.Returns
    do: Literal["returns"]
    closed: ReturnName


class WaitForm(MadeForm):
    """Let board time pass, or wait until a condition holds."""

    made: ClassVar[type] = model.Wait
    do: Literal["wait"]
    seconds: Seconds | None = None
    until: ConditionForm | None = None
    at_most_s: Seconds | None = Field(None, description="How long to wait for 'until'.")
    name: Label | None = Field(None, description="Keeps how long it took, with a verdict.")
    otherwise: model.Outside = Field("fail", description="The verdict when 'until' did not come true in time.")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.seconds is None) == (self.until is None):
            raise ValueError("a wait is for 'seconds' or 'until' something")
        if (self.until is None) != (self.at_most_s is None):
            raise ValueError("'until' and 'at_most_s' go together: nothing is waited for without end")
        return self


class MeasureForm(MadeForm):
    """Measure a quantity, judge it and keep it under a name."""

    made: ClassVar[type] = model.Measure
    do: Literal["measure"]
    quantity: model.Quantity
    circuit: CircuitName | None = None
    name: Label | None = Field(None, description="Under which it is kept; 'CIRCUIT QUANTITY' when absent.")
    low: Number | None = None
    high: Number | None = None
    limit: Name | None = Field(None, description="A limit of the profile, or 'drawing': what the loads should take.")
    outside: model.Outside = "fail"
    over_s: Seconds = Field(0.0, description="Mean over this time.")

    @model_validator(mode="after")
    def _circuit_and_limits(self) -> Self:
        _check_circuit(self.quantity, self.circuit)
        if self.limit is not None and (self.low is not None or self.high is not None):
            raise ValueError("give 'limit', or 'low' and 'high', not both")
        if self.limit == model.DRAWING and self.quantity not in ("current_a", "settled_a"):
            raise ValueError("'limit: drawing' judges current_a and settled_a only")
        return self


class RecordForm(MadeForm):
    """Record a circuit's switch-on while inner steps switch it on."""

    made: ClassVar[type] = model.Record
    do: Literal["record"]
    circuit: CircuitName
    name: Label
    rate_hz: Hertz = 1000
    samples: Annotated[int, Field(ge=2, le=4096)] = 200
    steps: "Steps"


class AskForm(MadeForm):
    """Ask the operator."""

    made: ClassVar[type] = model.Ask
    do: Literal["ask"]
    key: Name
    text: Title
    must: bool = Field(True, description="Without a plain yes the sequence ends there, not tested.")
    safety: bool = Field(True, description="Never answered by --yes.")


class TellForm(MadeForm):
    """Tell the operator."""

    made: ClassVar[type] = model.Tell
    do: Literal["tell"]
    text: Title


class RepeatForm(MadeForm):
    """Do steps again and again."""

    made: ClassVar[type] = model.Repeat
    do: Literal["repeat"]
    times: Times = Field(description="At most, where there is an 'until'.")
    until: ConditionForm | None = Field(None, description="Looked at after each pass.")
    every_s: Seconds | None = Field(None, description="From the beginning of one pass to that of the next.")
    steps: "Steps"


class ForEachForm(MadeForm):
    """Do steps once with each value of a parameter of the loop."""

    made: ClassVar[type] = model.ForEach
    do: Literal["for-each"]
    name: Name
    values: list[LoopValue] = Field(min_length=1, max_length=1000, description="Numbers, or names of circuits.")
    steps: "Steps"


class WhenForm(MadeForm):
    """Do one thing or the other."""

    made: ClassVar[type] = model.When
    do: Literal["when"]
    condition: ConditionForm
    then: "Steps"
    otherwise: "Steps" = Field(default_factory=list)


class SectionForm(MadeForm):
    """A part that stands in the record as a step of its own."""

    made: ClassVar[type] = model.Section
    do: Literal["section"]
    name: Name
    title: Title
    steps: "Steps"


class EndureForm(MadeForm):
    """Cycles by the thousand, with drift and failure times, resumable."""

    made: ClassVar[type] = model.Endure
    do: Literal["endure"]
    cycles: Times
    every_s: Seconds | None = Field(None, description="From the beginning of one cycle to that of the next.")
    block: Annotated[int, Field(ge=1, le=10**9)] | None = Field(
        None, description="Cycles in one step of the record; when absent a fiftieth of all, at least twenty."
    )
    failed_after: Annotated[int, Field(ge=1, le=1000)] = Field(
        3, description="A circuit whose values failed in so many cycles in a row has failed."
    )
    give_up_after: Annotated[int, Field(ge=1, le=1000)] | None = Field(
        None, description="So many failed circuits end it; when all have failed, if absent."
    )
    steps: "Steps"


class InspectForm(MadeForm):
    """Steps of the usual inspection."""

    made: ClassVar[type] = model.Inspect
    do: Literal["inspect"]
    names: list[Name] = Field(min_length=1, max_length=30)


class StopForm(MadeForm):
    """End the sequence here with a verdict."""

    made: ClassVar[type] = model.Stop
    do: Literal["stop"]
    verdict: model.Ending
    reason: Title


StepForm = Annotated[
    DriveForm | OffForm | ReturnsForm | WaitForm | MeasureForm | RecordForm | AskForm | TellForm | RepeatForm
    | ForEachForm | WhenForm | SectionForm | EndureForm | InspectForm | StopForm,
    Discriminator("do"),
]  # fmt: skip
Steps = Annotated[list[StepForm], Field(max_length=500)]


class ParameterForm(MadeForm):
    """A number that whoever runs the sequence may choose."""

    made: ClassVar[type] = model.Parameter
    value: Annotated[float, Field(ge=-1e9, le=1e9)]
    low: Annotated[float, Field(ge=-1e9, le=1e9)] | None = None
    high: Annotated[float, Field(ge=-1e9, le=1e9)] | None = None
    unit: Annotated[str, Field(min_length=1, max_length=20)] = "1"
    title: Text = ""

    @model_validator(mode="after")
    def _within(self) -> Self:
        low = self.low if self.low is not None else self.value
        high = self.high if self.high is not None else self.value
        if not low <= self.value <= high:
            raise ValueError(f"the usual value {self.value:g} is not within 'low' and 'high'")
        return self


class SequenceForm(Form):
    """A scripted sequence."""

    title: Title
    notes: Text = ""
    profile: Reference
    parameters: dict[Name, ParameterForm] = Field(default_factory=dict, max_length=100)
    steps: Steps = Field(min_length=1)


for _form in (EveryForm, EitherForm, UnlessForm, RecordForm, RepeatForm, ForEachForm, WhenForm, SectionForm, EndureForm,
              SequenceForm):  # fmt: skip
    _form.model_rebuild()
