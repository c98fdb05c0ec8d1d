"""The same harness for ngspice: an independent solver to hold the plant against.

Writes a netlist from a profile, a fault list and switch positions, with its own reading of the
physics: a filament is a heat capacity on a temperature node with behavioural sources, a
channel is a behavioural current source with a limit. Nothing here uses the plant's code.
Harnesses are taken exactly as drawn (scenario spread 0, 20 degC). A control unit runs above its
lock-out voltage with its lamp lit, without start burst or hysteresis.
"""

import math
import re
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.contract.table import Return
from bench.profiles.model import (
    CHASSIS,
    ControlUnit,
    Diode,
    Filament,
    InjectedFault,
    Led,
    LoadType,
    Profile,
    Resistor,
    Scenario,
    pin_node,
)
from firmware_sim.port import Feed, FeedMode, Switches

AMBIENT_K = 293.15
CONDUCTED = 0.08


@dataclass(frozen=True, slots=True)
class Phase:
    """From ``at_s`` on, every driven channel is limited to ``limit_a``."""

    at_s: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class Waves:
    """Result: times (n,), pin voltages and channel currents by pin number, board values by name."""

    time_s: NDArray[np.float64]
    pin_v: Mapping[int, NDArray[np.float64]]
    pin_a: Mapping[int, NDArray[np.float64]]
    board: Mapping[str, NDArray[np.float64]]


@dataclass
class _Deck:
    lines: list[str] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)

    def node(self, name: str) -> str:
        return self.names.setdefault(name, f"n{len(self.names) + 1}")

    def resistor(self, a: str, b: str, ohm: float) -> None:
        self.lines.append(f"r{len(self.lines)} {self.node(a)} {self.node(b)} {ohm:.12g}")

    def to_ground(self, a: str, ohm: float) -> None:
        self.lines.append(f"r{len(self.lines)} {self.node(a)} 0 {ohm:.12g}")

    def current(self, a: str, b: str, expression: str) -> None:
        self.lines.append(f"b{len(self.lines)} {a} {b} i={expression}")

    def add(self, line: str) -> None:
        self.lines.append(line)


def simulate(
    scenario: Scenario,
    switches: Switches,
    stop_s: float,
    *,
    phases: Sequence[Phase] = (),
    step_s: float = 2e-4,
    options: str = "reltol=1e-5 abstol=1e-9 vntol=1e-7",
) -> Waves:
    """Run ngspice from cold.

    Raises:
        RuntimeError: ngspice is missing or failed; its own words are in the message.
    """
    text, columns = netlist(scenario, switches, stop_s, phases=phases, step_s=step_s, options=options)
    with tempfile.TemporaryDirectory() as folder:
        deck = Path(folder, "deck.cir")
        deck.write_text(text.replace("@OUT@", str(Path(folder, "out.txt"))))
        said = run_ngspice(deck)
        out = Path(folder, "out.txt")
        if not out.exists():
            raise RuntimeError(f"ngspice wrote nothing: {said[-2000:]}")
        return read_waves(out, columns)


def read_waves(path: Path, columns: Sequence[tuple[str, int | str]]) -> Waves:
    """Read what a deck's run wrote."""
    table = np.loadtxt(path)
    by_kind: dict[str, dict[int | str, NDArray[np.float64]]] = {"v": {}, "a": {}, "board": {}}
    for index, (kind, key) in enumerate(columns, start=1):
        by_kind[kind][key] = table[:, index]
    return Waves(table[:, 0], by_kind["v"], by_kind["a"], by_kind["board"])  # type: ignore[arg-type]


def run_ngspice(deck: Path) -> str:
    """Run ``ngspice -b`` on ``deck`` and return what it says."""
    try:
        done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=120, check=False)
    except FileNotFoundError:
        raise RuntimeError("ngspice is not installed; install the Debian package 'ngspice'") from None
    said = done.stdout + done.stderr
    if done.returncode or "aborted" in said:
        raise RuntimeError(f"ngspice failed: {said[-2000:]}")
    return said


