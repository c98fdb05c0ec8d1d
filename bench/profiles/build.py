"""From checked forms to the frozen profile that everybody else reads."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from bench.profiles.forms.connector import ConnectorForm, PinForm
from bench.profiles.forms.harness import CableForm, HarnessForm, LoadForm, SegmentForm
from bench.profiles.forms.lamps import ControlUnitForm, DiodeForm, FilamentForm, LampForm, LedForm, ResistorForm
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


def profile(form: HarnessForm, parts: Parts) -> tuple[Profile | None, list[Problem]]:
    """The profile of a form, or all that its cross checks find wrong."""
    problems = [*_circuit_problems(form, parts.connector), *_channel_problems(form, parts.connector)]
    problems += _lamp_problems(form, parts.catalogue)
    network = Network(parts.connector, _circuits(form), tuple(_elements(form)))
    problems += check(network) if not problems else []
    return (None, problems) if problems else (_assemble(form, parts, network), [])


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
    if form.channels is None:
        return
    taken: dict[int, str] = {}
    for pin, channel in form.channels.items():
        at = ("channels", pin)
        if int(pin) not in plug.live_pins:
            yield Problem(at, f"pin {pin} is no live pin of {plug.name}; those are {_listed(plug.live_pins)}")
        if channel in taken:
            yield Problem(at, f"channel {channel} already feeds pin {taken[channel]}")
        taken.setdefault(channel, pin)
    for name, circuit in form.circuits.items():
        if str(circuit.pin) not in form.channels:
            yield Problem(("channels",), f"pin {circuit.pin} of circuit '{name}' is on no channel")


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


def load_type(form: LoadForm | LampForm) -> LoadType | None:
    """What the form says a load is; None when it names a lamp type instead."""
    for kind in ("filament", "led", "resistor", "diode", "control_unit"):
        given = getattr(form, kind, None)
        if given is not None:
            return _load_type(given)
    return None


def _load_type(form: FilamentForm | LedForm | ResistorForm | DiodeForm | ControlUnitForm) -> LoadType:
    if isinstance(form, ResistorForm):
        return Resistor(form.ohm)
    kinds = {FilamentForm: Filament, LedForm: Led, DiodeForm: Diode, ControlUnitForm: ControlUnit}
    made: LoadType = kinds[type(form)](**form.model_dump())
    return made


def _loads(form: HarnessForm, parts: Parts, network: Network) -> Iterator[Load]:
    lamps = {**parts.catalogue, **form.lamps}
    elements = {each.name: each for each in network.elements}
    for name, load in form.loads.items():
        lamp = lamps[load.lamp] if load.lamp is not None else None
        kind = load_type(lamp or load)
        assert kind is not None  # noqa: S101 - the form has exactly one kind
        circuit = load.circuit or network.feeding(elements[name])[0].name
        tolerance = load.tolerance or (lamp.tolerance if lamp else None) or _usual_tolerance(kind, form)
        title = load.title or name.replace(".", " ").replace("-", " ")
        yield Load(name, title, kind, load.start, load.end, circuit, tolerance, load.place)


def _usual_tolerance(kind: LoadType, form: HarnessForm) -> float:
    if isinstance(kind, ControlUnit):
        return form.tolerances.control_unit_current
    return form.tolerances.lamp_current


def _assemble(form: HarnessForm, parts: Parts, network: Network) -> Profile:
    plug = parts.connector
    usual = {pin: channel for channel, pin in enumerate(plug.live_pins, start=1) if channel <= 16}
    channels = {int(pin): channel for pin, channel in form.channels.items()} if form.channels else usual
    grounds = network.ground_nodes
    return Profile(
        name=parts.name,
        title=form.title,
        kind=form.kind,
        connector=plug,
        nominal_v=form.nominal_v or plug.nominal_v,
        circuits=network.circuits,
        segments=tuple(_segments(form)),
        joints=tuple(_joints(form, grounds)),
        loads=tuple(_loads(form, parts, network)),
        limits=parts.limits,
        channel_of_pin=channels,
        tolerances=replace(Tolerances(), **form.tolerances.model_dump()),
        protection=replace(Protection(), **form.protection.model_dump()),
        units=form.units,
        notes=form.notes.strip(),
    )
