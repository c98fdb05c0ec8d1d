"""Sequence files: read, filled into forms, checked against their profile, made into dataclasses."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.errors import InputError
from bench.profiles import sequence_model as model
from bench.profiles.forms import sequence as forms
from bench.profiles.forms.common import Form
from bench.profiles.library import find, names, near
from bench.profiles.loading import load_profile
from bench.profiles.model import Profile
from bench.profiles.problems import Problem, fill, referred, refuse
from bench.profiles.source import Document, Loc, read_document

_TOP_ONLY = (forms.SectionForm, forms.EndureForm, forms.InspectForm)
_BOUNDS: Mapping[str, tuple[float, float]] = {
    "times": (1, 1e9),
    "cycles": (1, 1e9),
    "seconds": (0, 1e7),
    "at_most_s": (0, 1e7),
    "every_s": (0, 1e7),
    "over_s": (0, 1e7),
    "level": (0.001, 1),
}
RUN = "run"  # what ``verdict_of`` calls everything so far


def sequence_names() -> list[str]:
    """Names of the sequences that come with the program."""
    return names("sequence")


def load_sequence(name_or_path: str | Path, given: Mapping[str, float] | None = None) -> model.Sequence:
    """A sequence by path or name.

    Args:
        name_or_path: of the file.
        given: values for its parameters; the file's own for the rest.

    Raises:
        InputError: no such sequence, it or its profile is wrong (``file:line: ...``), or a parameter is.
    """
    return sequence_of(read_document(find("sequence", name_or_path)), given or {})


def sequence_of(document: Document, given: Mapping[str, float] | None = None) -> model.Sequence:
    """The sequence that ``document`` is."""
    form = fill(forms.SequenceForm, document)
    profile = load_profile(referred(document, ("profile",), "harness", form.profile))
    chosen = _chosen(document, form, given or {})
    refuse(document, list(_Check(form, profile, chosen).problems()))
    return model.Sequence(
        name=document.path.stem,
        title=form.title,
        profile=profile,
        parameters={name: _made(parameter) for name, parameter in form.parameters.items()},
        given=chosen,
        steps=_made(form.steps),
        document=document.data,
    )


def _made(value: Any) -> Any:
    """Forms as the dataclasses that they become."""
    if isinstance(value, forms.MadeForm):
        fields = [name for name in type(value).model_fields if name != "do"]
        return value.made(**{name: _made(getattr(value, name)) for name in fields})
    return tuple(map(_made, value)) if isinstance(value, list) else value


def _chosen(document: Document, form: forms.SequenceForm, given: Mapping[str, float]) -> dict[str, float]:
    for name, value in given.items():
        if name not in form.parameters:
            raise InputError(f"{document.label}: there is no parameter '{name}'{near(name, form.parameters)}")
        parameter = form.parameters[name]
        low, high = parameter.low, parameter.high
        if (low is not None and value < low) or (high is not None and value > high):
            bounds = " and ".join(
                f"{word} {bound:g}" for word, bound in (("at least", low), ("at most", high)) if bound is not None
            )
            where = document.where(("parameters", name))
            raise InputError(f"{where}: parameter '{name}' must be {bounds}, not {value:g}")
    return {name: given.get(name, parameter.value) for name, parameter in form.parameters.items()}


# --- cross checks ---


@dataclass(frozen=True)
class _Place:
    """A step in the file: where it stands, and what the loops around it give."""

    step: Any
    at: Loc
    loops: Mapping[str, Collection[float | str]] = field(default_factory=dict)

    @property
    def top(self) -> bool:
        return len(self.at) == 2


def _places(steps: list[Any], at: Loc, loops: Mapping[str, Collection[float | str]]) -> Iterator[_Place]:
    for i, step in enumerate(steps):
        here = (*at, i)
        yield _Place(step, here, loops)
        inside = {**loops, step.name: step.values} if isinstance(step, forms.ForEachForm) else loops
        for key in ("steps", "then", "otherwise"):
            inner = getattr(step, key, None)
            if isinstance(inner, list):
                yield from _places(inner, (*here, key), inside)


class _Check:
    """What no form alone can see: names that must exist, places where a step can't stand."""

    def __init__(self, form: forms.SequenceForm, profile: Profile, chosen: Mapping[str, float]) -> None:
        self._chosen = chosen
        self._places = list(_places(form.steps, ("steps",), {}))
        self._circuits = {circuit.name for circuit in profile.circuits}
        self._limits = {model.DRAWING, *profile.limits}
        self._asked = {place.step.key for place in self._places if isinstance(place.step, forms.AskForm)}
        self._kept = {name for place in self._places for name in self._names(place)}

    def problems(self) -> Iterator[Problem]:
        """Everything that is wrong."""
        for place in self._places:
            yield from self._place(place)
            yield from self._inside(place.step, place.at, place.loops)
        endure = [place for place in self._places if isinstance(place.step, forms.EndureForm)]
        for place in endure[1:]:
            yield Problem(place.at, "a sequence has one 'endure'; make this a sequence of its own")

    def _names(self, place: _Place) -> Iterator[str]:
        """Names under which a step keeps values."""
        step = place.step
        if isinstance(step, forms.WaitForm) and step.name is not None:
            yield step.name
        if isinstance(step, forms.MeasureForm):
            if isinstance(step.circuit, forms.GivenForm):
                for each in place.loops.get(step.circuit.parameter, ()):
                    yield f"{each} {step.name or step.quantity}"
            else:
                yield step.name or (f"{step.circuit} {step.quantity}" if step.circuit else step.quantity)

    def _place(self, place: _Place) -> Iterator[Problem]:
        step = place.step
        if isinstance(step, _TOP_ONLY) and not place.top:
            yield Problem(place.at, f"'{step.do}' can't stand inside another step; put it at the top of 'steps'")
        if isinstance(step, forms.ForEachForm) and (step.name in self._chosen or step.name in place.loops):
            yield Problem((*place.at, "name"), f"'{step.name}' is a parameter already; choose another name")
        limit = getattr(step, "limit", None)
        if limit is not None and limit not in self._limits:
            yield Problem((*place.at, "limit"), f"the profile has no limit '{limit}'{near(limit, self._limits)}")

    def _inside(self, form: Form, at: Loc, loops: Mapping[str, Collection[float | str]]) -> Iterator[Problem]:
        """References of a step or a condition, without those of steps within it."""
        for key in type(form).model_fields:
            value, here = getattr(form, key), (*at, key)
            if key == "circuit" and value is not None:
                yield from self._circuit(value, here, loops)
            elif key == "circuits":
                for i, each in enumerate(value):
                    yield from self._circuit(each, (*here, i), loops)
            elif isinstance(value, forms.GivenForm):
                yield from self._number(value, key, here, loops)
            elif key in ("until", "condition", "unless", "every", "either") and value is not None:
                several = [((*here, i), each) for i, each in enumerate(value)] if isinstance(value, list) else []
                for where, each in several or [(here, value)]:
                    yield from self._inside(each, where, loops)
        yield from self._condition(form, at, loops)

    def _condition(self, form: Form, at: Loc, loops: Mapping[str, Collection[float | str]]) -> Iterator[Problem]:
        if isinstance(form, forms.ComparedForm) and form.value is not None:
            for name in self._full_names(form, loops):
                if name not in self._kept:
                    yield Problem((*at, "value"), f"no step keeps a value '{name}'{near(name, self._kept)}")
        if isinstance(form, forms.JudgedForm) and form.verdict_of not in self._kept | {RUN}:
            known = self._kept | {RUN}
            yield Problem(
                (*at, "verdict_of"), f"no step keeps a value '{form.verdict_of}'{near(form.verdict_of, known)}"
            )
        if isinstance(form, forms.AnsweredForm) and form.answer not in self._asked:
            yield Problem((*at, "answer"), f"no step asks '{form.answer}'{near(form.answer, self._asked)}")

    @staticmethod
    def _full_names(form: forms.ComparedForm, loops: Mapping[str, Collection[float | str]]) -> list[str]:
        if form.circuit is None:
            return [str(form.value)]
        if isinstance(form.circuit, forms.GivenForm):
            return [f"{circuit} {form.value}" for circuit in loops.get(form.circuit.parameter, ())]
        return [f"{form.circuit} {form.value}"]

    def _circuit(
        self, value: str | forms.GivenForm, at: Loc, loops: Mapping[str, Collection[float | str]]
    ) -> Iterator[Problem]:
        if isinstance(value, forms.GivenForm):
            if value.parameter not in loops:
                yield Problem(
                    at, f"no for-each loop around this gives '{value.parameter}'{near(value.parameter, loops)}"
                )
            choices = loops.get(value.parameter, ())
        else:
            choices = [value]
        for name in choices:
            if name not in self._circuits:
                yield Problem(at, f"the profile has no circuit '{name}'{near(str(name), self._circuits)}")

    def _number(
        self, value: forms.GivenForm, key: str, at: Loc, loops: Mapping[str, Collection[float | str]]
    ) -> Iterator[Problem]:
        name, known = value.parameter, {**{each: [n] for each, n in self._chosen.items()}, **loops}
        if name not in known:
            yield Problem(at, f"there is no parameter '{name}'{near(name, known)}")
        low, high = _BOUNDS.get(key, (-1e9, 1e9))
        for number in known.get(name, ()):
            if isinstance(number, str):
                yield Problem(at, f"'{key}' must be a number; parameter '{name}' gives '{number}'")
            elif not low <= number <= high:
                yield Problem(at, f"'{key}' must be {low:g} to {high:g}; parameter '{name}' gives {number:g}")
