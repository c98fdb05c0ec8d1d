"""Commands: who may, what must hold before, and what is done.

The checks run in one order for every command, and the first that fails is the answer: known code,
arguments in range, claim, capability, then what any output needs, then the command's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from bench.contract.table import (
    COMMAND_BY_CODE,
    FAR_GROUND_BIT,
    Capability,
    ChannelState,
    Command,
    CommandCode,
    EventKind,
    Fault,
    Refusal,
    Return,
)
from firmware_sim.firmware.air_capture import AirCapture
from firmware_sim.firmware.capture import FASTEST_HZ, LONGEST_SAMPLES, Capture
from firmware_sim.firmware.channel import Channel
from firmware_sim.firmware.faults import bits

if TYPE_CHECKING:
    from firmware_sim.firmware.firmware import Firmware

_NEEDS = {
    CommandCode.PROBE: Capability.PROBE,
    CommandCode.PULSE: Capability.COLD_PULSE,
    CommandCode.DRIVE: Capability.CURRENT_LIMIT,
    CommandCode.WIGGLE: Capability.WIGGLE_MONITOR,
    CommandCode.CAPTURE: Capability.CAPTURE,
    CommandCode.AIR_CAPTURE: Capability.AIR_CAPTURE,
    CommandCode.RETURNS: Capability.RETURN_SWITCHES,
    CommandCode.REFERENCE: Capability.REFERENCE_RESISTOR,
    CommandCode.FAR: Capability.FAR_SOCKET,
    CommandCode.VALVE: Capability.AIR,
    CommandCode.REGULATE: Capability.REGULATOR,
}
_ON_ARGUMENT = {  # these switch off when this argument is 0, and off is always allowed
    CommandCode.RETURNS: 0,
    CommandCode.REFERENCE: 0,
    CommandCode.FAR: 0,
    CommandCode.VALVE: 1,
    CommandCode.REGULATE: 1,
}


class Commands:
    """Takes commands from the command block, one at a time."""

    def __init__(self, firmware: Firmware) -> None:
        self._firmware = firmware
        self._last: tuple[int, ...] | None = None
        self.sequence = 0
        self.result = Refusal.NONE

    @property
    def last(self) -> tuple[int, ...]:
        """The six values of the last command; zeros before the first."""
        return self._last or (0,) * 6

    def take(self, raw: Sequence[int]) -> Refusal:
        """Carry out a command, once: the same six values right again get the same answer."""
        if tuple(raw) == self._last:
            return self.result
        sequence, key, code, *arguments = self._last = tuple(raw)
        self.sequence = sequence
        self.result = self._carry_out(key, code, arguments) if sequence else Refusal.BAD_VALUE
        firmware = self._firmware
        if firmware.outputs.changed:
            firmware.apply()
        return self.result

    def _carry_out(self, key: int, code: int, arguments: Sequence[int]) -> Refusal:
        command = COMMAND_BY_CODE.get(code)  # type: ignore[call-overload]
        if command is None:
            return Refusal.UNKNOWN_COMMAND
        if command.code is CommandCode.CLAIM:
            return self._firmware.host.claim(key)
        refusal = self._judge(command, key, arguments)
        if refusal is not Refusal.NONE:
            return refusal
        return _HANDLERS[command.code](self, *arguments[: len(command.arguments)])

    # --- what must hold ---

    def _judge(self, command: Command, key: int, arguments: Sequence[int]) -> Refusal:
        if not self._in_range(command, arguments):
            return Refusal.BAD_VALUE
        if not command.anyone and (refusal := self._firmware.host.judge(key)):
            return refusal
        hardware = self._firmware.hardware
        need, able = _NEEDS.get(command.code), hardware.description.can(hardware.air)
        fused = command.code is CommandCode.DRIVE and Capability.FIXED_FUSE in able
        if need is not None and need not in able and not fused:
            return Refusal.NOT_CAPABLE
        if command.switches_on and arguments[_ON_ARGUMENT.get(command.code, 0)]:
            return self._may_switch_on(armed=True)
        return Refusal.NONE

    def _in_range(self, command: Command, arguments: Sequence[int]) -> bool:
        channels = self._firmware.hardware.channels
        for argument, value in zip(command.arguments, arguments, strict=False):
            high = channels if argument.kind == "channel" else argument.high
            if not argument.low <= value <= high:
                return False
        return True

    def _may_switch_on(self, *, armed: bool) -> Refusal:
        firmware = self._firmware
        if firmware.faults.latched:
            return Refusal.FAULT_LATCHED
        if not firmware.host.watching:
            return Refusal.NO_WATCHDOG
        if firmware.board_settings.window is None:
            return Refusal.NO_LIMITS
        return Refusal.NOT_ARMED if armed and not firmware.outputs.armed else Refusal.NONE

    def _may_feed(self, channel: Channel, *, budget: bool) -> Refusal:
        if not channel.settings.are_set:
            return Refusal.NO_LIMITS
        if channel.state is ChannelState.TRIPPED:
            return Refusal.CHANNEL_TRIPPED
        if channel.state is not ChannelState.OFF:
            return Refusal.BUSY
        if budget and channel.budget_used(self._firmware.tick):
            return Refusal.BUDGET_USED
        return Refusal.NONE

    # --- what is done ---

    def _release(self) -> Refusal:
        self._firmware.host.release()
        self._firmware.all_off()
        return Refusal.NONE

    def _kick(self) -> Refusal:
        self._firmware.host.kick(self._firmware.tick)
        self._firmware.faults.over(Fault.HOST_SILENT.value)
        return Refusal.NONE

    def _arm(self) -> Refusal:
        refusal = self._may_switch_on(armed=False)
        if refusal is Refusal.NONE:
            self._firmware.outputs.arm(self._firmware.tick)
        return refusal

    def _safe(self) -> Refusal:
        self._firmware.all_off()
        return Refusal.NONE

    def _clear(self, faults: int) -> Refusal:
        refusal = self._firmware.faults.clear(faults)
        if refusal is Refusal.NONE:
            for fault in bits(faults):
                self._firmware.log(EventKind.FAULT_CLEARED, 0, fault)
        return refusal

    def _returns(self, returns: int) -> Refusal:
        self._firmware.outputs.set_returns(Return(returns))
        return Refusal.NONE

    def _drive(self, number: int, level: int) -> Refusal:
        channel = self._firmware.outputs.channel(number)
        if channel.state is not ChannelState.ON and (refusal := self._may_feed(channel, budget=True)):
            return refusal
        channel.drive(self._firmware.tick, level / 1000)
        self._firmware.outputs.refresh()
        return Refusal.NONE

    def _off(self, mask: int) -> Refusal:
        self._firmware.outputs.off(mask, self._firmware.tick)
        return Refusal.NONE

    def _probe(self, number: int, ticks: int) -> Refusal:
        return self._through_resistor(number, budget=False, feed=lambda c, tick: c.probe(tick, ticks))

    def _pulse(self, number: int, ticks: int) -> Refusal:
        return self._through_resistor(number, budget=True, feed=lambda c, tick: c.pulse(tick, ticks))

    def _wiggle(self, number: int) -> Refusal:
        if not self._firmware.outputs.channel(number).settings.wiggle_is_set:
            return Refusal.NO_LIMITS
        return self._through_resistor(number, budget=True, feed=lambda c, tick: c.wiggle(tick))

    def _through_resistor(self, number: int, *, budget: bool, feed: Callable[[Channel, int], None]) -> Refusal:
        outputs = self._firmware.outputs
        channel = outputs.channel(number)
        refusal = self._may_feed(channel, budget=budget)
        if refusal is not Refusal.NONE:
            return refusal
        if outputs.probing:
            return Refusal.BUSY
        feed(channel, self._firmware.tick)
        outputs.refresh()
        return Refusal.NONE

    def _capture(self, number: int, rate_hz: int, samples: int) -> Refusal:
        if rate_hz > FASTEST_HZ or samples > LONGEST_SAMPLES:
            return Refusal.BAD_VALUE
        firmware = self._firmware
        firmware.capture = Capture(firmware.hardware.sensors, firmware.log, number, rate_hz, samples)
        return Refusal.NONE

    def _air_capture(self, mask: int, rate_hz: int, samples: int) -> Refusal:
        firmware = self._firmware
        air = firmware.hardware.air
        if samples > LONGEST_SAMPLES or samples % mask.bit_count() or mask.bit_length() > air.inputs:
            return Refusal.BAD_VALUE
        capture = AirCapture(air, firmware.log, mask, rate_hz, samples, firmware.uptime_us)
        firmware.capture = capture
        capture.begin(firmware.tick)
        return Refusal.NONE

    def _acknowledge(self, position: int) -> Refusal:
        return Refusal.NONE if self._firmware.events.acknowledge(position) else Refusal.BAD_VALUE

    def _extremes(self) -> Refusal:
        self._firmware.monitor.reset(self._firmware.truth)
        return Refusal.NONE

    def _reference(self, on: int) -> Refusal:
        self._firmware.outputs.set_reference(bool(on))
        return Refusal.NONE

    def _far(self, pins: int) -> Refusal:
        channels = pins & (FAR_GROUND_BIT - 1)
        if channels >> self._firmware.hardware.channels:
            return Refusal.BAD_VALUE
        self._firmware.outputs.join_far(pins)
        return Refusal.NONE

    def _valve(self, valve: int, energise: int, longest: int) -> Refusal:
        firmware = self._firmware
        if valve >= firmware.hardware.air.valves or (energise and not longest):
            return Refusal.BAD_VALUE
        if energise and not firmware.board_settings.ceiling_pa:
            return Refusal.NO_LIMITS
        firmware.valves.set(valve, bool(energise), firmware.tick + longest)
        return Refusal.NONE

    def _regulate(self, line: int, pressure_pa: int) -> Refusal:
        firmware = self._firmware
        if pressure_pa > firmware.board_settings.ceiling_pa:
            return Refusal.BAD_VALUE
        firmware.valves.regulate(line, pressure_pa)
        return Refusal.NONE

    def _self_test(self) -> Refusal:
        outputs = self._firmware.outputs
        if outputs.active or outputs.reference:
            return Refusal.BUSY
        self._firmware.self_test()
        return Refusal.NONE

    def _restart(self) -> Refusal:
        self._firmware.all_off()
        self._firmware.restart_wanted = True
        return Refusal.NONE


_HANDLERS: dict[CommandCode, Callable[..., Refusal]] = {
    CommandCode.RELEASE: Commands._release,
    CommandCode.KICK: Commands._kick,
    CommandCode.ARM: Commands._arm,
    CommandCode.SAFE: Commands._safe,
    CommandCode.CLEAR: Commands._clear,
    CommandCode.RETURNS: Commands._returns,
    CommandCode.DRIVE: Commands._drive,
    CommandCode.OFF: Commands._off,
    CommandCode.PROBE: Commands._probe,
    CommandCode.PULSE: Commands._pulse,
    CommandCode.WIGGLE: Commands._wiggle,
    CommandCode.CAPTURE: Commands._capture,
    CommandCode.AIR_CAPTURE: Commands._air_capture,
    CommandCode.ACKNOWLEDGE: Commands._acknowledge,
    CommandCode.EXTREMES: Commands._extremes,
    CommandCode.REFERENCE: Commands._reference,
    CommandCode.FAR: Commands._far,
    CommandCode.VALVE: Commands._valve,
    CommandCode.REGULATE: Commands._regulate,
    CommandCode.SELF_TEST: Commands._self_test,
    CommandCode.RESTART: Commands._restart,
}
