"""What pages may send, checked where it comes in."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from bench.page.visit import Station

Short = Annotated[str, StringConstraints(strip_whitespace=True, max_length=80)]
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]
Reason = Annotated[str, StringConstraints(strip_whitespace=True, min_length=2, max_length=200)]


class Form(BaseModel):
    """Nothing but what is named here."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Pair(Form):
    """The code at the bench, and what the device is to be called."""

    code: Annotated[str, StringConstraints(strip_whitespace=True, max_length=12)]
    name: Short = ""


class Control(Form):
    """What becomes of the control of a bay; ``to`` is a device, for ``give``."""

    do: Literal["take", "give", "keep", "free"]
    to: Short = ""


class CheckIn(Form):
    """A trailer that comes in."""

    profile: Name
    unit_number: Short = ""
    vin: Short = ""
    operator: Short = ""


class Inspect(Form):
    """Test: these steps, all of a part when None."""

    kind: Literal["inspect"]
    part: Literal["circuits", "air"] = "circuits"
    only: list[Name] | None = Field(None, max_length=40)


class Walk(Form):
    """Light each circuit in turn."""

    kind: Literal["walk"]
    seconds: float = Field(10.0, ge=1, le=600)
    rounds: int = Field(1, ge=0, le=1000)
    only: list[Name] | None = Field(None, max_length=40)


class Power(Form):
    """Keep circuits lit, turn signals flashing if wanted."""

    kind: Literal["power"]
    only: list[Name] = Field(min_length=1, max_length=40)
    flash_per_min: float | None = Field(None, ge=60, le=120)
    seconds: float | None = Field(None, ge=1, le=3600)


class Wiggle(Form):
    """Watch circuits while somebody moves the wire."""

    kind: Literal["wiggle"]
    only: list[Name] | None = Field(None, max_length=40)
    seconds: float | None = Field(None, ge=1, le=3600)
    lit: bool = False


class Brakes(Form):
    """Hold the brakes by hand."""

    kind: Literal["brakes"]


class Retest(Form):
    """Only what failed in an inspection of this visit; the newest one when ``record`` is empty."""

    kind: Literal["retest"]
    record: Short = ""


class Start(Form):
    """A run to make."""

    run: Annotated[Inspect | Walk | Power | Wiggle | Brakes | Retest, Field(discriminator="kind")]


class Answered(Form):
    """An answer to the question with this number; None for none."""

    number: int
    answer: bool | float | Annotated[str, StringConstraints(max_length=80)] | None


class Left(Form):
    """A station that was done, or skipped with a reason."""

    how: Literal["done", "skipped", "open"]
    reason: Annotated[str, StringConstraints(strip_whitespace=True, max_length=200)] = ""


class SkipStep(Form):
    """Leave out the step that is being done."""

    reason: Reason


class Line(Form):
    """A place while the wire is moved; empty ends what lasts until somebody ends it."""

    text: Annotated[str, StringConstraints(max_length=80)] = ""


class Note(Form):
    """A remark on a finding, a station or the visit."""

    about: Short = ""
    text: Text


class Sign(Form):
    """Who stands by the visit."""

    name: Name


__all__ = [
    "Answered", "CheckIn", "Control", "Inspect", "Left", "Line", "Note", "Pair", "Power", "Retest", "Sign", "SkipStep",
    "Start", "Station", "Walk", "Wiggle",
]  # fmt: skip
