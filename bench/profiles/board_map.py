"""Board maps: read, checked, made into dataclasses."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from bench.profiles.forms.board_map import BoardForm, CoilForm, InputForm
from bench.profiles.library import find, names
from bench.profiles.problems import Problem, fill, refuse
from bench.profiles.source import Document, Loc, read_document

Table = Literal["input", "holding"]


@dataclass(frozen=True, slots=True)
class Coil:
    """One relay; ``unit`` None is the one of the board's URL."""

    unit: int | None
    address: int


@dataclass(frozen=True, slots=True)
class Input:
    """One analogue input: value = raw * scale + offset, in V, A or degC."""

    unit: int | None
    table: Table
    address: int
    signed: bool
    scale: float
    offset: float

    def value(self, raw: int) -> float:
        """The quantity."""
        return (raw - 0x1_0000 if self.signed and raw >= 0x8000 else raw) * self.scale + self.offset


@dataclass(frozen=True, slots=True)
class BoardMap:
    """An ordinary relay module and analogue module as a board; channels count from 1 without gaps.

    Attributes:
        drive, probe: relay of each channel; ``probe`` is empty without probe resistor.
        current: input of each channel; empty where only the supply's current is measured.
        settle_s: from a coil's write until relay and filter have followed.
    """

    name: str
    title: str
    fuse_a: float
    probe_ohm: float
    pull_down_ohm: float
    settle_s: float
    current_gain_error: float
    current_offset_error_a: float
    voltage_gain_error: float
    voltage_offset_error_v: float
    drive: Mapping[int, Coil]
    probe: Mapping[int, Coil]
    returns: Mapping[Literal["pin", "chassis"], Coil]
    supply_v: Input
    supply_a: Input | None
    voltage: Mapping[int, Input]
    current: Mapping[int, Input]
    return_a: Mapping[Literal["pin", "chassis"], Input]
    ambient_c: Input | None

    @property
    def channels(self) -> int:
        """How many."""
        return len(self.drive)

    @property
    def coils(self) -> tuple[Coil, ...]:
        """Every relay."""
        return (*self.drive.values(), *self.probe.values(), *self.returns.values())

    @property
    def inputs(self) -> tuple[Input, ...]:
        """Every input."""
        others = (self.supply_a, self.ambient_c)
        return (
            self.supply_v,
            *(each for each in others if each is not None),
            *self.voltage.values(),
            *self.current.values(),
            *self.return_a.values(),
        )


def board_map_names() -> list[str]:
    """Names of the maps that come with the program."""
    return names("board")


def load_board_map(name_or_path: str | Path) -> BoardMap:
    """A map by path or name.

    Raises:
        InputError: no such map, or it is wrong; one ``file:line: ...`` line for each thing to put right.
    """
    return board_map_of(read_document(find("board", name_or_path)))


def board_map_of(document: Document) -> BoardMap:
    """The map that ``document`` is.

    Raises:
        InputError: as :func:`load_board_map`.
    """
    form = fill(BoardForm, document)
    refuse(document, [*_gaps(form), *_twice(form), *_missing(form)])
    return _built(form, document.path.stem)


# --- what the form can't see ---


def _by_channel(form: BoardForm) -> Iterator[tuple[Loc, Mapping[str, object]]]:
    yield ("relays", "channels"), form.relays.channels
    yield ("inputs", "voltage"), form.inputs.voltage
    if form.relays.probe is not None:
        yield ("relays", "probe"), form.relays.probe
    if form.inputs.current is not None:
        yield ("inputs", "current"), form.inputs.current


def _gaps(form: BoardForm) -> Iterator[Problem]:
    count = len(form.relays.channels)
    wanted = {str(n) for n in range(1, count + 1)}
    for loc, given in _by_channel(form):
        for channel in sorted(given.keys() - wanted, key=int):
            yield Problem(
                (*loc, channel), f"there is no channel {channel}: channels count from 1 to {count} without gaps"
            )
        if missing := sorted(wanted - given.keys(), key=int):
            yield Problem(loc, f"channel {', '.join(missing)} is missing")


