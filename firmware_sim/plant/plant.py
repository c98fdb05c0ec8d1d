"""The plant: a harness behind the board's sockets, moved by whoever owns time.

The plant looks ahead: it integrates whole steps, which may be much longer than a tick, and
reads values inside them from the step's parabola. A switch inside a step throws the rest away.
A limiter that begins or ends, a control unit that starts or stops, a fault that comes or goes
ends a step where it happens. Once nothing moves, one solution holds until the next event.
"""

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from math import inf
from operator import and_, itemgetter

import numpy as np

from bench.profiles.model import Scenario
from firmware_sim.plant.as_built import build_harness
from firmware_sim.plant.board import BOARD_WARMER_THAN_AIR_K, HOT_BOARD_DEGC
from firmware_sim.plant.configurations import Configurations
from firmware_sim.plant.control_unit import ControlUnit
from firmware_sim.plant.devices import FloatArray
from firmware_sim.plant.fault_schedule import FaultSchedule
from firmware_sim.plant.faults import BoardTrouble, Supply, UnitState
from firmware_sim.plant.integrator import SHORTEST_STEP_S, Integrator
from firmware_sim.plant.network import Observables
from firmware_sim.plant.segment import Segment, crossing, segment_of_step, steady_segment
from firmware_sim.plant.solver import Circuit
from firmware_sim.port import Conditions, Feed, FeedMode, Switches, Truth

STEADY_V_OR_A = 2e-5  # a steady state this near in every observable is taken at once,
STEADY_WARMTH = 2e-4  # when every filament, lit or not, is within this share of its temperature
TRY_STEADY_PER_S = 0.01  # of the temperature; while anything moves faster than this, it is not worth trying
TRY_STEADY_PACE = 1.0  # V/s or A/s of the last step
SHORTEST_TO_CHANGE_S = 1e-9  # so that time goes on; 15 A moves 100 nF by 0.15 V in it
NEARLY_ALL = 0.8  # of an Euler step before a mode change
LIMIT_SLACK_A = 1e-6
MOST_MODE_CHANGES = 32


@dataclass(frozen=True, slots=True)
class LimiterFlip:
    """The limiter of feed ``index`` begins or ends."""

    index: int


@dataclass(frozen=True, slots=True)
class UnitFlip:
    """Control unit ``name`` at device port ``port`` starts or stops."""

    name: str
    port: int


ModeChange = LimiterFlip | UnitFlip


