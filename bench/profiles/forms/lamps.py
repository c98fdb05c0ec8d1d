"""What a load can be, and the lamp catalogue."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from bench.profiles.forms.common import Form, Mark, Name, Text, Title

Volts = Annotated[float, Field(gt=0, le=60)]
Amperes = Annotated[float, Field(gt=0, le=40)]
Ohms = Annotated[float, Field(gt=0, le=1e9)]


class FilamentForm(Form):
    """An incandescent lamp, from its rating."""

    rated_v: Volts
    rated_w: Annotated[float, Field(gt=0, le=250)]


class LedForm(Form):
    """A regulated LED lamp: nothing below the threshold, then a series resistance, then a constant current."""

    threshold_v: Volts
    series_ohm: Annotated[float, Field(ge=0, le=1e5)]
    current_a: Amperes
    slope_a_per_v: Annotated[float, Field(ge=0, le=1)] = 0.0
    capacitance_f: Annotated[float, Field(ge=0, le=0.1)] = 0.0
    leak_ohm: Ohms = 40_000.0


class ResistorForm(Form):
    """A plain resistance: a heater, a coil, a motor at rest, a test load."""

    resistance_ohm: Ohms = Field(alias="ohm")


class DiodeForm(Form):
    """Conducts from ``from`` to ``to`` only."""

    forward_v: Annotated[float, Field(gt=0, le=5)] = 0.7
    series_ohm: Annotated[float, Field(ge=0, le=1e5)] = 0.05


class ControlUnitForm(Form):
    """An electronic control unit: constant power above its lock-out voltage."""

    power_w: Annotated[float, Field(gt=0, le=500)]
    lockout_v: Volts
    leak_ohm: Ohms = 20_000.0
    capacitance_f: Annotated[float, Field(ge=0, le=0.1)] = 470e-6
    lamp_a: Annotated[float, Field(ge=0, le=5)] = Field(0.0, description="Warning lamp current that the unit feeds, A.")


class LampForm(Form):
    """A lamp type: exactly one of ``filament`` and ``led``."""

    title: Title
    filament: FilamentForm | None = None
    led: LedForm | None = None
    tolerance: Annotated[float, Field(gt=0, le=1)] | None = Field(
        None, description="Relative two-sigma tolerance of the current."
    )
    source: Text
    mark: Mark

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if (self.filament is None) == (self.led is None):
            raise ValueError("a lamp is either 'filament' or 'led': give one of them")
        return self


class LampsForm(Form):
    """A lamp catalogue."""

    lamps: dict[Name, LampForm] = Field(min_length=1, max_length=500)
