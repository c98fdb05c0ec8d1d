"""Connector files: pins, functions, colours, sizes, and where the table comes from."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from bench.profiles.forms.common import AreaMm2, Form, Gauge, Mark, NominalV, PinKey, Text, Title

Coordinate = Annotated[float, Field(ge=-1, le=1)]


class PinForm(Form):
    """One contact."""

    function: Title
    ground: bool = Field(False, description="True for an earth pin: the board's pin return joins these.")
    colour: Annotated[str, Field(max_length=40)] = Field("", description="Core colour, as in the standard.")
    awg: Gauge | None = None
    mm2: AreaMm2 | None = None
    at: list[Coordinate] = Field(
        min_length=2,
        max_length=2,
        description="[x, y] on the face, -1..1, y up; the trailer's socket seen from the front.",
    )
    mark: Mark | None = Field(None, description="When this pin is better or worse known than the whole table.")

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if self.awg is not None and self.mm2 is not None:
            raise ValueError("give 'awg' or 'mm2', not both")
        return self


class ConnectorForm(Form):
    """A connector of a standard."""

    name: Title | None = Field(None, description="Only where a connector stands inside another file.")
    title: Title
    standard: Title
    nominal_v: NominalV
    source: Text = Field(description="Where the pin table was read.")
    mark: Mark
    pins: dict[PinKey, PinForm] = Field(min_length=1, max_length=256)
