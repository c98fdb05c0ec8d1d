"""From the ``air`` sections of harness and scenario files to frozen dataclasses, and whether they fit."""

from collections.abc import Iterator, Mapping
from typing import get_args

from bench.contract.table import Valve
from bench.profiles.air_model import (
    M3_PER_IN3,
    PA_PER_PSI,
    AirFault,
    AirFaultKind,
    AirInput,
    AirQuantity,
    AirScenario,
    AirSystem,
    LeakPlace,
    WheelEnd,
)
from bench.profiles.chambers import CHAMBERS
from bench.profiles.forms.air import AirFaultForm, AirForm, AirInputForm, AirScenarioForm, WheelEndForm
from bench.profiles.library import near
from bench.profiles.problems import Problem
from bench.profiles.source import Loc
from bench.profiles.wire import METRES_PER_FOOT, METRES_PER_INCH

_PA_PER_KPA = 1000.0
_M3_PER_S_PA = 1e-8  # one L/(s bar)
_ZERO_C_MK = 273_150.0
_USUAL_RANGE: Mapping[AirQuantity, tuple[float, float]] = {
    "supply": (-20_000.0, 1_400_000.0),
    "service": (-20_000.0, 1_400_000.0),
    "chamber": (-20_000.0, 1_400_000.0),
    "stroke": (-5_000.0, 120_000.0),
    "tank-skin": (_ZERO_C_MK - 60_000.0, _ZERO_C_MK + 100_000.0),
}
_FINEST = 9  # decimals: a profile written out and read again is the same profile
_OF_A_WHEEL_END = ("chamber", "stroke")
_VALVES = tuple(valve.name.lower().replace("_", "-") for valve in Valve)


# --- an air system ---


def system(form: AirForm) -> AirSystem:
    """The air system of a form without problems."""
    usual = AirSystem("semitrailer", 0.0, (), ())
    return AirSystem(
        vehicle=form.vehicle,
        reservoir_m3=round(_reservoir_m3(form), _FINEST),
        wheel_ends=tuple(_wheel_end(name, each) for name, each in form.wheel_ends.items()),
        inputs=tuple(_input(int(number), each) for number, each in form.inputs.items()),
        check_valve=form.check_valve,
        supply_line_m=_length_m(form.supply_line_m, form.supply_line_ft, usual.supply_line_m),
        service_line_m=_length_m(form.service_line_m, form.service_line_ft, usual.service_line_m),
        line_bore_m=round(form.line_bore_mm / 1000, _FINEST),
        regulators=form.regulators,
        valves=form.valves,
        modulators=form.modulators,
        electrical_supply=form.electrical_supply,
        fill_c=None if form.fill_conductance is None else form.fill_conductance * _M3_PER_S_PA,
        fill_b=form.fill_critical_ratio,
    )


def _reservoir_m3(form: AirForm) -> float:
    return form.reservoir_l / 1000 if form.reservoir_l is not None else (form.reservoir_in3 or 0.0) * M3_PER_IN3


def _wheel_end(name: str, form: WheelEndForm) -> WheelEnd:
    title = form.title or name.replace(".", " ").replace("-", " ")
    return WheelEnd(name, title, form.axle, form.side, form.chamber, form.long_stroke, form.spring)


def _input(number: int, form: AirInputForm) -> AirInput:
    low, high = _range(form)
    return AirInput(
        number, form.measures, form.wheel_end, round(low), round(high), round(form.filter_ms / 1000, _FINEST)
    )


def _range(form: AirInputForm) -> tuple[float, float]:
    """In the input's own unit: Pa, um or mK."""
    if form.range_psi is not None:
        low, high = (each * PA_PER_PSI for each in form.range_psi)
    elif form.range_kpa is not None:
        low, high = (each * _PA_PER_KPA for each in form.range_kpa)
    elif form.range_mm is not None:
        low, high = (each * 1000 for each in form.range_mm)
    elif form.range_c is not None:
        low, high = (each * 1000 + _ZERO_C_MK for each in form.range_c)
    else:
        low, high = _USUAL_RANGE[form.measures]
    return low, high


def _length_m(metres: float | None, feet: float | None, usual_m: float) -> float:
    return metres if metres is not None else feet * METRES_PER_FOOT if feet is not None else usual_m


def problems(form: AirForm, circuits: Mapping[str, object]) -> Iterator[Problem]:
    """What is wrong with an air section, beside what its form refuses."""
    yield from _wheel_end_problems(form)
    yield from _input_problems(form)
    if form.electrical_supply is not None and form.electrical_supply not in circuits:
        why = f"no circuit '{form.electrical_supply}'{near(form.electrical_supply, circuits)}"
        yield Problem(("air", "electrical_supply"), why)


def _wheel_end_problems(form: AirForm) -> Iterator[Problem]:
    taken: dict[tuple[int, str], str] = {}
    for name, each in form.wheel_ends.items():
        at: Loc = ("air", "wheel_ends", name)
        if each.chamber not in CHAMBERS:
            yield Problem((*at, "chamber"), f"no chamber type '{each.chamber}'; types are {', '.join(CHAMBERS)}")
        place = (each.axle, each.side)
        if place in taken:
            yield Problem((*at, "side"), f"the {each.side} of axle {each.axle} is already '{taken[place]}'")
        taken.setdefault(place, name)


