"""What each name of the contract means, in words for people who build boards."""

from collections.abc import Mapping
from enum import IntEnum, IntFlag

from bench.contract.table import (
    BOARD_HOT_DEGC,
    Capability,
    ChannelState,
    EventKind,
    Fault,
    Mode,
    Refusal,
    TripReason,
)

CAPABILITIES: Mapping[IntFlag, str] = {
    Capability.PROBE: "Probe resistor to each pin.",
    Capability.COLD_PULSE: "Pulse resistor to each pin.",
    Capability.CURRENT_LIMIT: "A settable current limit on each channel.",
    Capability.CAPTURE: "Capture memory.",
    Capability.RETURN_SWITCHES: "Both returns can be opened.",
    Capability.CHASSIS_SENSE: "A sense clamp without current.",
    Capability.WIGGLE_MONITOR: "Extremes, BROKE and MADE events, WIGGLE.",
    Capability.REFERENCE_RESISTOR: "A known resistor to calibrate against.",
    Capability.WATCHDOG: "A silent host turns everything off. Without it: no unattended use, no air.",
    Capability.AIR: "Air inputs and valves.",
    Capability.REGULATOR: "Electronic pressure regulators.",
    Capability.CALIBRATION: "Keeps corrections of its own readings.",
    Capability.FIXED_FUSE: "A fuse in each channel instead of CURRENT_LIMIT: DRIVE has no soft-start, and "
    "largest_current is the fuse's rating.",
    Capability.FAR_SOCKET: "A second socket for the far end of a loose cable: its pins are read, and joined by FAR.",
    Capability.AIR_CAPTURE: "The capture memory can record analogue inputs; without it, times are those of polling.",
}

MODES: Mapping[IntFlag, str] = {
    Mode.ARMED: "Outputs are allowed.",
    Mode.WATCHDOG_RUNNING: "A KICK is due within the watchdog time.",
    Mode.CLAIMED: "Some key holds the claim, alive or silent.",
    Mode.CAPTURE_DONE: "All samples asked for are held.",
    Mode.CAPTURE_RUNNING: "The capture waits for its switch-on, or records.",
    Mode.SHOT_RUNNING: "A probe or pulse with a time is on.",
    Mode.REFERENCE_ON: "The reference resistor is connected.",
}

FAULTS: Mapping[IntFlag, str] = {
    Fault.EMERGENCY_STOP: "The stop is pressed.",
    Fault.HOST_SILENT: "No KICK for the watchdog time; gone with the next KICK.",
    Fault.SUPPLY_LOW: "Supply below its window.",
    Fault.SUPPLY_HIGH: "Supply above its window.",
    Fault.BOARD_HOT: f"Hottest switch above {BOARD_HOT_DEGC:g} °C.",
    Fault.OVER_PRESSURE: "A line's gauge pressure above the ceiling.",
    Fault.RESTARTED: "The firmware has started; latched at every start, its cause is gone at once.",
    Fault.SELF_TEST: "The last self test failed.",
    Fault.RETURN_OVERLOAD: "More than 25 A, either way, through one return.",
}

STATES: Mapping[IntEnum, str] = {
    ChannelState.OFF: "Off, and may be switched on.",
    ChannelState.PROBE: "Tied to the supply through the probe resistor.",
    ChannelState.PULSE: "Tied to the supply through the pulse resistor.",
    ChannelState.RAMP: "Soft-start at start_limit, or a WIGGLE pulse.",
    ChannelState.ON: "Driven, below its limit.",
    ChannelState.LIMIT: "Driven, at its limit: time and energy are counted.",
    ChannelState.TRIPPED: "Latched off until OFF.",
    ChannelState.RETRY: "Off until the next try.",
    ChannelState.HELD_OFF: "Off because the board is not armed.",
}

TRIPS: Mapping[IntEnum, str] = {
    TripReason.LIMIT_TIME: "At the limit for limit_time: overload.",
    TripReason.SHORT: "Ohmic and below the short threshold.",
    TripReason.ENERGY: "The try's energy budget is used up.",
    TripReason.RMS: "The wire's share of rolling rms current is used up.",
    TripReason.TRIES: "The last try has tripped; follows that trip.",
}

REFUSALS: Mapping[IntEnum, str] = {
    Refusal.NONE: "Carried out.",
    Refusal.UNKNOWN_COMMAND: "No command has this code.",
    Refusal.BAD_VALUE: "A value out of range, or values that do not go together.",
    Refusal.NOT_ARMED: "ARM first.",
    Refusal.NO_LIMITS: "Board or channel settings are not written.",
    Refusal.NO_WATCHDOG: "KICK first.",
    Refusal.FAULT_LATCHED: "A fault is latched: read, remedy, CLEAR.",
    Refusal.HELD_BY_ANOTHER: "Another key has the claim.",
    Refusal.NOT_CLAIMED: "Nobody has the claim: CLAIM first.",
    Refusal.BUSY: "The channel, probe or board is doing something else.",
    Refusal.BUDGET_USED: "The wire must cool first.",
    Refusal.NOT_CAPABLE: "The board lacks what this needs.",
    Refusal.CAUSE_PRESENT: "The fault's cause has not gone away.",
    Refusal.CHANNEL_TRIPPED: "OFF clears the trip.",
    Refusal.FAULT_UNREAD: "Names a fault that no snapshot has shown, or that is not latched.",
    Refusal.OUTPUT_ON: "Settings are not changed under an output.",
}

EVENTS: Mapping[IntEnum, tuple[str, str]] = {
    EventKind.RESTARTED: ("–", "boots"),
    EventKind.ARMED: ("–", "–"),
    EventKind.DISARMED: ("–", "–"),
    EventKind.CHANNEL_STATE: ("channel", "state"),
    EventKind.TRIP: ("channel", "reason"),
    EventKind.BROKE: ("channel", "pin voltage, mV"),
    EventKind.MADE: ("channel", "pin voltage, mV"),
    EventKind.FAULT_SET: ("–", "fault bit (its value, not its number)"),
    EventKind.FAULT_CLEARED: ("–", "fault bit"),
    EventKind.VALVE: ("valve", "1 energised, 0 not"),
    EventKind.CAPTURE_DONE: ("channel", "samples"),
    EventKind.RETURNS: ("–", "return bits"),
    EventKind.SHORT_CLEARED: ("channel", "pin voltage, mV"),
}
