"""From checked forms to the frozen profile that everybody else reads."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from bench.contract.table import MAX_CHANNELS
from bench.profiles import air
from bench.profiles.forms.connector import ConnectorForm, PinForm
from bench.profiles.forms.harness import CableForm, HarnessForm, LoadForm, SegmentForm
from bench.profiles.forms.lamps import LampForm
from bench.profiles.forms.limits import LimitForm
from bench.profiles.library import near
from bench.profiles.model import (
    Circuit,
    Connector,
    ControlUnit,
    Diode,
    Filament,
    Joint,
    Led,
    Limit,
    Load,
    LoadType,
    Pin,
    Profile,
    Protection,
    Resistor,
    Segment,
    Tolerances,
)
from bench.profiles.network import Element, Network, check
from bench.profiles.problems import Problem
from bench.profiles.wire import METRES_PER_FOOT, METRES_PER_INCH, awg_area_mm2

MOST_CHANNELS = 8 * MAX_CHANNELS  # of boards joined as one bench


@dataclass(frozen=True, slots=True)
class Parts:
    """What a harness form refers to, looked up."""

    name: str
    connector: Connector
    limits: Mapping[str, Limit]
    catalogue: Mapping[str, LampForm]


def connector(form: ConnectorForm, name: str) -> Connector:
    """The connector of a form."""
    pins = tuple(_pin(int(number), pin, form.mark) for number, pin in form.pins.items())
    return Connector(name, form.title, form.standard, form.nominal_v, pins, form.source)


def _pin(number: int, form: PinForm, usual_mark: str) -> Pin:
    size = f"{form.awg} AWG" if form.awg is not None else f"{form.mm2:g} mm²" if form.mm2 is not None else ""
    x, y = form.at
    return Pin(number, form.function, form.ground, form.colour, size, x, y, form.mark or usual_mark)


def limits(forms: Mapping[str, LimitForm]) -> dict[str, Limit]:
    """Limits by name."""
    return {name: Limit(name, form.low, form.high, form.unit, form.source, form.mark) for name, form in forms.items()}


def network(form: HarnessForm, plug: Connector) -> Network:
    """The wiring of a form as a graph."""
    return Network(plug, _circuits(form), tuple(_elements(form)))


def problems(form: HarnessForm, parts: Parts, wiring: Network) -> list[Problem]:
    """All that the cross checks find wrong; the wiring is looked at once names and pins are right."""
    plug = parts.connector
    first = [*_circuit_problems(form, plug), *_channel_problems(form, plug), *_lamp_problems(form, parts.catalogue)]
    if form.air is not None:
        first += air.problems(form.air, form.circuits)
    return first or check(wiring)


def profile(form: HarnessForm, parts: Parts, wiring: Network) -> Profile:
    """The frozen profile of a form without problems."""
    plug = parts.connector
    return Profile(
        name=parts.name,
        title=form.title,
        kind=form.kind,
        connector=plug,
        nominal_v=form.nominal_v or plug.nominal_v,
        circuits=wiring.circuits,
        segments=tuple(_segments(form)),
        joints=tuple(_joints(form, wiring.ground_nodes)),
        loads=tuple(_loads(form, parts, wiring)),
        limits=parts.limits,
        channel_of_pin=_channels(form, plug),
        tolerances=Tolerances(**form.tolerances.model_dump()),
        protection=Protection(**form.protection.model_dump()),
        units=form.units,
        notes=form.notes.strip(),
        abs_codes=None if form.abs is None else form.abs.codes(),
        air=None if form.air is None else air.system(form.air),
    )


def _channels(form: HarnessForm, plug: Connector) -> dict[int, int]:
    if form.channels is not None:
        return {int(pin): channel for pin, channel in form.channels.items()}
    most = _most_channels(form)
    return {pin: channel for channel, pin in enumerate(plug.live_pins, start=1) if channel <= most}


def _most_channels(form: HarnessForm) -> int:
    """One board's, while that is enough for the circuits; then those of boards joined as one bench."""
    return MAX_CHANNELS if len(form.circuits) <= MAX_CHANNELS else MOST_CHANNELS


# --- checks that need no wiring ---


def _circuit_problems(form: HarnessForm, plug: Connector) -> Iterator[Problem]:
    fed: dict[int, str] = {}
    for name, circuit in form.circuits.items():
        at = ("circuits", name, "pin")
        if circuit.pin in plug.ground_pins:
            yield Problem(at, f"pin {circuit.pin} of {plug.name} is an earth pin; a circuit needs a live one")
        elif circuit.pin not in plug.live_pins:
            yield Problem(at, f"{plug.name} has no pin {circuit.pin}; its live pins are {_listed(plug.live_pins)}")
        elif circuit.pin in fed:
            yield Problem(at, f"pin {circuit.pin} is already circuit '{fed[circuit.pin]}'")
        fed.setdefault(circuit.pin, name)


