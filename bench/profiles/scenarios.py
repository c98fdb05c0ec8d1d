"""Scenario and answers files."""

from dataclasses import replace
from pathlib import Path

from bench.profiles import air, faults
from bench.profiles.cable import cable_profile
from bench.profiles.cable_model import Cable, CableFault
from bench.profiles.forms.cable import CableScenarioForm
from bench.profiles.forms.scenario import AnswersForm, FaultForm, ScenarioForm
from bench.profiles.library import find, names
from bench.profiles.loading import load_profile
from bench.profiles.model import InjectedFault, Profile, Scenario, SenseErrors
from bench.profiles.problems import Problem, fill, referred, refuse
from bench.profiles.source import Document, read_document

CHARGED_V = {12: 12.8, 24: 25.6}


def scenario_names() -> list[str]:
    """Names of the simulator's scenarios that come with the program."""
    return names("scenario")


def load_scenario(name_or_path: str | Path) -> Scenario:
    """What the simulator is to play, by path or name.

    Raises:
        InputError: no such scenario, its file or its profile is wrong, or a fault names a place
            that the profile lacks.
    """
    return scenario_of(read_document(find("scenario", name_or_path)))


def scenario_of(document: Document) -> Scenario:
    """The scenario that ``document`` is."""
    form = fill(ScenarioForm, document)
    profile = _profile(form, document)
    refuse(document, [*faults.check(form.faults, profile), *_air_problems(form, profile)])
    volts = form.supply.volts
    return Scenario(
        profile=profile,
        seed=form.seed,
        ambient_c=form.ambient_c,
        supply_v=volts if volts is not None else CHARGED_V[profile.nominal_v],
        supply_ohm=form.supply.resistance_ohm,
        spread=form.spread,
        clamp_ohm=form.clamp_milliohm / 1000,
        sense=replace(SenseErrors(), **form.sense.model_dump()),
        faults=tuple(_fault(each) for each in form.faults),
        air=None if form.air is None else air.scenario(form.air),
        cable=None if form.cable is None else _cable(form.cable),
        answers=dict(form.operator.root),
    )


def _profile(form: ScenarioForm, document: Document) -> Profile:
    if form.cable is None:
        return load_profile(referred(document, ("profile",), "harness", form.profile or ""))
    file = referred(document, ("cable", "connector"), "connector", form.cable.connector)
    profile = cable_profile(file)
    pins = {pin.number for pin in profile.connector.pins}
    refuse(
        document,
        [
            Problem(("cable", "faults", n), f"{profile.connector.name} has no pin {pin}")
            for n, fault in enumerate(form.cable.faults)
            for pin in (fault.pin, fault.other)
            if pin is not None and pin not in pins
        ],
    )
    return profile


def _cable(form: CableScenarioForm) -> Cable:
    faults = tuple(CableFault(**each.model_dump()) for each in form.faults)
    return Cable(form.length_m, faults, form.far_socket)


def _air_problems(form: ScenarioForm, profile: Profile) -> list[Problem]:
    return [] if form.air is None else list(air.scenario_problems(form.air, profile.air))


def _fault(form: FaultForm) -> InjectedFault:
    return InjectedFault(**form.model_dump(exclude_none=True))


def load_answers(path: str | Path) -> dict[str, str | float | bool]:
    """Answers to the operator's questions, by the name of the question.

    Raises:
        InputError: no such file, or it is not a list of names with plain answers.
    """
    document = read_document(Path(path))
    return dict(fill(AnswersForm, document).root) if document.data is not None else {}
