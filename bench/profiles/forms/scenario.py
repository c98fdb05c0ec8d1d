"""Scenario files (what the simulator plays) and answers files (what an operator would say)."""

from math import isfinite
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, RootModel, WithJsonSchema, model_validator

from bench.profiles.forms.air import AirScenarioForm
from bench.profiles.forms.cable import CableScenarioForm
from bench.profiles.forms.common import Form, Name, Text, Title
from bench.profiles.forms.harness import Reference
from bench.profiles.model import InjectedKind, SenseErrors

_USUAL = SenseErrors()
LONGEST_ANSWER = 200

Seconds = Annotated[float, Field(ge=0, le=1e7)]
Gain = Annotated[float, Field(ge=-0.5, le=0.5)]
Noise = Annotated[float, Field(ge=0, le=5)]
Place = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._=+:-]*$", max_length=64)]


def _yes_or_no(value: Any) -> Any:
    """YAML 1.2 reads ``yes`` as text; people mean it."""
    return {"yes": True, "no": False}.get(value.lower(), value) if isinstance(value, str) else value


def _plain(value: Any) -> bool | float | str:
    if isinstance(value, str) and len(value) > LONGEST_ANSWER:
        raise ValueError(f"an answer is at most {LONGEST_ANSWER} characters long")
    if isinstance(value, bool | str):
        return value
    if isinstance(value, int | float) and isfinite(value):
        return float(value)
    raise ValueError("an answer is yes, no, a number or a text")


Answer = Annotated[
    Any,
    BeforeValidator(_plain),
    BeforeValidator(_yes_or_no),
    WithJsonSchema({"type": ["boolean", "number", "string"], "maxLength": LONGEST_ANSWER}),
]


class AnswersForm(RootModel[dict[Name, Answer]]):
    """Answers by the name of their question: yes, no, a number or a text."""


class FaultForm(Form):
    """One fault, in the profile's own names; the plant's usual size where none is given."""

    kind: InjectedKind
    place: Place = Field(description="A segment, joint, load, pin.N or (for metal that should not be there) a node.")
    other: Name | None = Field(None, description="The second place of a cross-connection or back-feed.")
    position: Annotated[float, Field(ge=0, le=1)] | None = Field(
        None, description="Along a segment: 0 at its 'from' end, 1 at its 'to' end."
    )
    ohm: Annotated[float, Field(ge=0, le=1e9)] | None = None
    volts: Annotated[float, Field(ge=0, le=60)] | None = None
    factor: Annotated[float, Field(gt=0, le=100)] | None = Field(None, description="Current of a wrong load.")
    code: Annotated[str, Field(pattern=r"^[1-9]([-]?[1-9]){0,7}$")] | None = Field(None, description="'2-3'")
    of: InjectedKind | None = Field(None, description="What an intermittent is while it is there; open when absent.")
    at_s: Seconds = Field(0.0, description="Simulated time at which it begins.")
    until_s: Seconds | None = None
    chatter_hz: Annotated[float, Field(gt=0, le=500)] | None = Field(None, description="Mean rate of coming and going.")


class SupplyForm(Form):
    """The simulated supply."""

    volts: Annotated[float, Field(gt=0, le=60)] | None = Field(None, description="12.8 or 25.6 when absent.")
    resistance_ohm: Annotated[float, Field(ge=0, le=10)] = 0.02


class SenseForm(Form):
    """True errors of the simulated board's sensors; drawn from the seed where absent."""

    current_gain: Gain | None = None
    current_offset_a: Gain | None = None
    current_noise_a: Noise = _USUAL.current_noise_a
    voltage_gain: Gain | None = None
    voltage_offset_v: Gain | None = None
    voltage_noise_v: Noise = _USUAL.voltage_noise_v
    voltage_step_v: Annotated[float, Field(gt=0, le=1)] = _USUAL.voltage_step_v
    current_step_a: Annotated[float, Field(gt=0, le=1)] = _USUAL.current_step_a


class ScenarioForm(Form):
    """A simulated harness on a simulated board."""

    title: Title | None = None
    notes: Text = ""
    profile: Reference | None = Field(None, description="The harness; or say 'cable'.")
    cable: CableScenarioForm | None = Field(None, description="A loose cable instead of a harness.")
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    ambient_c: Annotated[float, Field(ge=-40, le=60)] = 20.0
    supply: SupplyForm = SupplyForm()
    spread: Annotated[float, Field(ge=0, le=3)] = Field(
        1.0, description="How much of the profile's tolerances the drawn harness uses; 0: exactly as drawn."
    )
    clamp_milliohm: Annotated[float, Field(ge=0, le=1e5)] = Field(5.0, description="The board's chassis clamp.")
    sense: SenseForm = SenseForm()
    faults: list[FaultForm] = Field(default_factory=list, max_length=50)
    air: AirScenarioForm | None = Field(
        None, description="The simulated air system; none when absent, {} is a sound one."
    )
    operator: AnswersForm = Field(default_factory=lambda: AnswersForm({}), description="Answers to questions.")

    @model_validator(mode="after")
    def _plugged_in(self) -> Self:
        if self.profile is None and self.cable is None:
            raise ValueError("'profile' is missing, or 'cable' for a loose cable")
        if self.profile is not None and self.cable is not None:
            raise ValueError("say 'profile' or 'cable', not both")
        if self.cable is not None and (self.faults or self.air is not None):
            raise ValueError("a cable has its faults in 'cable', and no air")
        return self
