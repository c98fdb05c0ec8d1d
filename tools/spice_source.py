"""True values from ngspice: the same harness written as a netlist, with lamps of its own.

Nothing of the physics is shared with the simulated plant or with the inference. Filaments are two
behavioural sources: a resistance that follows tungsten's tabled resistivity, and a
temperature node whose heat is the electrical power less radiation and conduction. How much is
conducted, and how hot a lamp is run, is drawn for every lamp. Driven readings are operating
points, probes and pulses transients of a few milliseconds from ambient.
"""

import re
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import exp, inf
from pathlib import Path
from random import Random

from bench.electrical.plan import plan
from bench.profiles.model import (
    CHASSIS,
    COPPER_OHM_MM2_PER_M,
    COPPER_PER_K,
    ControlUnit,
    Diode,
    Filament,
    InjectedFault,
    Joint,
    Led,
    Load,
    Resistor,
    ReturnName,
    Scenario,
    Segment,
    pin_node,
)
from tools.measure import Truths

OFF_OHM = 1e9
RETURN_OHM, SWITCH_OHM, PULL_DOWN_OHM, PROBE_OHM = 0.005, 0.010, 100_000.0, 1000.0
LOCKOUT_WIDTH_V = 0.05  # a corner that a solver can walk round
_Setting = tuple[str, ReturnName, tuple[int, ...]]
COLD_S = {"probe": 0.005, "pulse": 0.004}
_VALUE = re.compile(r"^(\S+)\s*=\s*(\S+)\s*$")


def tungsten_ohm_cm(kelvin: float) -> float:
    """Resistivity in micro-ohm centimetre: parabola through Jones and Langmuir's 300, 1000 and 2500 K values."""
    return 5.65 + 0.027543 * (kelvin - 300) + 2.3229e-6 * (kelvin - 300) * (kelvin - 1000)


def _resistivity(node: str) -> str:
    t = f"(1000*max(V({node}),0.2))"
    return f"(5.65+0.027543*({t}-300)+2.3229e-6*({t}-300)*({t}-1000))"


@dataclass
class _Deck:
    """Netlist lines and the node numbers of names."""

    lines: list[str] = field(default_factory=list)
    nodes: dict[str, int] = field(default_factory=dict)

    def node(self, name: str) -> str:
        return f"n{self.nodes.setdefault(name, len(self.nodes) + 1)}"

    def add(self, text: str) -> None:
        self.lines.append(text)

    def resistor(self, a: str, b: str, ohm: float) -> None:
        self.add(f"R{len(self.lines)} {self.node(a)} {self.node(b)} {max(ohm, 1e-6):.9g}")


