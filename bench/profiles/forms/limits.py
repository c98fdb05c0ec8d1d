"""Limits files: the numbers that verdicts rest on, each with its source and mark."""

from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import Discriminator, Field, Tag, model_validator

from bench.profiles.forms.common import Form, Mark, Name, Text, Title

Bound = Annotated[float, Field(ge=-1e9, le=1e9)]


class LimitForm(Form):
    """One limit: at least one of ``low`` and ``high``; the limit itself passes."""

    low: Bound | None = None
    high: Bound | None = None
    unit: Title = Field(description="ohm, V, A, s, psi/min ...; '1' for a share.")
    source: Text
    mark: Mark

    @model_validator(mode="after")
    def _a_bound(self) -> Self:
        if self.low is None and self.high is None:
            raise ValueError("a limit needs 'low', 'high' or both")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"'low' ({self.low}) is above 'high' ({self.high})")
        return self


class LimitsForm(Form):
    """A limits file."""

    title: Title
    limits: dict[Name, LimitForm] = Field(min_length=1, max_length=200)


class LimitsUseForm(Form):
    """Limits of a profile: a file's, with some of them replaced or added."""

    use: str | None = Field(None, max_length=300, description="Name or path of a limits file.")
    override: dict[Name, LimitForm] = Field(default_factory=dict, max_length=200)


def name_or_inline(value: Any) -> str | None:
    """Tells pydantic whether a name or the thing itself was given."""
    if isinstance(value, str):
        return "name"
    return "inline" if isinstance(value, Mapping | Form) else None


Reference = Annotated[str, Field(min_length=1, max_length=300)]
LimitsChoice = Annotated[
    Annotated[Reference, Tag("name")] | Annotated[LimitsUseForm, Tag("inline")], Discriminator(name_or_inline)
]
