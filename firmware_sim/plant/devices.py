"""The non-linear loads as vectors, linearised for one implicit stage.

Ports are ordered filaments, then piecewise-linear devices (LED lamps, diodes), then control
units. The plant's state is one vector: the voltage of every port, the warmth u of every
filament (the logarithm of its temperature), the current into every port; so a rate, a prediction
or a parabola is one expression.

A stage is implicit in time: its states obey ``x = base + a F(x)``, where ``a`` is a time (the
stage's share of the step). A port's capacitor then looks like a conductance C/a behind the base
voltage, and a filament's warmth can be eliminated port by port.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.profiles.model import ControlUnit as ControlUnitType
from bench.profiles.model import Diode, Filament, Led, LoadType
from firmware_sim.plant.control_unit import ControlUnit
from firmware_sim.plant.filament import KELVIN, RESISTANCE_EXPONENT, FilamentRating, Filaments
from firmware_sim.plant.netlist import Terminal

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

LEAST_UNIT_F = 1e-6  # constant power without any capacitor would have no defined voltage behind a probe
PAST_BREAK_V = 1e-6
REVERSE_SIEMENS = 1e-9  # of a blocked device
HEATING_EXPONENT = 1 + RESISTANCE_EXPONENT  # at a given voltage v^2 g(T)/T falls with it


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """One piece a device: its slope, its current at 0 V when extended, and where it begins and ends."""

    siemens: FloatArray
    at_zero: FloatArray
    low_v: FloatArray
    high_v: FloatArray

    def hold(self, volts: FloatArray) -> bool:
        """Whether all devices are on these pieces at ``volts``."""
        return bool(((volts > self.low_v) & (volts <= self.high_v)).all())


class PiecewiseLinear:
    """Devices whose current is a rising broken line of their voltage.

    Four pieces: blocked below 0 V, leaking to the threshold, a series resistance to the knee,
    regulated above it. ``pieces`` are those last taken: where a solution is looked for first.
    """

    def __init__(self, loads: Sequence[Led | Diode]) -> None:
        self.count = len(loads)
        lines = [_led_line(load) if isinstance(load, Led) else _diode_line(load) for load in loads]
        self.breaks = np.array([line[0] for line in lines], dtype=float).reshape(self.count, 3).T.copy()
        slopes = np.array([line[1] for line in lines], dtype=float).reshape(self.count, 4).T
        # the line's value at v = 0 when each piece is extended: continuous at every break
        steps = (slopes[:-1] - slopes[1:]) * self.breaks
        self._slopes = slopes.copy()
        self._at_zero = np.vstack((np.zeros(self.count), np.cumsum(steps, axis=0)))
        edges = np.full((1, self.count), np.inf)
        self._edges = np.vstack((-edges, self.breaks, edges))
        self._column = np.arange(self.count)
        self.pieces = self._find(np.zeros(self.count))

    def move_to(self, volts: FloatArray) -> bool:
        """Take the pieces that the devices are on at ``volts``; whether they are others than before."""
        if self.pieces.hold(volts):
            return False
        self.pieces = self._find(volts)
        return True

    def _find(self, volts: FloatArray) -> Pieces:
        piece = (volts > self.breaks).sum(axis=0)
        at = (piece, self._column)
        return Pieces(self._slopes[at], self._at_zero[at], self._edges[at], self._edges[piece + 1, self._column])

    def share_to_next_piece(self, volts: FloatArray, step: FloatArray) -> float:
        """How much of ``step`` takes the first device just past a break; 1 when none is reached."""
        distance = self.breaks - volts
        ahead = (distance * step >= 0) & (np.abs(distance) < np.abs(step))
        shares = (np.abs(distance[ahead]) + PAST_BREAK_V) / np.abs(np.broadcast_to(step, distance.shape)[ahead])
        return float(shares.min(initial=1.0))


Line = tuple[tuple[float, float, float], tuple[float, float, float, float]]


def _led_line(led: Led) -> Line:
    series_ohm = max(led.series_ohm, 1e-3)
    knee_v = led.threshold_v + led.current_a * series_ohm
    leak = 1 / led.leak_ohm
    return (0.0, led.threshold_v, knee_v), (REVERSE_SIEMENS, leak, leak + 1 / series_ohm, leak + led.slope_a_per_v)


def _diode_line(diode: Diode) -> Line:
    on = 1 / max(diode.series_ohm, 1e-3)
    return (0.0, diode.forward_v, diode.forward_v + 1.0), (REVERSE_SIEMENS, REVERSE_SIEMENS, on, on)


class Devices:
    """All ports of one harness with one set of parameters."""

    def __init__(self, terminals: Sequence[Terminal], ambient_c: float) -> None:
        ordered = sorted(terminals, key=_order)
        self.nodes = [(terminal.a, terminal.b) for terminal in ordered]
        kinds = [terminal.type for terminal in ordered]
        ratings = [
            FilamentRating(t.type.rated_v, t.type.rated_w, t.mass_factor)
            for t in ordered
            if isinstance(t.type, Filament)
        ]
        self.filaments = Filaments(ratings, ambient_c + KELVIN)
        self.lines = PiecewiseLinear([kind for kind in kinds if isinstance(kind, (Led, Diode))])
        self.unit_types = {t.name: t.type for t in ordered if isinstance(t.type, ControlUnitType)}
        self.count = len(ordered)
        self.first_unit = self.filaments.count + self.lines.count
        self.hot = slice(0, self.filaments.count)  # ports
        self.broken = slice(self.filaments.count, self.first_unit)
        self.volts = slice(0, self.count)  # parts of the state
        self.warmth = slice(self.count, self.count + self.filaments.count)
        self.integrated = slice(0, self.warmth.stop)
        self.amps = slice(self.warmth.stop, self.warmth.stop + self.count)
        self.capacitance_f = np.array([_capacitance_f(kind) for kind in kinds], dtype=float)
        self.has_capacitors = bool(self.capacitance_f.any())
        self.is_capacitor = (self.capacitance_f > 0).astype(float)
        self.identity = np.eye(self.count)
        self.curved = np.ones(self.count)
        self.curved[self.broken] = 0.0

    def at_rest(self) -> FloatArray:
        """The state without any voltage, filaments at ambient."""
        state = np.zeros(self.amps.stop)
        state[self.warmth] = self.filaments.warmth(np.array(self.filaments.ambient_k))
        return state


def _capacitance_f(kind: LoadType) -> float:
    match kind:
        case Led():
            return kind.capacitance_f
        case ControlUnitType():
            return max(kind.capacitance_f, LEAST_UNIT_F)
        case _:
            return 0.0


def _order(terminal: Terminal) -> int:
    match terminal.type:
        case Filament():
            return 0
        case ControlUnitType():
            return 2
        case _:
            return 1


class Stage:
    """Implicit stages of one time share: the devices linearised around (v, u) as currents ``i`` and slopes ``g``."""

    def __init__(self, devices: Devices, units: Mapping[str, ControlUnit], time_share_s: float) -> None:
        self.time_share_s = time_share_s
        self._devices = devices
        self._units = [
            (devices.first_unit + index, units[name], kind)
            for index, (name, kind) in enumerate(devices.unit_types.items())
        ]
        self._inertia_w = devices.filaments.heat_j / time_share_s
        self._companion = devices.capacitance_f / time_share_s
        self.g = np.zeros(devices.count)
        self.i = np.zeros(devices.count)

    def begin_at(self, base: FloatArray) -> None:
        """Take the base of port voltages (used where there is a capacitor) and warmths."""
        self._base_warmth = base[self._devices.warmth]
        self._base_a = self._companion * base[self._devices.volts]

    def linearise(self, v: FloatArray, warmth: FloatArray) -> None:
        """Evaluate all ports at ``v`` and, filaments, ``warmth``."""
        devices = self._devices
        if devices.filaments.count:
            self._linearise_filaments(v[devices.hot], warmth)
        if devices.lines.count:
            pieces, broken = devices.lines.pieces, devices.broken
            siemens = pieces.siemens + self._companion[broken]
            self.g[broken] = siemens
            self.i[broken] = pieces.at_zero - self._base_a[broken] + siemens * v[broken]
        for port, unit, kind in self._units:
            amps, slope = _unit_line(unit, kind, float(v[port]))
            self.i[port] = amps + self._companion[port] * v[port] - self._base_a[port]
            self.g[port] = slope + self._companion[port]

    def _linearise_filaments(self, v: FloatArray, warmth: FloatArray) -> None:
        """Eliminate each warmth from ``heat (u - base) / a = gain(u, v)`` at fixed and at changing v.

        Gains and losses here are powers times T_hot/T. Every numpy call costs more than its arithmetic,
        so terms are gathered to keep them few.
        """
        f, hot = self._devices.filaments, self._devices.hot
        siemens, radiated, colder = f.at(warmth)
        amps = v * siemens
        watts = v * amps * colder
        constant_w = f.constant_w * colder
        stiffness = self._inertia_w + HEATING_EXPONENT * watts + f.gained_exponent * radiated + constant_w
        gain_w = watts - radiated + constant_w - f.conducted_w - self._inertia_w * (warmth - self._base_warmth)
        self._warmth_at_v = gain_w / stiffness
        self._warmth_per_v = 2 * amps * colder / stiffness
        fall = RESISTANCE_EXPONENT * amps  # of the current by warmth
        self.g[hot] = siemens - fall * self._warmth_per_v
        self.i[hot] = amps - fall * self._warmth_at_v

    def warming(self, dv: FloatArray) -> FloatArray:
        """Change of warmth that belongs to voltage changes ``dv`` of all ports."""
        change: FloatArray = self._warmth_at_v + self._warmth_per_v * dv[self._devices.hot]
        return change

    def careful_share(self, v: FloatArray, dv: FloatArray) -> float:
        """How much of a step ``dv`` stays within the first break of any device."""
        lines, broken = self._devices.lines, self._devices.broken
        return lines.share_to_next_piece(v[broken], dv[broken]) if lines.count else 1.0

    def moves_on(self, v: FloatArray) -> bool:
        """Take the pieces of the broken lines at ``v``; whether they are others than those linearised."""
        lines = self._devices.lines
        return bool(lines.count) and lines.move_to(v[self._devices.broken])


def _unit_line(unit: ControlUnit, kind: ControlUnitType, volts: float) -> tuple[float, float]:
    """Current and slope of a control unit; below where it stops its power falls with the square."""
    leak = 1 / kind.leak_ohm
    if volts <= 0:
        return REVERSE_SIEMENS * volts, REVERSE_SIEMENS
    amps, slope = leak * volts, leak
    if unit.running:
        floor = unit.stop_v
        if volts >= floor:
            return amps + unit.power_w / volts + unit.lamp_a, slope - unit.power_w / volts**2
        siemens = unit.power_w / floor**2 + unit.lamp_a / floor
        return amps + siemens * volts, slope + siemens
    return amps, slope
