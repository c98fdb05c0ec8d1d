"""Whether a scenario's faults fit the profile: each place exists and suits its kind, each key says something."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bench.profiles.forms.scenario import FaultForm
from bench.profiles.library import near
from bench.profiles.model import CHASSIS, ControlUnit, InjectedKind, Joint, Profile, Segment, pin_node
from bench.profiles.network import graph, reach
from bench.profiles.problems import Problem
from bench.profiles.source import Loc

BOARD_TROUBLES = ("emergency-stop", "hot", "restart", "hung", "stuck-current:N", "stuck-voltage:N")

_SERIES = frozenset({"position", "ohm"})
_PATH = frozenset({"position", "ohm", "other"})
_USED: Mapping[InjectedKind, frozenset[str]] = {
    "open": _SERIES,
    "high-resistance": _SERIES,
    "ground-open": _SERIES,
    "ground-high-resistance": _SERIES,
    "abs-supply": _SERIES,
    "short-to-ground": _PATH,
    "overload": _PATH,
    "cross-connection": _PATH,
    "back-feed": _PATH,
    "short-to-supply": frozenset({"position", "ohm", "volts"}),
    "lamp-out": frozenset(),
    "abs-lamp": frozenset(),
    "wrong-load": frozenset({"factor"}),
    "abs-code": frozenset({"code"}),
    "low-supply": frozenset({"volts"}),
    "board-fault": frozenset(),
}
_SIZES = ("other", "position", "ohm", "volts", "factor", "code")
_ON_LOADS = frozenset({"lamp-out", "wrong-load", "abs-lamp", "abs-code"})
_IN_GROUND = frozenset({"ground-open", "ground-high-resistance"})


@dataclass(frozen=True)
class Places:
    """Everything in a profile that a fault can name."""

    segments: frozenset[str]
    joints: frozenset[str]
    loads: frozenset[str]
    pins: frozenset[str]
    nodes: frozenset[str]
    grounds: frozenset[str]
    units: frozenset[str]

    @property
    def series(self) -> frozenset[str]:
        """Where resistance can be put in."""
        return self.segments | self.joints | self.loads | self.pins

    @property
    def touching(self) -> frozenset[str]:
        """Where metal that should not be there can touch."""
        return self.series | self.nodes


def places(profile: Profile) -> Places:
    """All places of a profile."""
    wires: list[Segment | Joint] = [*profile.segments, *profile.joints]
    returns = [CHASSIS, *(pin_node(number) for number in profile.connector.ground_pins)]
    grounds = reach(graph([*((each.a, each.b) for each in wires), *((each.b, each.a) for each in wires)]), returns)
    pins = frozenset(pin_node(pin.number) for pin in profile.connector.pins)
    return Places(
        segments=frozenset(each.name for each in profile.segments),
        joints=frozenset(each.name for each in profile.joints),
        loads=frozenset(each.name for each in profile.loads),
        pins=pins,
        nodes=frozenset(node for each in [*wires, *profile.loads] for node in (each.a, each.b)) | {CHASSIS},
        grounds=frozenset(each.name for each in wires if each.a in grounds) | (grounds & pins),
        units=frozenset(each.name for each in profile.loads if isinstance(each.type, ControlUnit)),
    )


def check(faults: list[FaultForm], profile: Profile) -> list[Problem]:
    """All that is wrong with the faults of a scenario; places are counted from ``("faults", i)``."""
    there = places(profile)
    return [problem for i, fault in enumerate(faults) for problem in _check_one(fault, there, ("faults", i))]


def _check_one(fault: FaultForm, there: Places, at: Loc) -> Iterator[Problem]:
    if fault.until_s is not None and fault.until_s <= fault.at_s:
        yield Problem((*at, "until_s"), f"'until_s' ({fault.until_s:g}) must be after 'at_s' ({fault.at_s:g})")
    if fault.of is not None and (fault.kind != "intermittent" or fault.of == "intermittent"):
        yield Problem((*at, "of"), "'of' says which other kind an intermittent is; leave it out here")
        return
    kind = (fault.of or "open") if fault.kind == "intermittent" else fault.kind
    yield from _place(fault, kind, there, at)
    yield from _sizes(fault, kind, there, at)


def _place(fault: FaultForm, kind: InjectedKind, there: Places, at: Loc) -> Iterator[Problem]:
    if kind == "board-fault":
        if re.sub(r":[1-9]\d?$", ":N", fault.place) not in BOARD_TROUBLES:
            yield Problem((*at, "place"), f"'{fault.place}' is no board fault{near(fault.place, BOARD_TROUBLES)}")
    elif kind == "low-supply":
        if fault.place != "supply":
            yield Problem((*at, "place"), f"the place of low-supply is 'supply', not '{fault.place}'")
    else:
        yield from _known(fault.place, kind, there, (*at, "place"))
        if fault.other is not None and fault.other not in there.touching:
            yield Problem((*at, "other"), f"no place '{fault.other}' in the profile{near(fault.other, there.touching)}")


def _known(place: str, kind: InjectedKind, there: Places, loc: Loc) -> Iterator[Problem]:
    allowed, what = _allowed(kind, there)
    if place in allowed:
        return
    if place not in there.touching:
        yield Problem(loc, f"no {what} '{place}' in the profile{near(place, allowed)}")
    else:
        yield Problem(loc, f"'{place}' is not a {what}, which {kind} needs{near(place, allowed)}")


def _allowed(kind: InjectedKind, there: Places) -> tuple[frozenset[str], str]:
    if kind == "abs-code":
        return there.units, "control unit"
    if kind in _ON_LOADS:
        return there.loads, "load"
    if kind in _IN_GROUND:
        return there.grounds, "part of a ground path"
    if "other" in _USED[kind] or kind == "short-to-supply":
        return there.touching, "place"
    return there.series, "segment, joint, load or pin"


def _sizes(fault: FaultForm, kind: InjectedKind, there: Places, at: Loc) -> Iterator[Problem]:
    for key in _SIZES:
        if getattr(fault, key) is not None and key not in _USED[kind]:
            yield Problem((*at, key), f"'{key}' says nothing about {kind}; leave it out")
    if fault.position is not None and "position" in _USED[kind] and fault.place not in there.segments:
        yield Problem((*at, "position"), f"'position' is a place along a segment, and '{fault.place}' is not one")
    if kind in ("cross-connection", "back-feed") and fault.other is None:
        yield Problem(at, f"{kind} needs its second place in 'other'")
    if kind == "abs-code" and fault.code is None:
        yield Problem(at, "abs-code needs the code to blink in 'code', such as '2-3'")
