"""A frozen profile as the plain data of a file, complete in itself: no names of other files."""

from dataclasses import asdict
from typing import Any

from bench.profiles.air_model import AirInput, AirSystem
from bench.profiles.model import (
    Connector,
    ControlUnit,
    Diode,
    Filament,
    Led,
    Limit,
    Load,
    LoadType,
    Pin,
    Profile,
    Resistor,
)

_KIND: dict[type[LoadType], str] = {Filament: "filament", Led: "led", Diode: "diode", ControlUnit: "control_unit"}


def profile_document(profile: Profile) -> dict[str, Any]:
    """All of a profile inline: loading it again gives an equal profile, years later too."""
    return {
        "name": profile.name,
        "title": profile.title,
        "kind": profile.kind,
        "connector": _connector(profile.connector),
        "nominal_v": profile.nominal_v,
        "units": profile.units,
        "notes": profile.notes,
        "limits": {"override": {name: _limit(limit) for name, limit in profile.limits.items()}},
        "circuits": {each.name: {"pin": each.pin, "title": each.title, "lit": each.lit} for each in profile.circuits},
        "channels": {str(pin): channel for pin, channel in profile.channel_of_pin.items()},
        "segments": {
            each.name: {"from": each.a, "to": each.b, "length_m": each.length_m, "mm2": each.area_mm2}
            for each in profile.segments
        },
        "joints": {
            each.name: {"from": each.a, "to": each.b, "milliohm": each.resistance_ohm * 1000} for each in profile.joints
        },
        "loads": {each.name: _load(each) for each in profile.loads},
        "tolerances": asdict(profile.tolerances),
        "protection": asdict(profile.protection),
        **({} if profile.abs_codes is None else {"abs": asdict(profile.abs_codes)}),
        **({} if profile.air is None else {"air": _air(profile.air)}),
    }


def _air(air: AirSystem) -> dict[str, Any]:
    document: dict[str, Any] = {
        "vehicle": air.vehicle,
        "limits": {"override": {}},  # all limits of a document stand in its own 'limits'
        "reservoir_l": air.reservoir_m3 * 1000,
        "wheel_ends": {each.name: {k: v for k, v in asdict(each).items() if k != "name"} for each in air.wheel_ends},
        "inputs": {str(each.number): _air_input(each) for each in air.inputs},
        "check_valve": air.check_valve,
        "supply_line_m": air.supply_line_m,
        "service_line_m": air.service_line_m,
        "line_bore_mm": air.line_bore_m * 1000,
        "regulators": air.regulators,
        "valves": air.valves,
        "modulators": air.modulators,
    }
    if air.fill_c is not None:
        document |= {"fill_conductance": round(air.fill_c * 1e8, 9), "fill_critical_ratio": air.fill_b}
    return document | ({} if air.electrical_supply is None else {"electrical_supply": air.electrical_supply})


def _air_input(wired: AirInput) -> dict[str, Any]:
    document: dict[str, Any] = {"measures": wired.quantity, "filter_ms": wired.filter_delay_s * 1000}
    if wired.wheel_end is not None:
        document["wheel_end"] = wired.wheel_end
    scale, offset, key = _INPUT_UNIT.get(wired.quantity, (1e-3, 0.0, "range_kpa"))
    return document | {key: [wired.low * scale + offset, wired.high * scale + offset]}


_INPUT_UNIT = {"stroke": (1e-3, 0.0, "range_mm"), "tank-skin": (1e-3, -273.15, "range_c")}


def _connector(connector: Connector) -> dict[str, Any]:
    return {
        "name": connector.name,
        "title": connector.title,
        "standard": connector.standard,
        "nominal_v": connector.nominal_v,
        "source": connector.source,
        "mark": connector.pins[0].mark,  # of no account: every pin below has its own
        "pins": {str(pin.number): _pin(pin) for pin in connector.pins},
    }


def _pin(pin: Pin) -> dict[str, Any]:
    return {
        "function": pin.function,
        "ground": pin.ground,
        "colour": pin.colour,
        **_size(pin.size),
        "at": [pin.x, pin.y],
        "mark": pin.mark,
    }


def _size(text: str) -> dict[str, float]:
    number, _, unit = text.partition(" ")
    if not number:
        return {}
    return {"awg": int(number)} if unit == "AWG" else {"mm2": float(number)}


def _limit(limit: Limit) -> dict[str, Any]:
    bounds = {key: value for key, value in (("low", limit.low), ("high", limit.high)) if value is not None}
    return {**bounds, "unit": limit.unit, "source": limit.source, "mark": limit.mark}


def _load(load: Load) -> dict[str, Any]:
    kind = load.type
    what = (
        {"resistor": {"ohm": kind.resistance_ohm}} if isinstance(kind, Resistor) else {_KIND[type(kind)]: asdict(kind)}
    )
    return {
        "title": load.title,
        "from": load.a,
        "to": load.b,
        "circuit": load.circuit,
        "place": load.place,
        "tolerance": load.tolerance,
        **what,
    }