def netlist(
    scenario: Scenario,
    switches: Switches,
    stop_s: float,
    *,
    phases: Sequence[Phase] = (),
    step_s: float,
    options: str,
) -> tuple[str, list[tuple[str, int | str]]]:
    """The deck as text, with ``@OUT@`` where the output file goes, and its columns."""
    deck = _Deck()
    _harness(deck, scenario)
    _board(deck, scenario, switches, phases)
    columns = _columns(scenario.profile)
    vectors = " ".join(_vector(deck, kind, key) for kind, key in columns)
    text = "\n".join(
        [
            "harness",
            *deck.lines,
            f".options {options}",
            ".control",
            "set wr_singlescale",
            "set numdgt=12",
            f"tran {step_s:.9g} {stop_s:.9g} uic",
            f"wrdata @OUT@ {vectors}",
            "quit 0",
            ".endc",
            ".end",
        ]
    )
    return text + "\n", columns


def _columns(profile: Profile) -> list[tuple[str, int | str]]:
    pins = sorted(profile.channel_of_pin)
    board: list[tuple[str, int | str]] = [("board", name) for name in ("supply_v", "chassis_v", "ground_pin_v")]
    return [*(("v", pin) for pin in pins), *(("a", pin) for pin in pins), *board]


def _vector(deck: _Deck, kind: str, key: int | str) -> str:
    if kind == "a":
        return f"v(feed{key})"
    if kind == "v":
        return f"v({deck.node(f'socket.{key}')})"
    name = {"supply_v": "bus", "chassis_v": CHASSIS, "ground_pin_v": "board return"}[str(key)]
    return f"v({deck.node(name)})"


# --- the harness with its faults ---


@dataclass(frozen=True, slots=True)
class _Spot:
    """A place of a fault: the two nodes that a series resistance separates; shunts start at ``near``."""

    near: str
    far: str


def _harness(deck: _Deck, scenario: Scenario) -> None:
    profile = scenario.profile
    faults = scenario.faults
    for segment in profile.segments:
        _chain(deck, segment.name, segment.a, segment.b, segment.resistance_ohm, faults)
    for joint in profile.joints:
        deck.resistor(joint.a, joint.b, joint.resistance_ohm + _series(joint.name, faults))
    for pin in profile.connector.pins:
        _pin(deck, pin.number, faults)
    factors = {fault.place: fault.factor or 1.0 for fault in faults if fault.kind == "wrong-load"}
    for load in profile.loads:
        inner = f"inside {load.name}"
        deck.resistor(load.a, inner, max(_series(load.name, faults), 1e-6))
        _load(deck, load.type, deck.node(inner), deck.node(load.b), factors.get(load.name, 1.0))
    for fault in faults:
        _path(deck, profile, fault)


_OPEN_KINDS = ("open", "ground-open", "lamp-out", "abs-lamp")
_SERIES_KINDS = ("high-resistance", "ground-high-resistance", "abs-supply")


def _series_ohm(fault: InjectedFault) -> float:
    if fault.kind in _OPEN_KINDS:
        return fault.ohm or 1e9
    return fault.ohm or 0.0 if fault.kind in _SERIES_KINDS else 0.0


def _series(place: str, faults: Sequence[InjectedFault]) -> float:
    return sum(_series_ohm(fault) for fault in faults if fault.place == place)


def _chain(deck: _Deck, name: str, a: str, b: str, ohm: float, faults: Sequence[InjectedFault]) -> None:
    """A wire, cut at every fault that touches it (one, or several at different positions)."""
    here, done = a, 0.0
    for fault in sorted((f for f in faults if name in (f.place, f.other)), key=lambda f: f.position):
        spot = f"{name} at {fault.position}"
        deck.resistor(here, spot, ohm * (fault.position - done))
        done = fault.position
        here = spot
        if _series_ohm(fault):
            here = f"{spot} far"
            deck.resistor(spot, here, _series_ohm(fault))
    deck.resistor(here, b, ohm * (1 - done))


