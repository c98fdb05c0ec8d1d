"""What stands in each block: raw values in the contract's order, converters applied here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from bench.contract.fields import Block, RawValue
from bench.contract.table import (
    BOARD_SETTINGS,
    CALIBRATION,
    CALIBRATION_COMMON,
    CAPTURE,
    CAPTURE_PAGE,
    CHANNEL_SETTINGS,
    COMMAND,
    EVENTS,
    EXTREMES,
    FAR_SOCKET,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    ChannelState,
    Mode,
)
from firmware_sim.firmware.history import DEPTH_TICKS
from firmware_sim.port import Truth

if TYPE_CHECKING:
    from firmware_sim.firmware.firmware import Firmware


def mode_of(firmware: Firmware) -> int:
    """Mode bits now."""
    outputs, capture = firmware.outputs, firmware.capture
    timed = (ChannelState.PROBE, ChannelState.PULSE)
    flags = (
        (Mode.ARMED, outputs.armed),
        (Mode.WATCHDOG_RUNNING, firmware.host.watching),
        (Mode.CLAIMED, firmware.host.key != 0),
        (Mode.CAPTURE_DONE, capture.done),
        (Mode.CAPTURE_RUNNING, capture.waiting or capture.recording),
        (Mode.SHOT_RUNNING, any(c.state in timed and not c.watched for c in outputs.active)),
        (Mode.REFERENCE_ON, outputs.reference),
    )
    return sum(bit.value for bit, on in flags if on)


def snapshot_values(firmware: Firmware, mean: Truth, samples: int) -> Sequence[RawValue]:
    """Raw values of the snapshot (and shot) block from a mean over ``samples`` ticks."""
    outputs, sensors, conditions = firmware.outputs, firmware.hardware.sensors, firmware.conditions
    header = (
        firmware.snapshots,
        firmware.uptime_us,
        mode_of(firmware),
        firmware.faults.latched,
        firmware.faults.causes,
        firmware.boots & 0xFFFF,
        firmware.commands.sequence,
        int(firmware.commands.result),
        firmware.events.head,
        firmware.shots,
        sensors.supply_mv(mean.supply_v, samples),
        sensors.supply_ma(mean.supply_a, samples),
        sensors.reference_ma(mean.reference_a, samples),
        sensors.ambient_decidegc(conditions.ambient_c + firmware.hardware.air.warmed_k()),
        sensors.board_decidegc(conditions.board_c),
        int(outputs.returns),
        sensors.return_pin_ma(mean.return_pin_a, samples),
        sensors.return_chassis_ma(mean.return_chassis_a, samples),
        sensors.chassis_sense_mv(mean.chassis_sense_v, samples),
        sensors.ground_pin_mv(mean.ground_pin_v, samples),
        firmware.valves.energised,
        *firmware.hardware.air.readings(),
    )
    rows: list[int] = []
    for n, channel in enumerate(outputs.channels):
        rows += (
            int(channel.state),
            sensors.voltage_mv(mean.pin_v[n], n + 1, samples),
            sensors.current_ma(mean.pin_a[n], n + 1, samples),
            channel.trips,
            firmware.monitor.changes(channel.number),
        )
    return (*header, *rows)


def far_values(firmware: Firmware, mean: Truth, samples: int) -> tuple[int, ...]:
    """What the second socket reads, in mV: each channel's pin, then ground; zeros with nothing plugged in."""
    if not mean.far_v:
        return (0,) * (firmware.hardware.channels + 1)
    wanted = firmware.hardware.channels + 1
    far_v = (*mean.far_v[:-1], *(0.0,) * (wanted - len(mean.far_v)), mean.far_v[-1])
    sensors = firmware.hardware.sensors
    return tuple(sensors.far_mv(volts, number, samples) for number, volts in enumerate(far_v, start=1))


def _far_socket(firmware: Firmware) -> Sequence[RawValue]:
    *now, ground_mv = far_values(firmware, *firmware.history.mean(DEPTH_TICKS))
    *shot, ground_shot_mv = firmware.far_shot
    rows = (value for pair in zip(now, shot, strict=True) for value in pair)
    return (firmware.outputs.far, ground_mv, ground_shot_mv, *rows)


def _identity(firmware: Firmware, _index: int) -> Sequence[RawValue]:
    hardware = firmware.hardware
    return hardware.description.block(hardware.channels, hardware.air, hardware.calibration)


_SOURCES: dict[Block, Callable[[Firmware, int], Sequence[RawValue]]] = {
    IDENTITY: _identity,
    SNAPSHOT: lambda firmware, _: firmware.latch_snapshot(),
    SHOT: lambda firmware, _: firmware.shot,
    EXTREMES: lambda firmware, _: firmware.monitor.block(firmware.hardware.sensors),
    EVENTS: lambda firmware, _: firmware.events.block(),
    CAPTURE: lambda firmware, _: firmware.capture.block(),
    CAPTURE_PAGE: lambda firmware, index: firmware.capture.page(index - 1),
    BOARD_SETTINGS: lambda firmware, _: firmware.board_settings.raw,
    CHANNEL_SETTINGS: lambda firmware, index: firmware.outputs.channel(index).settings.raw,
    COMMAND: lambda firmware, _: firmware.commands.last,
    CALIBRATION: lambda firmware, index: firmware.hardware.calibration.of_channel[index - 1],
    FAR_SOCKET: lambda firmware, _: _far_socket(firmware),
    CALIBRATION_COMMON: lambda firmware, _: firmware.hardware.calibration.common,
}


def block_values(firmware: Firmware, block: Block, index: int) -> Sequence[RawValue]:
    """Raw values of a block's ``index``-th instance now, without the tag."""
    return _SOURCES[block](firmware, index)
