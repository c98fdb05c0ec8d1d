"""Measurements files: what a board read, as ``umbilical-measurements/1``. An absent key was not measured."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Discriminator, Field, Tag, WithJsonSchema, model_validator

from bench.profiles.forms.common import Form, Name, NominalV, PinKey
from bench.profiles.forms.harness import HarnessForm, Reference, name_or_inline
from bench.profiles.model import BoardErrors

_USUAL = BoardErrors()

Volts = Annotated[float, Field(ge=-100, le=100)]
Amperes = Annotated[float, Field(ge=-200, le=200)]
Error = Annotated[float, Field(ge=0, le=1)]
Gain = Annotated[float, Field(ge=0.5, le=2)]
Resistance = Annotated[float, Field(gt=0, le=1e9)]
Samples = Annotated[list[Volts], Field(min_length=1, max_length=100_000)]


def _pins(value: Any) -> Any:
    """One pin or several; a bare number is as good as its text."""
    several = value if isinstance(value, list) else [value]
    return [str(pin) if isinstance(pin, int) and not isinstance(pin, bool) else pin for pin in several]


Driven = Annotated[
    list[PinKey],
    BeforeValidator(_pins),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
]


class BoardForm(Form):
    """What the board says of itself; errors are one standard uncertainty each."""

    probe_ohm: Resistance = _USUAL.probe_ohm
    pulse_ohm: Resistance = _USUAL.pulse_ohm
    pull_down_ohm: Resistance = _USUAL.pull_down_ohm
    probe_ohm_error: Error = _USUAL.probe_ohm_error
    current_gain_error: Error = _USUAL.current_gain_error
    current_offset_a: Error = _USUAL.current_offset_a
    current_noise_a: Error = _USUAL.current_noise_a
    voltage_gain_error: Error = _USUAL.voltage_gain_error
    voltage_offset_v: Error = _USUAL.voltage_offset_v
    voltage_noise_v: Error = _USUAL.voltage_noise_v
    current_gain: Gain = _USUAL.current_gain


class ReadingForm(Form):
    """All pins at one instant while one is fed through the probe or pulse resistor."""

    returns: Literal["pin", "chassis", "both", "none"] = Field(alias="return")
    driven: Driven = Field(default_factory=list, max_length=40)
    pin_v: dict[PinKey, Volts] = Field(default_factory=dict)
    pin_a: dict[PinKey, Amperes] = Field(default_factory=dict)
    return_a: dict[Literal["pin", "chassis"], Amperes] = Field(default_factory=dict)
    chassis_sense_v: Volts | None = None
    sense_at: Name | None = Field(None, description="Node that the sense lead is on; the chassis when absent.")
    supply_v: Volts | None = None


class InrushForm(Form):
    """A recorded switch-on."""

    dt_s: Annotated[float, Field(gt=0, le=1)]
    a: Samples
    v: Samples

    @model_validator(mode="after")
    def _same_length(self) -> Self:
        if len(self.a) != len(self.v):
            raise ValueError(f"'a' has {len(self.a)} samples and 'v' has {len(self.v)}; they belong together")
        return self


class DriveForm(ReadingForm):
    """All pins while some are driven."""

    level: Annotated[float, Field(ge=0, le=1)] = 1.0
    limited: bool = False
    tripped: bool = False
    inrush: InrushForm | None = None


ProfileChoice = Annotated[
    Annotated[Reference, Tag("name")] | Annotated[HarnessForm, Tag("inline")], Discriminator(name_or_inline)
]


class MeasurementsForm(Form):
    """Everything the electrical inference may look at."""

    format: Literal["umbilical-measurements/1"]
    profile: ProfileChoice
    nominal_v: NominalV | None = None
    ambient_c: Annotated[float, Field(ge=-60, le=100)] = 20.0
    supply_v: Annotated[float, Field(ge=0, le=60)] | None = None
    board: BoardForm = BoardForm()
    probe: list[ReadingForm] = Field(default_factory=list, max_length=1000)
    pulse: list[ReadingForm] = Field(default_factory=list, max_length=1000)
    drive: list[DriveForm] = Field(default_factory=list, max_length=1000)