def _pin(deck: _Deck, number: int, faults: Sequence[InjectedFault]) -> None:
    deck.resistor(f"socket.{number}", pin_node(number), max(_series(pin_node(number), faults), 1e-6))


def _start(profile: Profile, fault: InjectedFault, place: str) -> str:
    if any(segment.name == place for segment in profile.segments):
        return f"{place} at {fault.position}"
    for joint in profile.joints:
        if joint.name == place:
            return joint.a
    for load in profile.loads:
        if load.name == place:
            return load.a
    return place


def _path(deck: _Deck, profile: Profile, fault: InjectedFault) -> None:
    start = _start(profile, fault, fault.place)
    if fault.kind in ("short-to-ground", "overload", "cross-connection"):
        deck.resistor(start, _start(profile, fault, fault.other or CHASSIS), fault.ohm or 0.05)
    elif fault.kind == "back-feed":
        end = _start(profile, fault, fault.other or CHASSIS)
        _load(deck, Diode(series_ohm=fault.ohm or 0.1), deck.node(start), deck.node(end), 1.0)
    elif fault.kind == "short-to-supply":
        source = f"foreign{len(deck.lines)}"
        deck.add(f"v{source} {source} 0 {fault.volts}")
        deck.add(f"r{source} {source} {deck.node(start)} {fault.ohm or 0.05}")


# --- loads ---


def _load(deck: _Deck, kind: LoadType, a: str, b: str, factor: float) -> None:
    v = f"v({a},{b})"
    match kind:
        case Filament(rated_v=volts, rated_w=watts):
            _filament(deck, a, b, volts, watts * factor)
        case Led():
            knee_a = kind.current_a * factor
            series = kind.series_ohm / factor
            over = f"max(0,{v}-{kind.threshold_v})"
            knee_v = kind.threshold_v + kind.current_a * kind.series_ohm
            slope = kind.slope_a_per_v * factor
            deck.current(a, b, f"min({over}/{series},{knee_a})+{slope}*max(0,{v}-{knee_v})+max(0,{v})/{kind.leak_ohm}")
            if kind.capacitance_f:
                deck.add(f"c{len(deck.lines)} {a} {b} {kind.capacitance_f} ic=0")
        case Diode():
            deck.current(a, b, f"max(0,{v}-{kind.forward_v})/{kind.series_ohm}+1e-9*{v}")
        case Resistor():
            deck.add(f"r{len(deck.lines)} {a} {b} {kind.resistance_ohm / factor}")
        case ControlUnit():
            running = f"({v}>{kind.lockout_v} ? {kind.power_w}/max({v},1)+{kind.lamp_a} : 0)"
            deck.current(a, b, f"max(0,{v})/{kind.leak_ohm}+{running}")
            deck.add(f"c{len(deck.lines)} {a} {b} {kind.capacitance_f} ic=0")