def _channel_problems(form: HarnessForm, plug: Connector) -> Iterator[Problem]:
    taken: dict[int, str] = {}
    for pin, channel in (form.channels or {}).items():
        at = ("channels", pin)
        if int(pin) not in plug.live_pins:
            yield Problem(at, f"pin {pin} is no live pin of {plug.name}; those are {_listed(plug.live_pins)}")
        if channel in taken:
            yield Problem(at, f"channel {channel} already feeds pin {taken[channel]}")
        taken.setdefault(channel, pin)
    channels = _channels(form, plug)
    for name, circuit in form.circuits.items():
        if circuit.pin in plug.live_pins and circuit.pin not in channels:
            why = f"pin {circuit.pin} of circuit '{name}' is on no channel"
            yield Problem(("channels",), f"{why}; say in 'channels' which of 1 to {_most_channels(form)} feeds it")


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(str(number) for number in numbers)


def _lamp_problems(form: HarnessForm, catalogue: Mapping[str, LampForm]) -> Iterator[Problem]:
    known = {**catalogue, **form.lamps}
    for name, load in form.loads.items():
        if load.lamp is not None and load.lamp not in known:
            yield Problem(("loads", name, "lamp"), f"no lamp type '{load.lamp}'{near(load.lamp, known)}")


# --- wiring ---


def _circuits(form: HarnessForm) -> tuple[Circuit, ...]:
    return tuple(Circuit(name, each.title, each.pin, each.lit) for name, each in form.circuits.items())


def _elements(form: HarnessForm) -> Iterator[Element]:
    for name, cable in form.cables.items():
        for core in (*cable.awg, *cable.mm2):
            yield Element("copper", f"{name}.{core}", f"{cable.start}.{core}", f"{cable.end}.{core}", ("cables", name))
    for name, plug in form.plugs.items():
        for core in plug.cores:
            yield Element("copper", f"{name}.{core}", f"{plug.start}.{core}", f"{plug.end}.{core}", ("plugs", name))
    for section, wires in (("segments", form.segments), ("joints", form.joints)):
        for name, wire in wires.items():
            yield Element("copper", name, wire.start, wire.end, (section, name))
    for name, load in form.loads.items():
        yield Element("load", name, load.start, load.end, ("loads", name), load.circuit)


def _segments(form: HarnessForm) -> Iterator[Segment]:
    for name, cable in form.cables.items():
        areas = {**{core: awg_area_mm2(gauge) for core, gauge in cable.awg.items()}, **cable.mm2}
        for core, area_mm2 in areas.items():
            ends = f"{cable.start}.{core}", f"{cable.end}.{core}"
            yield Segment(f"{name}.{core}", *ends, _length_m(cable), area_mm2)
    for name, wire in form.segments.items():
        yield Segment(name, wire.start, wire.end, _length_m(wire), _area_mm2(wire))


def _length_m(form: CableForm | SegmentForm) -> float:
    if form.length_m is not None:
        return form.length_m
    if form.length_ft is not None:
        return form.length_ft * METRES_PER_FOOT
    return (form.length_in or 0.0) * METRES_PER_INCH


def _area_mm2(form: SegmentForm) -> float:
    return form.mm2 if form.mm2 is not None else awg_area_mm2(form.awg or 0)


def _joints(form: HarnessForm, grounds: set[str]) -> Iterator[Joint]:
    for name, plug in form.plugs.items():
        for core in plug.cores:
            a, b = f"{plug.start}.{core}", f"{plug.end}.{core}"
            yield Joint(f"{name}.{core}", a, b, plug.milliohm / 1000, ground=a in grounds)
    for name, joint in form.joints.items():
        yield Joint(name, joint.start, joint.end, joint.milliohm / 1000, ground=joint.start in grounds)


# --- loads ---


_KINDS: Mapping[str, type[LoadType]] = {
    "filament": Filament,
    "led": Led,
    "resistor": Resistor,
    "diode": Diode,
    "control_unit": ControlUnit,
}


def _load_type(form: LoadForm | LampForm) -> LoadType:
    """What the form says a load is; it says exactly one thing."""
    kind, given = next((kind, given) for kind in _KINDS if (given := getattr(form, kind, None)) is not None)
    return _KINDS[kind](**given.model_dump(by_alias=False))


def _loads(form: HarnessForm, parts: Parts, wiring: Network) -> Iterator[Load]:
    lamps = {**parts.catalogue, **form.lamps}
    elements = {each.name: each for each in wiring.elements}
    for name, load in form.loads.items():
        lamp = lamps[load.lamp] if load.lamp is not None else None
        kind = _load_type(lamp or load)
        circuit = load.circuit or wiring.feeding(elements[name])[0].name
        tolerance = load.tolerance or (lamp.tolerance if lamp else None) or _usual_tolerance(kind, form)
        title = load.title or name.replace(".", " ").replace("-", " ")
        yield Load(name, title, kind, load.start, load.end, circuit, tolerance, load.place)


def _usual_tolerance(kind: LoadType, form: HarnessForm) -> float:
    if isinstance(kind, ControlUnit):
        return form.tolerances.control_unit_current
    return form.tolerances.lamp_current
