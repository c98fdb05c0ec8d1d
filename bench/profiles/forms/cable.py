"""The ``cable`` part of a scenario: a loose cable in the board's sockets, instead of a harness."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from bench.profiles.cable_model import CableFaultKind
from bench.profiles.forms.common import Form
from bench.profiles.forms.limits import Reference

PinNumber = Annotated[int, Field(ge=1, le=256)]
Seconds = Annotated[float, Field(ge=0, le=1e7)]
PAIRS = ("crossed", "bridged", "leak")


class CableFaultForm(Form):
    """One fault of the cable; the plant's usual size where none is given."""

    kind: CableFaultKind
    pin: PinNumber
    other: PinNumber | None = Field(None, description="Second pin of a crossed or bridged pair, or of a leak.")
    ohm: Annotated[float, Field(ge=0, le=1e9)] | None = None
    at_s: Seconds = 0.0
    until_s: Seconds | None = None
    chatter_hz: Annotated[float, Field(gt=0, le=500)] | None = None

    @model_validator(mode="after")
    def _pair(self) -> Self:
        if (self.kind in PAIRS) != (self.other is not None):
            raise ValueError(f"'other' belongs to {', '.join(PAIRS)}, and to nothing else")
        return self


class CableScenarioForm(Form):
    """A loose cable of a connector."""

    connector: Reference
    length_m: Annotated[float, Field(gt=0, le=100)] = 4.6
    far_socket: bool = Field(True, description="The board has a second socket, and the far end is in it.")
    faults: list[CableFaultForm] = Field(default_factory=list, max_length=50)