def _filament(deck: _Deck, a: str, b: str, volts: float, watts: float) -> None:
    """R = R_hot (T/T_hot)^1.2; loss so that I ~ V^0.55; straight wire of the rated surface and resistance."""
    hot_k = 2150 + 150 * math.log(watts)
    area_m2 = watts / (0.25 * 5.670374419e-8 * hot_k**4)
    rho = 5.65e-8 * (hot_k / 300) ** 1.2
    hot_ohm = volts**2 / watts
    # d from R = rho L/(pi d^2/4), L = area/(pi d)
    diameter_m = (4 * rho * area_m2 / (math.pi**2 * hot_ohm)) ** (1 / 3)
    length_m = area_m2 / (math.pi * diameter_m)
    heat = 19300 * 132 * math.pi * diameter_m**2 / 4 * length_m
    conducted = CONDUCTED * watts / (hot_k - AMBIENT_K)
    total = 0.95 ** (1.2 * 1.55 / 0.45)
    share = CONDUCTED * (0.95 * hot_k - AMBIENT_K) / (hot_k - AMBIENT_K)
    slope = CONDUCTED * 0.95 * hot_k / (hot_k - AMBIENT_K)
    exponent = (1.2 * 1.55 / 0.45 * total - slope) / (total - share)
    ambient = (AMBIENT_K / hot_k) ** exponent
    radiated = (1 - CONDUCTED) * watts / (1 - ambient)
    t = f"t{len(deck.lines)}"
    kelvin = f"max(v({t}),10)"
    ohm = f"({hot_ohm:.12g}*({kelvin}/{hot_k:.12g})**1.2)"
    deck.current(a, b, f"v({a},{b})/{ohm}")
    radiation = f"{radiated:.12g}*(({kelvin}/{hot_k:.12g})**{exponent:.12g}-{ambient:.12g})"
    deck.current("0", t, f"v({a},{b})*v({a},{b})/{ohm}-({radiation}+{conducted:.12g}*(v({t})-{AMBIENT_K}))")
    deck.add(f"c{t} {t} 0 {heat:.12g} ic={AMBIENT_K}")


# --- the board ---


def _board(deck: _Deck, scenario: Scenario, switches: Switches, phases: Sequence[Phase]) -> None:
    profile = scenario.profile
    low = [fault.volts for fault in scenario.faults if fault.kind == "low-supply"]
    deck.add(f"vsupply source 0 {low[0] if low else scenario.supply_v}")
    deck.add(f"rsupply source {deck.node('bus')} {scenario.supply_ohm}")
    if switches.reference:
        deck.to_ground("bus", 10.0)
    _limits(deck, phases)
    for pin, channel in profile.channel_of_pin.items():
        _feed(deck, pin, switches.feeds[channel - 1], profile.nominal_v, phased=bool(phases))
    grounds = profile.connector.ground_pins
    for number in grounds:
        deck.resistor(f"socket.{number}", "board return", 1e-6 if len(grounds) == 1 else 0.001)
    if Return.PIN in switches.returns:
        deck.to_ground("board return", 0.005)
    if Return.CHASSIS in switches.returns:
        deck.to_ground(CHASSIS, 0.005 + scenario.clamp_ohm)
    deck.node(CHASSIS)
    for node in list(deck.names.values()):
        deck.add(f"rfloat{node} {node} 0 1e10")


def _limits(deck: _Deck, phases: Sequence[Phase]) -> None:
    if not phases:
        return
    points = [f"0 {phases[0].limit_a}"]
    for before, after in pairwise(phases):
        points += [f"{after.at_s:.9g} {before.limit_a}", f"{after.at_s + 1e-6:.9g} {after.limit_a}"]
    deck.add(f"vmost most 0 pwl({' '.join(points)})")


def _feed(deck: _Deck, pin: int, feed: Feed, nominal_v: int, *, phased: bool) -> None:
    """Pull-down, feed, and a node ``feedN`` whose voltage is the current out of the pin."""
    node, bus = deck.node(f"socket.{pin}"), deck.node("bus")
    deck.to_ground(f"socket.{pin}", 100_000.0)
    if feed.mode is FeedMode.OFF:
        deck.add(f"vfeed{pin} feed{pin} 0 0")
        return
    if feed.mode is FeedMode.DRIVE:
        limit = "v(most)" if phased else f"{feed.limit_a}"
        amps = f"min({limit},({feed.level}*v({bus})-v({node}))/0.01)"
    else:
        ohm = 1000.0 if feed.mode is FeedMode.PROBE else {12: 10.0, 24: 20.0}[nominal_v]
        amps = f"v({bus},{node})/{ohm}"
    deck.current(bus, node, amps)
    deck.add(f"bfeed{pin} feed{pin} 0 v={amps}")


def used_version() -> str:
    """What ``ngspice --version`` calls itself."""
    done = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, check=False)
    found = re.search(r"ngspice-\S+", done.stdout)
    return found.group(0) if found else "ngspice"