def _twice(form: BoardForm) -> Iterator[Problem]:
    users: dict[tuple[object, ...], list[Loc]] = defaultdict(list)
    for loc, coil in _coils(form):
        users["coil", coil.unit, coil.coil].append(loc)
    for loc, each in _inputs(form):
        users["register", each.table, each.unit, each.register_].append(loc)
    for what, locs in users.items():
        for loc in locs[1:]:
            first = ".".join(map(str, locs[0]))
            yield Problem(loc, f"{what[0]} {what[-1]} of this module is {first} already")


def _coils(form: BoardForm) -> Iterator[tuple[Loc, CoilForm]]:
    for n, coil in form.relays.channels.items():
        yield ("relays", "channels", n), coil
    for n, coil in (form.relays.probe or {}).items():
        yield ("relays", "probe", n), coil
    if form.relays.return_pin:
        yield ("relays", "return_pin"), form.relays.return_pin
    if form.relays.return_chassis:
        yield ("relays", "return_chassis"), form.relays.return_chassis


def _inputs(form: BoardForm) -> Iterator[tuple[Loc, InputForm]]:
    for n, each in form.inputs.voltage.items():
        yield ("inputs", "voltage", n), each
    for n, each in (form.inputs.current or {}).items():
        yield ("inputs", "current", n), each
    for name in ("supply_v", "supply_a", "return_pin_a", "return_chassis_a", "ambient_c"):
        single = getattr(form.inputs, name)
        if single is not None:
            yield ("inputs", name), single


def _missing(form: BoardForm) -> Iterator[Problem]:
    inputs, relays = form.inputs, form.relays
    if inputs.current is None and inputs.supply_a is None:
        yield Problem(("inputs",), "no current is measured: give 'current' or 'supply_a'")
    if (relays.probe is None) != (form.probe_ohm is None):
        yield Problem(("relays",), "probe relays and probe_ohm belong together: give both or neither")
    if (relays.return_pin is None) != (relays.return_chassis is None):
        yield Problem(("relays",), "return_pin and return_chassis belong together: give both or neither")
    for loc, each in _inputs(form):
        if each.scale == 0:
            yield Problem((*loc, "scale"), "a scale of 0 makes every reading the same")


# --- made into dataclasses ---


def _built(form: BoardForm, name: str) -> BoardMap:
    relays, inputs, accuracy = form.relays, form.inputs, form.accuracy
    returns = {"pin": relays.return_pin, "chassis": relays.return_chassis}
    return_a = {"pin": inputs.return_pin_a, "chassis": inputs.return_chassis_a}
    return BoardMap(
        name=name,
        title=form.title,
        fuse_a=form.fuse_a,
        probe_ohm=form.probe_ohm or 0.0,
        pull_down_ohm=form.pull_down_ohm,
        settle_s=form.settle_s,
        current_gain_error=accuracy.current_gain,
        current_offset_error_a=accuracy.current_offset_a,
        voltage_gain_error=accuracy.voltage_gain,
        voltage_offset_error_v=accuracy.voltage_offset_v,
        drive=_coil_of(relays.channels),
        probe=_coil_of(relays.probe or {}),
        returns={where: _coil(coil) for where, coil in returns.items() if coil},  # type: ignore[misc]
        supply_v=_input(inputs.supply_v),
        supply_a=_input(inputs.supply_a) if inputs.supply_a else None,
        voltage=_input_of(inputs.voltage),
        current=_input_of(inputs.current or {}),
        return_a={where: _input(each) for where, each in return_a.items() if each},  # type: ignore[misc]
        ambient_c=_input(inputs.ambient_c) if inputs.ambient_c else None,
    )


def _coil(form: CoilForm) -> Coil:
    return Coil(form.unit, form.coil)


def _input(form: InputForm) -> Input:
    return Input(form.unit, form.table, form.register_, form.signed, form.scale, form.offset)


def _coil_of(forms: Mapping[str, CoilForm]) -> dict[int, Coil]:
    return {int(n): _coil(forms[n]) for n in sorted(forms, key=int)}


def _input_of(forms: Mapping[str, InputForm]) -> dict[int, Input]:
    return {int(n): _input(forms[n]) for n in sorted(forms, key=int)}