class HarnessPlant:
    """Fulfils :class:`firmware_sim.port.Plant`.

    Raises:
        InputError: a fault names a place that the profile lacks.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.time_s = 0.0
        self._scenario = scenario
        harness = build_harness(scenario)
        self._schedule = FaultSchedule(scenario, harness)
        self._configurations = Configurations(scenario, harness, self._schedule.one_way)
        self._configuration = self._configurations.of(self._schedule.present)
        devices = self._configuration.devices
        self._units = {name: ControlUnit() for name in devices.unit_types}
        self._configure_units(0.0)
        self._state = devices.at_rest()
        self._integrator: Integrator | None = None
        self._segment: Segment | None = None
        self._pending: tuple[ModeChange, ...] = ()
        self._told_segment: Segment | None = None
        self._told: Truth
        self._conditions = self._find_conditions()
        self._limiting: tuple[bool, ...] = ()
        self._use_switches(Switches(tuple(Feed() for _ in range(self._configurations.channels))))

    # --- the port ---

    def switch(self, switches: Switches) -> None:
        """Take new switch positions, effective at ``time_s``.

        Raises:
            ValueError: fewer feeds than the profile's wiring needs.
        """
        if switches is self._switches or switches == self._switches:
            return
        self._stop_at(self.time_s)
        self._use_switches(switches)

    def clip_sense(self, node: str) -> None:
        """Clip the board's sense lead to ``node`` of the harness instead of the frame.

        Raises:
            KeyError: the harness has no such node.
        """
        self._stop_at(self.time_s)
        self._configurations.clip_sense(node)
        self._configuration = self._configurations.of(self._schedule.present)

    def advance(
        self, until_s: float, channel: int = 0, samples: int = 0
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Move to ``until_s``; see :meth:`firmware_sim.port.Plant.advance`."""
        amps: list[float] = []
        volts: list[float] = []
        rows = self._at.pin_a.start + channel - 1, self._at.pin_v.start + channel - 1
        pace_s = (until_s - self.time_s) / max(samples, 1)
        times_s = [self.time_s + pace_s * n for n in range(1, samples)] + [until_s] * (samples > 0)
        while len(amps) < samples:
            done = len(amps)
            segment = self._segment_at(times_s[done])
            inside_s = times_s[done : bisect_left(times_s, segment.end_s, done)]
            more_a, more_v = segment.values(rows, inside_s)
            amps += more_a
            volts += more_v
        self._segment_at(until_s)
        self.time_s = until_s
        return tuple(amps), tuple(volts)

    def truth(self) -> Truth:
        """Values now."""
        segment, at = self._segment_at(self.time_s), self._at
        if segment is self._told_segment and self._told.time_s == self.time_s:
            return self._told
        y = segment.y_at(self.time_s).tolist()
        self._told_segment = segment
        self._told = Truth(
            time_s=self.time_s,
            supply_v=y[at.supply_v],
            supply_a=y[at.supply_a],
            pin_v=tuple(y[at.pin_v]),
            pin_a=tuple(y[at.pin_a]),
            limiting=segment.limiting,
            return_pin_a=y[at.return_pin_a],
            return_chassis_a=y[at.return_chassis_a],
            chassis_sense_v=y[at.chassis_v],
            ground_pin_v=y[at.ground_pin_v],
            reference_a=y[at.reference_a],
        )
        return self._told

    def quiet_until_s(self) -> float:
        """No observable moves by as much as a converter step before this time; ``time_s`` when one does."""
        return self._segment_at(self.time_s).quiet_until_s(self.time_s)

    def board_conditions(self) -> Conditions:
        """Environment of the board now."""
        self._segment_at(self.time_s)
        return self._conditions

    def _find_conditions(self) -> Conditions:
        troubles = {trouble.what for trouble in self._schedule.of(BoardTrouble)}
        ambient_c = self._scenario.ambient_c
        return Conditions(
            emergency_stop="emergency-stop" in troubles,
            ambient_c=ambient_c,
            board_c=HOT_BOARD_DEGC if "hot" in troubles else ambient_c + BOARD_WARMER_THAN_AIR_K,
            restarts=self._schedule.restarts(),
            hung="hung" in troubles,
            stuck=frozenset(what.removeprefix("stuck-") for what in troubles if what.startswith("stuck-")),
        )

    # --- looking ahead ---

    def _segment_at(self, time_s: float) -> Segment:
        segment = self._segment
        while segment is None or time_s >= segment.end_s:
            segment = self._segment = self._next_segment(self.time_s if segment is None else segment.end_s)
        return segment

    def _next_segment(self, start_s: float) -> Segment:
        pending, event = self._pending, start_s >= self._next_event_s()
        if pending or event:
            self._stop_at(start_s)
            self._carry_out(pending, start_s)
            self._meet_events(start_s)
        if self._integrator is None:
            self._integrator = self._begin(start_s)
        end_s = self._next_event_s()
        steady = self._steady_state(self._integrator, start_s)
        if steady is not None:
            circuit = self._integrator.circuit
            return steady_segment(steady, start_s, end_s, circuit, self._limiting)
        return self._step(self._integrator, start_s, end_s)

    def _step(self, integrator: Integrator, start_s: float, end_s: float) -> Segment:
        """One step, cut at its first mode change.

        An Euler step that goes far beyond the change is done again: without an error estimate, what
        the old mode would have come to (a limiter's voltage into a charged capacitor) must not count.
        """
        longest_s = end_s - start_s
        while True:
            step = integrator.step(longest_s)
            segment = segment_of_step(step, start_s, integrator.circuit, self._limiting)
            self._pending = self._end_at_mode_change(segment)
            longest_s = segment.end_s - start_s
            good = step.estimated or longest_s > NEARLY_ALL * step.length_s
            if good or longest_s <= SHORTEST_TO_CHANGE_S:
                break
        integrator.accept(step)
        if not self._pending and segment.end_s > end_s - SHORTEST_STEP_S / 2:
            segment.end_s = end_s
        return segment

    def _stop_at(self, time_s: float) -> None:
        """Keep the states at ``time_s`` and forget everything later."""
        if self._segment is not None:
            self._state = self._segment.state_at(time_s)
        self._segment = self._integrator = None
        self._pending = ()

    def _begin(self, start_s: float) -> Integrator:
        """Start from the kept states; limiters and control units settle at once."""
        for _ in range(MOST_MODE_CHANGES):
            integrator = Integrator(self._circuit(), self._state)
            changes = self._mode_changes(integrator.circuit.observables(integrator.state), integrator.state, start_s)
            if not changes:
                break
            self._carry_out(changes[:1], start_s)
        return integrator

    def _circuit(self) -> Circuit:
        net = self._configuration.reduced(self._switches, self._limiting)
        sources = self._configuration.network.sources(self._supply_v(), self._switches, self._limiting)
        return Circuit(net, net.v_from_s @ sources, net.y_from_s @ sources, self._configuration.devices, self._units)

    def _supply_v(self) -> float:
        lowered = self._schedule.of(Supply)
        return lowered[-1].volts if lowered else self._scenario.supply_v

    def _steady_state(self, integrator: Integrator, time_s: float) -> FloatArray | None:
        """The steady state, when the plant is as good as there."""
        pace = self._segment.pace if self._segment else 0.0
        if integrator.fastest_warming_per_s() > TRY_STEADY_PER_S or pace > TRY_STEADY_PACE:
            return None
        steady = integrator.steady()
        circuit, state = integrator.circuit, integrator.state
        moved, warmth = steady - state, circuit.devices.warmth
        near = float(np.abs(circuit.net.y_from_i @ moved[circuit.devices.amps]).max()) < STEADY_V_OR_A
        near = near and float(np.abs(moved[warmth]).max(initial=0.0)) < STEADY_WARMTH
        return steady if near and not self._mode_changes(circuit.observables(steady), steady, time_s) else None

    # --- events ---

    def _next_event_s(self) -> float:
        return min(self._schedule.next_s, *(unit.next_s for unit in self._units.values()), inf)

    def _meet_events(self, time_s: float) -> None:
        if self._schedule.advance(time_s):
            self._conditions = self._find_conditions()
            self._configuration = self._configurations.of(self._schedule.present)
            self._configure_units(time_s)
        for unit in self._units.values():
            unit.advance(time_s)

    def _configure_units(self, time_s: float) -> None:
        for name, unit in self._units.items():
            faults = [fault for fault in self._schedule.of(UnitState) if fault.load == name]
            code = next((fault.code for fault in faults if fault.code), "")
            lamp_dead = any(fault.lamp_dead for fault in faults)
            unit.configure(self._configuration.devices.unit_types[name], code=code, lamp_dead=lamp_dead, time_s=time_s)

    def _use_switches(self, switches: Switches) -> None:
        if len(switches.feeds) != self._configurations.channels:
            self._configurations.use_channels(len(switches.feeds))
            self._configuration = self._configurations.of(self._schedule.present)
        self._at = Observables(self._configurations.channels)
        driven = [feed.mode is FeedMode.DRIVE for feed in switches.feeds]
        were_limiting = (*self._limiting, *[False] * len(driven))
        self._limiting = tuple(map(and_, driven, were_limiting))
        self._driven = [index for index, is_driven in enumerate(driven) if is_driven]
        self._switches = switches

    # --- modes: limiters and control units ---

    def _mode_changes(self, y: FloatArray, state: FloatArray, time_s: float) -> tuple[ModeChange, ...]:
        """What cannot stay as it is at observables ``y`` and ``state``, which begins with the port voltages."""
        first = self._at.margin_a.start
        changes: list[ModeChange] = [
            LimiterFlip(index)
            for index in self._driven
            if (y[first + index] < -LIMIT_SLACK_A if self._limiting[index] else y[first + index] > LIMIT_SLACK_A)
        ]
        port = self._configuration.devices.first_unit
        changes += [
            UnitFlip(name, port + index)
            for index, (name, unit) in enumerate(self._units.items())
            if unit.wants_switch(float(state[port + index]), time_s)
        ]
        return tuple(changes)

    def _carry_out(self, changes: Iterable[ModeChange], time_s: float) -> None:
        for change in changes:
            if isinstance(change, UnitFlip):
                self._units[change.name].switch(time_s)
            else:
                before = self._limiting
                self._limiting = tuple(not on if index == change.index else on for index, on in enumerate(before))

    def _end_at_mode_change(self, segment: Segment) -> tuple[ModeChange, ...]:
        """Cut the segment where the first limiter or control unit changes; the change waits for its end."""
        changes = self._mode_changes(segment.y.sum(axis=0), segment.state.sum(axis=0), segment.start_s)
        if not changes:
            return ()
        share, first = min(((self._when(change, segment), change) for change in changes), key=itemgetter(0))
        segment.end_s = min(segment.end_s, segment.start_s + max(share * segment.length_s, SHORTEST_TO_CHANGE_S))
        return (first,)

    def _when(self, change: ModeChange, segment: Segment) -> float:
        if isinstance(change, LimiterFlip):
            return crossing(segment.y, self._at.margin_a.start + change.index, 0.0)
        return crossing(segment.state, change.port, self._units[change.name].threshold_v)
