"""What each injected fault does to the network, the loads or the board.

``resolve`` turns a fault in the profile's names into one *effect*; the network builder and the
plant know effects only. Defaults (ohm, volts, factor) are typical sizes and belong to the
simulator alone.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace

from bench.errors import InputError
from bench.profiles.model import CHASSIS, ControlUnit, Diode, InjectedFault, LoadType, pin_node
from firmware_sim.plant.as_built import BuiltLoad, Harness, scale_current
from firmware_sim.plant.board import OPEN_OHM

DEFAULT_CHATTER_HZ = 5.0
SHORT_OHM = 0.05
BACK_FEED_OHM = 0.1
SERIES_OHM = 1.0
GROUND_SERIES_OHM = 0.5
LOW_SUPPLY_SHARE = 0.85  # of nominal
WRONG_LOAD_FACTOR = 2.0
OVERLOAD_OHM_AT_12_V = 0.75  # 17 A at 12.8 V: over the default limit, yet not a short
ABS_SUPPLY_OHM_AT_12_V = 10.0  # enough to starve a 3.6 W unit
BOARD_FAULTS = ("emergency-stop", "hot", "restart", "hung", "stuck-current:N", "stuck-voltage:N")


@dataclass(frozen=True, slots=True)
class Point:
    """Where a path that should not be there begins: a node, load or joint end, or along a wire."""

    place: str
    position: float


@dataclass(frozen=True, slots=True)
class InSeries:
    """Added resistance inside a wire, joint, load or pin."""

    at: Point
    ohm: float


@dataclass(frozen=True, slots=True)
class Path:
    """Metal where none should be."""

    a: Point
    b: Point
    ohm: float


@dataclass(frozen=True, slots=True)
class OneWay:
    """A diode from ``a`` to ``b``; it is in the device list always and conducts while active."""

    a: Point
    b: Point
    ohm: float


@dataclass(frozen=True, slots=True)
class Held:
    """A node tied to a foreign voltage."""

    at: Point
    volts: float
    ohm: float


@dataclass(frozen=True, slots=True)
class OtherLoad:
    """Another load in a load's place."""

    load: str
    type: LoadType


@dataclass(frozen=True, slots=True)
class UnitState:
    """What a control unit's own fault memory makes of its warning lamp."""

    load: str
    lamp_dead: bool = False
    code: str = ""


@dataclass(frozen=True, slots=True)
class Supply:
    """The board's supply at another voltage."""

    volts: float


@dataclass(frozen=True, slots=True)
class BoardTrouble:
    """Something that happens to the board itself; one of ``BOARD_FAULTS``."""

    what: str


Effect = InSeries | Path | OneWay | Held | OtherLoad | UnitState | Supply | BoardTrouble