def _input_problems(form: AirForm) -> Iterator[Problem]:
    taken: dict[tuple[str, str | None], str] = {}
    for number, each in form.inputs.items():
        at: Loc = ("air", "inputs", number)
        needs = each.measures in _OF_A_WHEEL_END
        if needs and each.wheel_end not in form.wheel_ends:
            named = f"no wheel end '{each.wheel_end}'" if each.wheel_end else f"say whose {each.measures} it is"
            yield Problem((*at, "wheel_end"), f"{named}{near(each.wheel_end or '', form.wheel_ends)}")
        if not needs and each.wheel_end is not None:
            yield Problem((*at, "wheel_end"), f"'{each.measures}' belongs to no wheel end: leave it out")
        what = (each.measures, each.wheel_end)
        if what in taken:
            yield Problem((*at, "measures"), f"input {taken[what]} measures the same")
        taken.setdefault(what, number)


# --- what the simulator plays ---


def scenario(form: AirScenarioForm) -> AirScenario:
    """The air part of a scenario without problems."""
    usual = AirScenario()
    strokes_m = {name: inches * METRES_PER_INCH for name, inches in form.strokes_in.items()}
    strokes_m |= {name: mm / 1000 for name, mm in form.strokes_mm.items()}
    return AirScenario(
        source_pa=_pressure_pa(form.source_psi, form.source_kpa, usual.source_pa),
        start_pa=_pressure_pa(form.start_psi, form.start_kpa, usual.start_pa),
        ambient_drift_k_per_min=form.ambient_drift_k_per_min,
        convection=form.convection,
        sensor_noise_pa=_pressure_pa(form.sensor_noise_psi, None, usual.sensor_noise_pa),
        sensor_drift_pa_per_sqrt_min=_pressure_pa(
            form.sensor_drift_psi_per_sqrt_min, None, usual.sensor_drift_pa_per_sqrt_min
        ),
        sensor_zero_pa=_pressure_pa(form.sensor_zero_psi, None, usual.sensor_zero_pa),
        spread=form.spread,
        faults=tuple(_fault(each) for each in form.faults),
        strokes_m=strokes_m,
    )


def _pressure_pa(psi: float | None, kpa: float | None, usual_pa: float) -> float:
    return psi * PA_PER_PSI if psi is not None else kpa * _PA_PER_KPA if kpa is not None else usual_pa


def _fault(form: AirFaultForm) -> AirFault:
    rate = form.psi_per_min
    if form.kpa_per_min is not None:
        rate = form.kpa_per_min * _PA_PER_KPA / PA_PER_PSI
    return AirFault(form.kind, form.place, rate, _fault_value(form), form.at_s, form.until_s)


def _fault_value(form: AirFaultForm) -> float | None:
    """A stroke in m, a pressure in Pa or a share of the sound flow, by the kind of fault."""
    if form.stroke_in is not None:
        return form.stroke_in * METRES_PER_INCH
    if form.stroke_mm is not None:
        return form.stroke_mm / 1000
    if form.pressure_psi is not None or form.pressure_kpa is not None:
        return _pressure_pa(form.pressure_psi, form.pressure_kpa, 0.0)
    return form.share


_SIZES: Mapping[AirFaultKind, tuple[str, ...]] = {
    "leak": ("psi_per_min", "kpa_per_min"),
    "stroke": ("stroke_in", "stroke_mm"),
    "regulator-low": ("pressure_psi", "pressure_kpa"),
    "slow-application": ("share",),
    "slow-release": ("share",),
}
_ALL_SIZES = tuple(key for keys in dict.fromkeys(_SIZES.values()) for key in keys)


def scenario_problems(form: AirScenarioForm, air: AirSystem | None) -> Iterator[Problem]:
    """What is wrong with the air part of a scenario, beside what its form refuses."""
    if air is None:
        yield Problem(("air",), "the profile has no 'air' section: leave it out, or use a profile that has one")
        return
    ends = tuple(each.name for each in air.wheel_ends)
    for key in ("strokes_in", "strokes_mm"):
        for name in getattr(form, key):
            if name not in ends:
                yield Problem(("air", key, name), f"no wheel end '{name}' in the profile{near(name, ends)}")
    for name in form.strokes_in.keys() & form.strokes_mm.keys():
        yield Problem(("air", "strokes_mm", name), f"'{name}' is under 'strokes_in' too: give it once")
    for i, fault in enumerate(form.faults):
        yield from _fault_problems(fault, ends, ("air", "faults", i))


def _fault_problems(fault: AirFaultForm, ends: tuple[str, ...], at: Loc) -> Iterator[Problem]:
    allowed = _places(fault.kind, ends)
    if fault.place not in allowed:
        yield Problem((*at, "place"), f"'{fault.place}' is no place of {fault.kind}{near(fault.place, allowed)}")
    wanted = _SIZES.get(fault.kind, ())
    for key in _ALL_SIZES:
        if getattr(fault, key) is not None and key not in wanted:
            yield Problem((*at, key), f"'{key}' says nothing about {fault.kind}; leave it out")
    if fault.kind in ("leak", "stroke") and not any(getattr(fault, key) is not None for key in wanted):
        yield Problem(at, f"{fault.kind} needs its size: '{wanted[0]}' or '{wanted[1]}'")


def _places(kind: AirFaultKind, ends: tuple[str, ...]) -> tuple[str, ...]:
    if kind == "leak":
        return get_args(LeakPlace)
    if kind in ("valve-stuck-open", "valve-stuck-shut"):
        return _VALVES
    if kind == "stroke":
        return ends
    return ("service", *ends) if kind in ("slow-application", "slow-release") else ("supply", "service")
