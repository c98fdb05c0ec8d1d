"""The trailer's air as the firmware meets it: valves and set-points in, readings out.

Fulfils :class:`firmware_sim.firmware.air.AirPlant`. The plant looks ahead: it integrates whole steps,
as long as the air allows, and reads states inside them. A valve that moves inside a step throws the
rest away; a fault, a set-point or a modulator that comes or goes ends a step where it happens.

A hand-set regulator has been set to the source's pressure by somebody before the start. An electronic
one begins at 0 and takes a new set-point after ``REGULATOR_DELAY_S``. A trailer on a bench without
valves has its supply tap open and its service line open to the air.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import inf

import numpy as np

from bench.contract.table import Valve
from bench.profiles.air_model import AirFault, AirInput, AirScenario
from bench.profiles.model import Scenario
from firmware_sim.air.as_built import CHAMBER, SERVICE, SUPPLY, build_works, strokes_m
from firmware_sim.air.brakes import Chambers
from firmware_sim.air.dynamics import Dynamics
from firmware_sim.air.flow import ATMOSPHERE_PA, FloatArray
from firmware_sim.air.modulators import Modulators
from firmware_sim.air.motion import Function, Motion, Step
from firmware_sim.air.setting import LINES, Controls, Settings
from firmware_sim.air.transducers import MEAN_S, SAMPLE_S, Transducers

ZERO_C_K = 273.15
REGULATOR_DELAY_S = 0.2
SUPPLY_TAP_OPEN = 1 << Valve.SUPPLY_FILL | 1 << Valve.SUPPLY_EXHAUST
LOOKED_AT = 5  # instants of a step at which its highest pressure is looked at,
LOOK_MARGIN_PA = 2000.0  # and how far it may rise between them


class TrailerAir:
    """A trailer's air system.

    Args:
        scenario: its profile has air.
        modulator_volts: see :func:`firmware_sim.air.build_air_plant`.

    Raises:
        ValueError: its profile has no air.
    """

    def __init__(self, scenario: Scenario, modulator_volts: Callable[[], float] | None = None) -> None:
        profile, played = scenario.profile, scenario.air or AirScenario()
        if profile.air is None:
            raise ValueError("the profile has no air system")
        system = self._system = profile.air
        self.inputs = max((each.number for each in system.inputs), default=0)
        self.valves = len(Valve) if system.valves else 0
        self.regulators = system.valves and system.regulators == "electronic"
        self._delays_s = {each.filter_delay_s for each in system.inputs}
        self.time_s = 0.0
        self._played = played
        self._built_m = strokes_m(system, played, scenario.seed)
        works = build_works(system, played, scenario.seed)
        air_k = scenario.ambient_c + ZERO_C_K
        self._dynamics = Dynamics(works, air_k, played.ambient_drift_k_per_min / 60)
        self._settings = Settings(system, works, air_k)
        self._transducers = Transducers(system.inputs, played, scenario.seed)
        self._modulators = Modulators(system.modulators, len(system.wheel_ends), profile.nominal_v)
        self._modulator_volts = modulator_volts
        begin_pa = 0.0 if self.regulators else played.source_pa
        self._controls = Controls(0 if self.valves else SUPPLY_TAP_OPEN, (begin_pa, begin_pa))
        self._set_points: list[tuple[float, int, float]] = []  # due time, line, gauge pressure
        self._motion = Motion(
            0.0, self._dynamics.rest(played.start_pa + ATMOSPHERE_PA), self._transducers.longest_delay_s
        )
        self._moved_m: dict[str, float] = {}
        self._rates: Function
        self._jacobian: Function
        self._next_s = inf
        self._looked_at: Step | None = None
        self._highest_pa = inf
        self._configure(0.0)

    # --- the port ---

    def warmed_k(self) -> float:
        """By how much the air around has warmed since the start."""
        return self._dynamics.drift_k_per_s * self.time_s

    def switch(self, energised: int) -> None:
        """Take new valve positions; bit n energises valve n."""
        if self.valves and energised != self._controls.energised:
            self._controls = replace(self._controls, energised=energised)
            self._begin_again()

    def regulate(self, line: int, pressure_pa: int) -> None:
        """Set a line's electronic regulator (0 supply, 1 service)."""
        self._set_points.append((self.time_s + REGULATOR_DELAY_S, line, float(pressure_pa)))
        self._begin_again()

    def advance(self, until_s: float) -> None:
        """Move to ``until_s``."""
        self.time_s = until_s
        if self._modulator_volts is not None and self._modulators.see(self._modulator_volts(), until_s):
            self._begin_again()

    def readings(self) -> tuple[int, ...]:
        """Raw values of all six inputs, sensor errors included."""
        seen = {delay_s: self._seen(delay_s + MEAN_S / 2) for delay_s in self._delays_s}
        true = {each.number: self._quantity(each, seen[each.filter_delay_s]) for each in self._system.inputs}
        return self._transducers.read(true, self.time_s, self._present(self.time_s))

    def samples(self, inputs: tuple[int, ...]) -> tuple[int, ...]:
        """Raw values of these inputs at this instant, without the mean of a reading."""
        true = {each.number: self._quantity(each, self._seen(each.filter_delay_s)) for each in self._system.inputs}
        raw = self._transducers.read(true, self.time_s, self._present(self.time_s), SAMPLE_S)
        return tuple(raw[number - 1] for number in inputs)

    def highest_pressure_pa(self) -> float:
        """Higher of the two couplings' gauge pressures now."""
        return self._highest(self.state())

    def below_until_s(self, pressure_pa: float) -> float:
        """Neither coupling passes this gauge pressure before this time; ``time_s`` when one may any moment."""
        step = self._step_beyond(self.time_s)
        if step is not self._looked_at:  # a firmware asks at every tick, a step lasts many
            instants = np.linspace(max(step.start_s, 0.0), step.end_s, LOOKED_AT).tolist()
            self._looked_at, self._highest_pa = step, max(self._highest(step.at(time_s)) for time_s in instants)
        return step.end_s if self._highest_pa + LOOK_MARGIN_PA < pressure_pa else self.time_s

    # --- true values ---

    def state(self, time_s: float | None = None) -> FloatArray:
        """State now, or at an earlier time not longer ago than the inputs look back; see ``dynamics``."""
        time_s = self.time_s if time_s is None else time_s
        while self._motion.end_s < time_s:
            self._extend()
        return self._motion.at(time_s)

    def gauge_pa(self, volume: int) -> float:
        """Gauge pressure now of a volume of ``as_built``."""
        return float(self.state()[volume]) - ATMOSPHERE_PA

    def equations(self) -> tuple[Function, Function, FloatArray]:
        """Right-hand side, its Jacobian and the state, as they are now: for other integrators."""
        return self._rates, self._jacobian, self.state()

    def drained_m3(self, place: str) -> float:
        """Volume that a leak at ``place`` drains; see :func:`firmware_sim.air.setting.drained_m3`."""
        return self._settings.drained_m3[place]

    def _seen(self, ago_s: float) -> FloatArray:
        """State so long ago; the middle of a reading's 10 ms stands for their mean."""
        return self.state(max(self.time_s - ago_s, 0.0))

    def _quantity(self, wired: AirInput, state: FloatArray) -> float:
        """Gauge Pa, um or mK."""
        if wired.quantity == "tank-skin":
            return float(state[-1]) * 1000
        if wired.quantity in LINES:
            return float(state[(SUPPLY, SERVICE)[LINES.index(wired.quantity)]]) - ATMOSPHERE_PA
        position = [end.name for end in self._system.wheel_ends].index(wired.wheel_end or "")
        gauge_pa = state[CHAMBER : self._dynamics.n] - ATMOSPHERE_PA
        if wired.quantity == "chamber":
            return float(gauge_pa[position])
        return float(self._dynamics.chambers.stroke_m(gauge_pa)[position]) * 1e6

    def _highest(self, state: FloatArray) -> float:
        return max(float(state[SUPPLY]), float(state[SERVICE])) - ATMOSPHERE_PA

    # --- looking ahead ---

    def _step_beyond(self, time_s: float) -> Step:
        while self._motion.end_s <= time_s:
            self._extend()
        return self._motion.last

    def _extend(self) -> None:
        if self._motion.end_s >= self._next_s:
            self._configure(self._motion.end_s)
        self._motion.extend(self._rates, self._jacobian, self._next_s)

    def _begin_again(self) -> None:
        """Something changed now: what was foreseen no longer holds."""
        self.state()
        self._configure(self.time_s)

    def _configure(self, time_s: float) -> None:
        """Take the setting that holds from ``time_s`` until the next event."""
        self._take_due_set_points(time_s)
        present = self._present(time_s)
        self._motion.restart(time_s)
        self._fit_brakes(present)
        controls = replace(self._controls, pulsed=self._modulators.pulsed(time_s))
        setting = self._settings.of(controls, present)
        self._rates = partial(self._dynamics.rates, setting=setting)
        self._jacobian = partial(self._dynamics.jacobian, setting=setting)
        self._next_s = min((each for each in self._event_times_s() if each > time_s), default=inf)

    def _event_times_s(self) -> list[float]:
        faults = self._played.faults
        begins = [fault.at_s for fault in faults]
        ends = [fault.until_s for fault in faults if fault.until_s is not None]
        return begins + ends + [due_s for due_s, _, _ in self._set_points] + self._modulators.times_s()

    def _take_due_set_points(self, time_s: float) -> None:
        regulated_pa = list(self._controls.regulated_pa)
        for due_s, line, pressure_pa in self._set_points:
            if due_s <= time_s:
                regulated_pa[line] = pressure_pa
        self._set_points = [each for each in self._set_points if each[0] > time_s]
        self._controls = replace(self._controls, regulated_pa=(regulated_pa[0], regulated_pa[1]))

    def _present(self, time_s: float) -> list[AirFault]:
        return [
            fault
            for fault in self._played.faults
            if fault.at_s <= time_s and (fault.until_s is None or time_s < fault.until_s)
        ]

    def _fit_brakes(self, present: list[AirFault]) -> None:
        """Strokes as they are now; a brake that moves while pressed keeps its pressure and temperature."""
        moved_m = {fault.place: fault.value or 0.0 for fault in present if fault.kind == "stroke"}
        if moved_m != self._moved_m:
            self._moved_m = moved_m
            chambers = Chambers.of(self._system.wheel_ends, list((self._built_m | moved_m).values()))
            self._motion.change(partial(self._dynamics.refit, chambers))
