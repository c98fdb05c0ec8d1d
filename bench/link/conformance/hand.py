"""Checks that need a hand at the board."""

from bench.contract.table import ChannelState as S
from bench.contract.table import CommandCode, EventKind, Fault, Mode, Refusal
from bench.link.conformance.check import Unmet, Untestable, require
from bench.link.conformance.rig import Rig, fault_set, the

C, R = CommandCode, Refusal
A_HAND_TAKES_S = 60.0
TICK_US = 1000


async def emergency_stop(rig: Rig) -> str:
    """The stop turns everything off within a tick, and nothing goes on again before it is released and read."""
    channel = rig.load.resistor
    await rig.arm(channel)
    await rig.drive(channel)
    if not await rig.ask("Press the emergency stop within a minute, and keep it pressed."):
        raise Untestable("nobody presses the emergency stop")
    if await rig.until(lambda seen: Fault.EMERGENCY_STOP in seen.faults, A_HAND_TAKES_S) is None:
        raise Unmet("the emergency stop was not seen within a minute")
    events = await rig.events()
    off = the(events, EventKind.CHANNEL_STATE, channel, S.HELD_OFF)
    delay_us = off.uptime_us - fault_set(events, Fault.EMERGENCY_STOP).uptime_us
    require(0 <= delay_us <= TICK_US, f"off {delay_us / 1000:.1f} ms after the fault")
    seen = await rig.snapshot()
    require(Mode.ARMED not in seen.mode, "the board is still armed")
    if Fault.EMERGENCY_STOP in seen.causes:
        await rig.refused(R.CAUSE_PRESENT, C.CLEAR, int(Fault.EMERGENCY_STOP))
    await rig.refused(R.FAULT_LATCHED, C.ARM)
    await rig.ask("Release the emergency stop.")
    if await rig.until(lambda seen: Fault.EMERGENCY_STOP not in seen.causes, A_HAND_TAKES_S) is None:
        raise Unmet("the emergency stop was not released within a minute")
    await rig.must(C.CLEAR, int(Fault.EMERGENCY_STOP))
    await rig.must(C.ARM)
    return f"off {delay_us / 1000:.1f} ms after the fault; FAULT_LATCHED until cleared"