class Resolver:
    """Checks places against one harness and turns faults into effects."""

    def __init__(self, harness: Harness, pins: Collection[int], nominal_v: int, supply_v: float) -> None:
        self._links = {link.name: link for link in harness.links}
        self._loads = {load.name: load for load in harness.loads}
        self._pins = {pin_node(number) for number in pins}
        self._nodes = {CHASSIS, *self._pins}
        self._nodes |= {node for link in harness.links for node in (link.a, link.b)}
        self._nodes |= {node for load in harness.loads for node in (load.a, load.b)}
        self._scale = nominal_v / 12
        self._nominal_v = nominal_v
        self._supply_v = supply_v

    def resolve(self, fault: InjectedFault) -> Effect:
        """Turn ``fault`` into its effect.

        Raises:
            InputError: a place that the profile lacks or that the kind cannot apply to.
        """
        kind = (fault.of or "open") if fault.kind == "intermittent" else fault.kind
        if kind == "intermittent":
            raise InputError(f"fault at {fault.place!r}: 'of' must name what comes and goes, not 'intermittent'")
        match kind:
            case "board-fault":
                return BoardTrouble(self._board_fault(fault))
            case "low-supply":
                return Supply(_given(fault.volts, LOW_SUPPLY_SHARE * self._nominal_v))
            case "wrong-load" | "abs-lamp" | "abs-code" | "lamp-out":
                return self._load_effect(replace(fault, kind=kind))
            case "short-to-ground" | "overload" | "cross-connection" | "back-feed" | "short-to-supply":
                return self._path_effect(replace(fault, kind=kind))
            case _:
                return InSeries(self._series_point(fault), self._series_ohm(replace(fault, kind=kind)))

    def _board_fault(self, fault: InjectedFault) -> str:
        what, _, channel = fault.place.partition(":")
        known = {name.partition(":")[0]: ":" in name for name in BOARD_FAULTS}
        if what not in known or known[what] != channel.isdecimal():
            raise InputError(f"board-fault {fault.place!r} is not one of: {', '.join(BOARD_FAULTS)}")
        return fault.place

    def _series_ohm(self, fault: InjectedFault) -> float:
        default = {
            "open": OPEN_OHM,
            "ground-open": OPEN_OHM,
            "high-resistance": SERIES_OHM,
            "ground-high-resistance": GROUND_SERIES_OHM,
            "abs-supply": ABS_SUPPLY_OHM_AT_12_V * self._scale**2,
        }[fault.kind]
        return _given(fault.ohm, default)

    def _series_point(self, fault: InjectedFault) -> Point:
        known = {*self._links, *self._loads, *self._pins}
        return Point(_known(fault.place, known, fault), fault.position)

    def _point(self, place: str, fault: InjectedFault) -> Point:
        return Point(_known(place, {*self._links, *self._loads, *self._nodes}, fault), fault.position)

    def _path_effect(self, fault: InjectedFault) -> Effect:
        a = self._point(fault.place, fault)
        if fault.kind == "short-to-supply":
            return Held(a, _given(fault.volts, self._supply_v), _given(fault.ohm, SHORT_OHM))
        b = self._other_end(fault)
        match fault.kind:
            case "overload":
                return Path(a, b, _given(fault.ohm, OVERLOAD_OHM_AT_12_V * self._scale))
            case "back-feed":
                return OneWay(a, b, _given(fault.ohm, BACK_FEED_OHM))
            case _:
                return Path(a, b, _given(fault.ohm, SHORT_OHM))

    def _other_end(self, fault: InjectedFault) -> Point:
        if fault.other is not None:
            return self._point(fault.other, fault)
        if fault.kind in ("cross-connection", "back-feed"):
            raise InputError(f"{fault.kind} at {fault.place!r} needs a second place in 'other'")
        load = self._loads.get(fault.place)
        return Point(load.b if load and fault.kind == "overload" else CHASSIS, 0.0)

    def _load_effect(self, fault: InjectedFault) -> Effect:
        load = self._loads[_known(fault.place, self._loads, fault)]
        if fault.kind == "wrong-load":
            return self._wrong_load(load, fault)
        if fault.kind == "lamp-out" or not isinstance(load.type, ControlUnit):
            return self._dead_load(load, fault)
        if fault.kind == "abs-lamp":
            return UnitState(load.name, lamp_dead=True)
        return UnitState(load.name, code=_digits(fault))

    def _wrong_load(self, load: BuiltLoad, fault: InjectedFault) -> Effect:
        if isinstance(load.type, Diode):
            raise InputError(f"wrong-load at {load.name!r}: a diode has no current of its own to be wrong")
        return OtherLoad(load.name, scale_current(load.type, _given(fault.factor, WRONG_LOAD_FACTOR)))

    def _dead_load(self, load: BuiltLoad, fault: InjectedFault) -> Effect:
        if fault.kind == "abs-code":
            raise InputError(f"abs-code at {load.name!r}: only a control unit blinks codes")
        return InSeries(Point(load.name, 0.0), OPEN_OHM)


def _given(value: float | None, default: float) -> float:
    return default if value is None else value


def _digits(fault: InjectedFault) -> str:
    code = (fault.code or "").replace("-", "")
    if not code.isdecimal() or "0" in code:
        raise InputError(f"abs-code at {fault.place!r} needs a code of digits 1 to 9 such as '2-3', not {fault.code!r}")
    return code


def _known(place: str, names: Collection[str], fault: InjectedFault) -> str:
    if place not in names:
        raise InputError(f"{fault.kind} names {place!r}, which is not one of: {', '.join(sorted(names))}")
    return place