class SpiceSource:
    """A scenario's harness, drawn once, solved by ngspice for each setting."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.profile = scenario.profile
        self._rng = Random(f"spice {scenario.seed}")
        self._deck = _Deck()
        self._series = {f.place: f for f in scenario.faults if f.kind in _SERIES_OHM}
        self._paths = [f for f in scenario.faults if f.kind in _PATH_OHM]
        self._points: dict[tuple[str, float], str] = {}
        self._known: dict[_Setting, Truths] = {}
        self._supply_v = next(
            (f.volts or 0.85 * 12 for f in scenario.faults if f.kind == "low-supply"), scenario.supply_v
        )
        self._write()

    # --- the harness ---

    def _write(self) -> None:
        ambient_k = self.scenario.ambient_c + 273.15
        self._deck.add(f"Vamb namb 0 {ambient_k / 1000:.9g}")
        warm = 1 + COPPER_PER_K * (
            self.scenario.ambient_c + self._draw(self.profile.tolerances.wire_temperature_k) - 20.0
        )
        for segment in self.profile.segments:
            length = segment.length_m * (1 + self._draw(self.profile.tolerances.length))
            self._element(segment, COPPER_OHM_MM2_PER_M * length / segment.area_mm2 * warm)
        for joint in self.profile.joints:
            self._element(joint, joint.resistance_ohm * exp(self._draw(self.profile.tolerances.joint_resistance)))
        for number, load in enumerate(self.profile.loads):
            self._load(number, load)
        for fault in self._paths:
            self._path(fault)

    def _draw(self, two_sigma: float) -> float:
        return max(-3.0, min(3.0, self._rng.gauss(0, 1))) * two_sigma / 2 * self.scenario.spread

    def _element(self, element: Segment | Joint, ohm: float) -> None:
        """One resistance, cut where faults sit."""
        series = self._series.get(element.name)
        cuts = sorted(
            {round(f.position, 9) for f in self._paths if element.name in (f.place, f.other)}
            if isinstance(element, Segment)
            else set()
        )
        last, done = element.a, 0.0
        for cut in cuts:
            here = f"{element.name}@{cut}"
            self._points[(element.name, cut)] = here
            self._deck.resistor(last, here, ohm * (cut - done))
            last, done = here, cut
        rest = ohm * (1 - done)
        self._deck.resistor(last, element.b, rest + (_ohm(series) if series else 0.0))

    def _load(self, number: int, load: Load) -> None:
        factor = max(0.05, 1 + self._draw(load.tolerance))
        for fault in self.scenario.faults:
            if fault.place == load.name and fault.kind == "wrong-load":
                factor *= fault.factor if fault.factor is not None else 2.0
            if fault.place == load.name and fault.kind == "lamp-out":
                return
        a, b = self._deck.node(load.a), self._deck.node(load.b)
        match load.type:
            case Filament():
                self._filament(number, load.type, a, b, factor)
            case Led() as led:
                over = f"(V({a},{b})-{led.threshold_v})"
                series, limit_a = led.series_ohm / factor, led.current_a * factor
                knee = f"{limit_a:.9g}+{led.slope_a_per_v:.9g}*({over}-{led.current_a * led.series_ohm:.9g})"
                leak = f"max(V({a},{b}),0)/{led.leak_ohm}"
                self._deck.add(f"Bled{number} {a} {b} I={leak}+max(0,min({over}/{series:.9g},{knee}))")
            case ControlUnit() as unit:
                power = unit.power_w * factor
                over = f"(V({a},{b})-{unit.lockout_v})/{LOCKOUT_WIDTH_V}"
                live = f"{power:.9g}/max(V({a},{b}),1)/(1+exp(-min(max({over},-40),40)))"
                self._deck.add(f"Bunit{number} {a} {b} I=V(awake)*{live}+V({a},{b})/{unit.leak_ohm}")
            case Resistor(ohm):
                self._deck.add(f"Rload{number} {a} {b} {ohm / factor:.9g}")
            case Diode(forward_v, series_ohm):
                self._deck.add(f"Bd{number} {a} {b} I=max(0,(V({a},{b})-{forward_v})/{series_ohm})")

    def _filament(self, number: int, lamp: Filament, a: str, b: str, factor: float) -> None:
        """Resistance and heat of one filament; the temperature node is in thousands of kelvin."""
        watts = lamp.rated_w * factor
        hot_k = max(1900.0, 2480.0 + 120.0 * (self._rng.gauss(0, 1) + (1.0 if watts > 15 else -0.5)))
        conducted = min(max(self._rng.gauss(0.08, 0.04), 0.01), 0.2)
        hot_ohm = lamp.rated_v**2 / watts
        heat, t = self._deck.node(f"heat {number}"), f"max(V({self._deck.node(f'heat {number}')}),0.2)"
        ohm = f"({hot_ohm / tungsten_ohm_cm(hot_k):.9g}*{_resistivity(heat)})"
        radiated = (4.133 - conducted) / (1 - conducted)
        ambient = (self.scenario.ambient_c + 273.15) / 1000
        glow = f"(({t}/{hot_k / 1000:.9g})^{radiated:.6g}-{(ambient / hot_k * 1000) ** radiated:.9g})"
        drift = f"({t}-{ambient:.9g})/{hot_k / 1000 - ambient:.9g}"
        self._deck.add(f"Bfil{number} {a} {b} I=V({a},{b})/{ohm}")
        loss = f"{watts * (1 - conducted):.9g}*{glow}+{watts * conducted:.9g}*{drift}"
        self._deck.add(f"Bheat{number} 0 {heat} I=V({a},{b})^2/{ohm}-({loss})")
        joules = _heat_j_per_k(hot_k, hot_ohm, watts) * max(0.5, 1 + self._draw(0.15))
        self._deck.add(f"Cheat{number} {heat} 0 {joules * 1000:.6g} IC={ambient:.9g}")

    def _path(self, fault: InjectedFault) -> None:
        a, ohm = self._place(fault.place, fault.position), _ohm(fault)
        if fault.kind == "short-to-supply":
            self._deck.add(
                f"Vforeign{len(self._deck.lines)} {self._deck.node('foreign')} 0 {fault.volts or self._supply_v}"
            )
            self._deck.resistor("foreign", a, ohm)
            return
        load = next((one for one in self.profile.loads if one.name == fault.place), None)
        b = self._place(fault.other, fault.position) if fault.other else (load.b if load else CHASSIS)
        if fault.kind == "back-feed":
            na, nb = self._deck.node(a), self._deck.node(b)
            self._deck.add(f"Bback{len(self._deck.lines)} {na} {nb} I=max(0,(V({na},{nb})-0.6)/{ohm + 0.05})")
        else:
            self._deck.resistor(a, b, ohm)

    def _place(self, place: str, position: float) -> str:
        cut = self._points.get((place, round(position, 9)))
        if cut is not None:
            return cut
        ends = {one.name: one.a for one in self.profile.joints} | {one.name: one.a for one in self.profile.loads}
        return ends.get(place, place)

    # --- the board ---

    def take(self, how: str, returns: ReturnName, driven: Sequence[int]) -> Truths:
        """What this setting reads; the whole plan is solved in one run of ngspice when the first is asked for."""
        setting = (how, returns, tuple(driven))
        if setting not in self._known:
            planned = [(step.how, step.returns, step.driven) for step in plan(self.profile)]
            wanted = list(dict.fromkeys([setting, *planned] if not self._known else [setting]))
            self._known |= dict(zip(wanted, self._solve(wanted), strict=True))
        return self._known[setting]

    def _solve(self, settings: Sequence[_Setting]) -> list[Truths]:
        control = [line for setting in settings for line in self._one(setting)]
        deck = ["harness", *self._deck.lines, *self._board(), *self._options()]
        text = "\n".join([*deck, ".control", "set numdgt=9", *control, "quit", ".endc", ".end"])
        return [self._truths(values, setting) for values, setting in zip(_run(text), settings, strict=True)]

    def _truths(self, values: dict[str, float], setting: _Setting) -> Truths:
        driven = setting[2]
        amps = {pin: values[f"i(vm{pin})"] if pin in driven else 0.0 for pin in self.profile.channel_of_pin}
        return Truths(
            {pin: values[f"v(b{pin})"] for pin in self.profile.channel_of_pin},
            amps,
            {"pin": values["i(vpin)"], "chassis": values["i(vchassis)"]},
            values[f"v({self._deck.node(CHASSIS)})"],
            values["v(bus)"],
            limited=any(abs(amps[pin]) > 15.0 for pin in driven),
        )

    def _board(self) -> list[str]:
        """Everything between supply and plug, all of it off."""
        ground, chassis = self._deck.node("board ground bar"), self._deck.node(CHASSIS)
        lines = [
            f"Vsupply ideal 0 {self._supply_v}",
            f"Rsupply ideal bus {self.scenario.supply_ohm}",
            "Vawake awake 0 0",
            f"Vpin {ground} retpin 0",
            f"Rpin retpin 0 {OFF_OHM}",
            f"Vchassis {chassis} retch 0",
            f"Rchassis retch 0 {OFF_OHM}",
        ]
        for pin in self.profile.channel_of_pin:
            lines += [f"Vm{pin} bus m{pin} 0", f"Rm{pin} m{pin} b{pin} {OFF_OHM}", f"Rpd{pin} b{pin} 0 {PULL_DOWN_OHM}"]
            lines.append(f"Rb{pin} b{pin} {self._deck.node(pin_node(pin))} {self._pin_ohm(pin)}")
        for pin in self.profile.connector.ground_pins:
            lines.append(f"Rg{pin} {self._deck.node(pin_node(pin))} {ground} {self._pin_ohm(pin)}")
        plain = [n for name, n in self._deck.nodes.items() if not name.startswith("heat ")]
        # A little capacitance at every node keeps the transient going where a lamp switches.
        small = [line for n in plain for line in (f"Rfl{n} n{n} 0 1e9", f"Cfl{n} n{n} 0 20p IC=0")]
        return [*lines, *small]

    def _pin_ohm(self, pin: int) -> float:
        fault = self._series.get(pin_node(pin))
        return 1e-6 + (_ohm(fault) if fault else 0.0)

    def _options(self) -> list[str]:
        heats = " ".join(f"v({node})=0.293" for node in self._heats())
        return [".options reltol=1e-5 abstol=1e-9 gmin=1e-12 itl1=2000 noacct", f".nodeset {heats}" if heats else "*"]

    def _heats(self) -> list[str]:
        return [f"n{number}" for name, number in self._deck.nodes.items() if name.startswith("heat ")]

    def _one(self, setting: _Setting) -> list[str]:
        """Control lines that set the switches, solve and print."""
        how, returns, driven = setting
        pulse = 10.0 if self.profile.nominal_v == 12 else 20.0
        feed = {"probe": PROBE_OHM, "pulse": pulse, "drive": SWITCH_OHM}[how]
        switches = {f"rm{pin}": feed if pin in driven else OFF_OHM for pin in self.profile.channel_of_pin}
        switches["rpin"] = RETURN_OHM if returns in ("pin", "both") else OFF_OHM
        switches["rchassis"] = RETURN_OHM + self.scenario.clamp_ohm if returns in ("chassis", "both") else OFF_OHM
        lines = [f"alter {name} = {ohm:.9g}" for name, ohm in switches.items()]
        lines.append(f"alter vawake = {1 if how == 'drive' else 0}")
        lines.append("op" if how == "drive" else f"tran {COLD_S[how] / 40:.6g} {COLD_S[how]:.6g} uic")
        lines.append("echo reading")
        last = "" if how == "drive" else "[length(time)-1]"
        return [*lines, *(f"print {one}{last}" for one in self._wanted())]

    def _wanted(self) -> list[str]:
        pins = [name for pin in self.profile.channel_of_pin for name in (f"v(b{pin})", f"i(vm{pin})")]
        return [*pins, "i(vpin)", "i(vchassis)", f"v({self._deck.node(CHASSIS)})", "v(bus)"]


_SERIES_OHM = {
    "open": OFF_OHM, "ground-open": OFF_OHM, "high-resistance": 1.0, "ground-high-resistance": 0.5, "abs-supply": 10.0,
}  # fmt: skip
_PATH_OHM = {
    "short-to-ground": 0.05,
    "overload": 0.75,
    "cross-connection": 0.05,
    "back-feed": 0.1,
    "short-to-supply": 0.05,
}


def _ohm(fault: InjectedFault) -> float:
    if fault.ohm is not None:
        return fault.ohm
    return _SERIES_OHM.get(fault.kind, _PATH_OHM.get(fault.kind, inf))


def _heat_j_per_k(hot_k: float, hot_ohm: float, watts: float) -> float:
    """Of a straight wire of tungsten that radiates ``watts`` (emissivity 0.28) with resistance ``hot_ohm``."""
    surface = watts / (0.28 * 5.67e-8 * hot_k**4)
    diameter = (4 * tungsten_ohm_cm(hot_k) * 1e-8 * surface / (9.8696 * hot_ohm)) ** (1 / 3)
    return float(19_300 * 134 * surface * diameter / 4)


def _run(deck: str) -> list[dict[str, float]]:
    """Node voltages and branch currents that the deck prints after each ``reading``.

    Raises:
        RuntimeError: ngspice did not print them all.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "harness.cir"
        path.write_text(deck, encoding="ascii", errors="replace")
        done = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=300, check=False)
    readings: list[dict[str, float]] = []
    for line in done.stdout.splitlines():
        found = _VALUE.match(line.strip())
        if line.strip() == "reading":
            readings.append({})
        elif found and readings:
            readings[-1][found[1].split("[")[0].lower()] = float(found[2])
    if not readings or any("v(bus)" not in one for one in readings):
        raise RuntimeError(f"ngspice gave no answer: {(done.stderr or done.stdout)[-500:]}")
    return readings
