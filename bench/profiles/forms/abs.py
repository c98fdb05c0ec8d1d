"""The ``abs`` part of a profile: how codes are asked for, and what they mean, out of the maker's manual."""

from typing import Annotated

from pydantic import Field

from bench.profiles.abs_model import AbsCodes, Keying, KeyingWay
from bench.profiles.forms.common import Form

_USUAL, _CODES = Keying(), AbsCodes()
Seconds = Annotated[float, Field(ge=0.05, le=60)]
Code = Annotated[str, Field(pattern=r"^[1-9][0-9]?(-[1-9][0-9]?){0,3}$")]
Meaning = Annotated[str, Field(min_length=1, max_length=200)]


class KeyingForm(Form):
    """How the unit is asked for its codes."""

    way: KeyingWay = _USUAL.way
    count: Annotated[int, Field(ge=1, le=20)] = _USUAL.count
    on_s: Seconds = _USUAL.on_s
    off_s: Seconds = _USUAL.off_s
    wait_s: Annotated[float, Field(ge=0, le=60)] = _USUAL.wait_s


class AbsForm(Form):
    """Blink codes of the ABS unit."""

    keying: KeyingForm = KeyingForm()
    digits: Annotated[int, Field(ge=1, le=4)] = _CODES.digits
    watch_s: Annotated[float, Field(ge=5, le=40)] = _CODES.watch_s
    meanings: dict[Code, Meaning] = Field(default_factory=dict, max_length=200, description="Code, as '2-3': meaning.")

    def codes(self) -> AbsCodes:
        """The frozen form."""
        return AbsCodes(Keying(**self.keying.model_dump()), self.digits, self.watch_s, dict(self.meanings))
