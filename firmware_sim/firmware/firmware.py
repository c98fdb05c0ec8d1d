"""The running firmware: everything that a restart loses, and the work of one tick.

In each tick, in this order: the plant moves; causes of faults are judged, and a new one turns
everything off; active channels step; valves, a capture of analogue inputs and the wiggle monitor
look; new switch positions go out. A cause is therefore acted upon at the first tick that can see it,
less than one tick later.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from bench.contract.fields import Block, RawValue
from bench.contract.table import (
    BOARD_SETTINGS,
    CALIBRATION,
    CALIBRATION_COMMON,
    COMMAND,
    Capability,
    EventKind,
    Fault,
    Refusal,
)
from firmware_sim.firmware.air import AirPlant, Valves
from firmware_sim.firmware.air_capture import AirCapture
from firmware_sim.firmware.blocks import block_values, far_values, snapshot_values
from firmware_sim.firmware.budget import TICKS_PER_SECOND
from firmware_sim.firmware.calibration import Calibration
from firmware_sim.firmware.capture import Capture
from firmware_sim.firmware.commands import Commands
from firmware_sim.firmware.description import Description
from firmware_sim.firmware.events import EventFifo
from firmware_sim.firmware.faults import Faults, bits, causes_of
from firmware_sim.firmware.history import DEPTH_TICKS, History
from firmware_sim.firmware.host import Host
from firmware_sim.firmware.memory import Memory
from firmware_sim.firmware.monitor import Monitor
from firmware_sim.firmware.outputs import Outputs
from firmware_sim.firmware.sensing import Sensing
from firmware_sim.firmware.settings import BoardSettings, ChannelSettings
from firmware_sim.port import Conditions, FeedMode, Plant, Switches, Truth

SHOT_TICKS = 2
US_PER_TICK = 1000
TRANSITIONS_OF_CONDUCTION = frozenset({EventKind.BROKE, EventKind.MADE, EventKind.SHORT_CLEARED})
SELF_TEST_CURRENT_MA = 200
SELF_TEST_SUPPLY_MV = (5_000, 36_000)
SELF_TEST_BOARD_C = (-40.0, 125.0)


@dataclass(frozen=True, slots=True)
class Hardware:
    """What the firmware runs on; a restart does not touch it."""

    plant: Plant
    sensors: Sensing
    air: AirPlant
    description: Description
    channels: int
    calibration: Calibration


class Firmware:
    """One run of the firmware, from start to restart.

    Args:
        hardware: the board.
        tick: the board's tick at the start; uptime counts from here.
        boots: starts since manufacture, this one included.
    """

    hardware: Hardware
    board_settings: BoardSettings
    host: Host
    faults: Faults
    events: EventFifo
    outputs: Outputs
    valves: Valves
    monitor: Monitor
    capture: Capture | AirCapture
    commands: Commands
    memory: Memory
    truth: Truth
    conditions: Conditions
    history: History
    shot: Sequence[RawValue]
    far_shot: tuple[int, ...]

    def __init__(self, hardware: Hardware, tick: int, boots: int) -> None:
        self.hardware = hardware
        self.tick = tick
        self.boots = boots
        self.restart_wanted = False
        self.board_settings = BoardSettings()
        self.host = Host()
        self.faults = Faults()
        self.events = EventFifo()
        self.outputs = Outputs(hardware.channels, self.log, self._shot)
        self.valves = Valves(hardware.air, self.log)
        self.capture = Capture(hardware.sensors, self.log)
        self.commands = Commands(self)
        self.memory = Memory(hardware.channels, self._values)
        self.snapshots = 0
        self.shots = 0
        self._started_tick = tick
        self._ticks = 0  # length of the present step
        self._self_test_failed = False
        self._switches = Switches(())
        self.apply()
        self.valves.reset()
        self.conditions = hardware.plant.board_conditions()
        hardware.sensors.hold(self.conditions.stuck)
        self.history = History(self.truth)
        self.monitor = Monitor(self.truth, self.log)
        self.shot = (0, *snapshot_values(self, self.truth, 1)[1:])
        self.far_shot = far_values(self, self.truth, 1)
        self.log(EventKind.RESTARTED, 0, boots)
        self._latch(Fault.RESTARTED)

    # --- time ---

    @property
    def uptime_us(self) -> int:
        """Board clock since this start."""
        return (self.tick - self._started_tick) * US_PER_TICK

    def move_plant(self, tick: int) -> None:
        """Let the plant move to ``tick``; a capture takes its samples on the way."""
        plant, until_s = self.hardware.plant, tick / TICKS_PER_SECOND
        currents_a, voltages_v = plant.advance(until_s, *self.capture.asks_for)
        self.hardware.air.advance(until_s)
        self._ticks, self.tick = tick - self.tick, tick
        self.truth = plant.truth()
        self.history.add(self.truth, self._ticks)
        if currents_a and isinstance(self.capture, Capture):
            self.capture.take(currents_a, voltages_v)

    def step(self, conditions: Conditions) -> None:
        """The work of a tick, after the plant has moved."""
        if conditions.stuck != self.conditions.stuck:
            self.hardware.sensors.hold(conditions.stuck)
        self.conditions = conditions
        tick, truth, outputs = self.tick, self.truth, self.outputs
        self._judge()
        if outputs.active:
            outputs.step(truth, tick, self._ticks)
        if self.valves.energised:
            self.valves.step(tick)
        self.capture.look(tick)
        self.monitor.step(truth, outputs.active)
        if outputs.changed:
            self.apply()

    def deadline(self) -> int:
        """Tick of the next step that is due though nothing changes in the plant."""
        outputs, tick = self.outputs, self.tick
        due = min(self.host.deadline(tick), self.valves.deadline(), max(self.capture.due(), tick + 1))
        if outputs.active:
            due = min(due, outputs.deadline(self.truth, tick))
        return due

    def apply(self) -> None:
        """Set the switches as the outputs want them; a capture that waits for one of them begins."""
        before, self._switches = self._switches, self.outputs.take_switches()
        self.hardware.plant.switch(self._switches)
        self.truth = self.hardware.plant.truth()
        if isinstance(self.capture, Capture) and self.capture.waiting and self._begins(before, self.capture.channel):
            self.capture.start(self.uptime_us, self.truth)

    def _begins(self, before: Switches, number: int) -> bool:
        was = before.feeds[number - 1].mode
        return was is FeedMode.OFF and self._switches.feeds[number - 1].mode is not FeedMode.OFF

    # --- faults ---

    def _judge(self) -> None:
        causes = causes_of(
            self.truth,
            self.conditions,
            self.board_settings,
            self.host.look(self.tick),
            self._pressure_pa(),
        )
        if self._self_test_failed:
            causes |= Fault.SELF_TEST.value
        new = self.faults.see(causes)
        if new:
            self._tell_new(new)

    def _pressure_pa(self) -> float:
        """Highest pressure, or 0 while it is known to be below the ceiling."""
        air, ceiling_pa = self.hardware.air, self.board_settings.ceiling_pa
        if not ceiling_pa or air.below_until_s(ceiling_pa) > self.tick / TICKS_PER_SECOND:
            return 0.0
        return air.highest_pressure_pa()

    def _latch(self, fault: Fault) -> None:
        self.faults.latch(fault.value)
        self._tell_new(fault.value)

    def _tell_new(self, faults: int) -> None:
        for fault in bits(faults):
            self.log(EventKind.FAULT_SET, 0, fault)
        self.all_off()

    def all_off(self) -> None:
        """Everything off, both air lines exhausted, disarmed."""
        self.outputs.all_off(self.tick)
        self.valves.all_off()
        self.apply()

    def self_test(self) -> None:
        """Judge what the converters read with everything off; a failure latches SELF_TEST."""
        sensors, truth = self.hardware.sensors, self.truth
        currents = (sensors.current_ma(true_a, n) for n, true_a in enumerate(truth.pin_a, start=1))
        low_mv, high_mv = SELF_TEST_SUPPLY_MV
        low_c, high_c = SELF_TEST_BOARD_C
        sound = (
            all(abs(current) <= SELF_TEST_CURRENT_MA for current in currents)
            and low_mv <= sensors.supply_mv(truth.supply_v) <= high_mv
            and low_c <= self.conditions.board_c <= high_c
        )
        self._self_test_failed = not sound
        self._judge()

    # --- memory ---

    def write(self, block: Block, index: int, raw: Sequence[RawValue]) -> Refusal:
        """Take a write of a whole block."""
        if block in (CALIBRATION, CALIBRATION_COMMON):
            return self._calibrate(block, index, raw)
        values = [int(value) for value in raw]
        if block is COMMAND:
            return self.commands.take(values)
        try:
            if block is BOARD_SETTINGS:
                return self._set_board(BoardSettings.from_raw(values))
            return self._set_channel(
                index, ChannelSettings.from_raw(values, self.hardware.description.largest_current_ma)
            )
        except ValueError:
            return Refusal.BAD_VALUE

    def _calibrate(self, block: Block, index: int, raw: Sequence[RawValue]) -> Refusal:
        hardware = self.hardware
        if Capability.CALIBRATION not in hardware.description.capabilities:
            return Refusal.BAD_VALUE
        if self.outputs.armed:
            return Refusal.OUTPUT_ON
        try:
            if block is CALIBRATION:
                hardware.calibration.set_channel(index, [int(value) for value in raw])
            else:
                hardware.calibration.set_common(raw)
        except ValueError:
            return Refusal.BAD_VALUE
        return Refusal.NONE

    def _set_board(self, settings: BoardSettings) -> Refusal:
        if self.outputs.active:
            return Refusal.OUTPUT_ON
        self.board_settings = settings
        self.host.watchdog_ticks = settings.watchdog_ticks
        return Refusal.NONE

    def _set_channel(self, number: int, settings: ChannelSettings) -> Refusal:
        channel = self.outputs.channel(number)
        if channel.active:
            return Refusal.OUTPUT_ON
        channel.settings = settings
        return Refusal.NONE

    def _values(self, block: Block, index: int) -> Sequence[RawValue]:
        return block_values(self, block, index)

    def log(self, kind: EventKind, index: int, value: int) -> None:
        """Enter an event, stamped with the present tick."""
        self.events.add(self.uptime_us, kind, index, value)
        if kind in TRANSITIONS_OF_CONDUCTION:
            self.monitor.count(index)

    def _shot(self, ticks: int) -> None:
        mean, samples = self.history.mean(min(SHOT_TICKS, max(ticks, 1)))
        self.shots = self.shots + 1 & 0xFFFF
        self.shot = (self.shots, *snapshot_values(self, mean, samples)[1:])
        self.far_shot = far_values(self, mean, samples)

    def latch_snapshot(self) -> Sequence[RawValue]:
        """Raw values of the snapshot block; the host knows the latched faults from here on."""
        self.snapshots = self.snapshots + 1 & 0xFFFF
        self.faults.shown()
        return snapshot_values(self, *self.history.mean(DEPTH_TICKS))
