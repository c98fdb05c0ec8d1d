"""What all forms share: strictness, names, marks."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9._=+-]*$"
PIN_PATTERN = r"^[1-9][0-9]{0,2}$"


class Form(BaseModel):
    """A group of keys: unknown keys, texts for numbers, NaN and infinity are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN, max_length=64)]
PinKey = Annotated[str, StringConstraints(pattern=PIN_PATTERN)]
Title = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Text = Annotated[str, StringConstraints(max_length=4000)]

PinNumber = Annotated[int, Field(ge=1, le=999)]
Gauge = Annotated[int, Field(ge=0, le=30, description="American wire gauge (ASTM B258).")]
AreaMm2 = Annotated[float, Field(gt=0, le=120, description="Copper cross-section in mm².")]
NominalV = Literal[12, 24]

Mark = Literal["verified", "second-hand", "calculated", "memory", "common-practice"]
"""How well a source was checked: read; read in another text; computed; recalled; the trade's custom, no source."""
