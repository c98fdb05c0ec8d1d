"""The board contract, version 1: every quantity, command, refusal and limit, once.

The Modbus map, the line protocol, the simulator's memory and ``firmware_sim/BOARD.md`` are
derived from this file. To add a quantity, add a row here; to learn what a board is, read it
from top to bottom.
"""

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Literal

from bench.contract.fields import Block, Field

CONTRACT_MAGIC = 0x554D  # "UM", so that an ordinary device is recognised as not ours
CONTRACT_MAJOR = 1
CONTRACT_MINOR = 2  # 1: AIR_CAPTURE, CALIBRATION, FIXED_FUSE; 2: FAR_SOCKET

MAX_CHANNELS = 16
AIR_INPUTS = 6
EVENTS_PER_READ = 14
CAPTURE_SAMPLES_PER_PAGE = 60
AIR_CAPTURE_BIT = 0x100  # in the capture's channel: the other bits are analogue inputs, bit 0 is input 1
FASTEST_AIR_CAPTURE_HZ = 1000
FAR_GROUND_BIT = 1 << MAX_CHANNELS  # of FAR: bits below are the pins of channels
FAR_NEGATIVE_BIT = FAR_GROUND_BIT << 1


class Capability(IntFlag):
    """What a board has beyond the bare minimum; the controller refuses what a step needs and the board lacks."""

    PROBE = 1 << 0
    COLD_PULSE = 1 << 1
    CURRENT_LIMIT = 1 << 2
    CAPTURE = 1 << 3
    RETURN_SWITCHES = 1 << 4
    CHASSIS_SENSE = 1 << 5
    WIGGLE_MONITOR = 1 << 6
    REFERENCE_RESISTOR = 1 << 7
    WATCHDOG = 1 << 8
    AIR = 1 << 9
    REGULATOR = 1 << 10
    AIR_CAPTURE = 1 << 11
    CALIBRATION = 1 << 12
    FIXED_FUSE = 1 << 13
    FAR_SOCKET = 1 << 14


class ChannelState(IntEnum):
    """What one channel's output is doing."""

    OFF = 0
    PROBE = 1  # tied to the supply through the probe resistor
    PULSE = 2  # tied to the supply through the pulse resistor
    RAMP = 3  # soft-start: the first, lower current-limit plateau
    ON = 4
    LIMIT = 5  # at its current limit, time and energy are being counted
    TRIPPED = 6  # latched off; an explicit OFF command clears it
    RETRY = 7  # off, waiting for the next try
    HELD_OFF = 8  # off by a board fault or because disarmed


class Mode(IntFlag):
    """The board as a whole (snapshot field ``mode``)."""

    ARMED = 1 << 0
    WATCHDOG_RUNNING = 1 << 1
    CLAIMED = 1 << 2
    CAPTURE_DONE = 1 << 3
    CAPTURE_RUNNING = 1 << 4
    SHOT_RUNNING = 1 << 5
    REFERENCE_ON = 1 << 6


class Fault(IntFlag):
    """Why the board turned everything off. Latched until read, gone and cleared."""

    EMERGENCY_STOP = 1 << 0
    HOST_SILENT = 1 << 1
    SUPPLY_LOW = 1 << 2
    SUPPLY_HIGH = 1 << 3
    BOARD_HOT = 1 << 4
    OVER_PRESSURE = 1 << 5
    RESTARTED = 1 << 6  # power glitch or reset: comes up safe and says so
    SELF_TEST = 1 << 7
    RETURN_OVERLOAD = 1 << 8


class Return(IntFlag):
    """Return switches of the board's negative side."""

    NONE = 0
    PIN = 1 << 0  # the connector's ground pin(s)
    CHASSIS = 1 << 1  # the clamp on the frame
    BOTH = PIN | CHASSIS


class Valve(IntEnum):
    """Air valves by index; both exhausts are normally open, so that both lines exhaust without power."""

    SUPPLY_FILL = 0
    SUPPLY_EXHAUST = 1
    SERVICE_FILL = 2
    SERVICE_EXHAUST = 3


class Refusal(IntEnum):
    """Why a command was not carried out; 0 means that it was."""

    NONE = 0
    UNKNOWN_COMMAND = 1
    BAD_VALUE = 2
    NOT_ARMED = 3
    NO_LIMITS = 4
    NO_WATCHDOG = 5
    FAULT_LATCHED = 6
    HELD_BY_ANOTHER = 7
    NOT_CLAIMED = 8
    BUSY = 9
    BUDGET_USED = 10  # energy or rms budget: wait for the wire to cool
    NOT_CAPABLE = 11
    CAUSE_PRESENT = 12  # the fault's cause has not gone away
    CHANNEL_TRIPPED = 13
    FAULT_UNREAD = 14  # clear names exactly the faults the host has read
    OUTPUT_ON = 15  # a limit is not changed under a channel that is on


class EventKind(IntEnum):
    """What an entry of the event FIFO reports."""

    RESTARTED = 1  # value: boots since manufacture
    ARMED = 2
    DISARMED = 3
    CHANNEL_STATE = 4  # index: channel, value: ChannelState
    TRIP = 5  # index: channel, value: TripReason
    BROKE = 6  # wiggle monitor: conduction lost; index: channel, value: mV
    MADE = 7  # wiggle monitor: conduction found; index: channel, value: mV
    FAULT_SET = 8  # value: Fault bit
    FAULT_CLEARED = 9  # value: Fault bit
    VALVE = 10  # index: valve, value: 1 energised or 0
    CAPTURE_DONE = 11  # index: channel as the capture block has it, value: samples
    RETURNS = 12  # value: Return bits
    SHORT_CLEARED = 13  # wiggle retry found its short gone; index: channel


class TripReason(IntEnum):
    """Why a channel tripped."""

    LIMIT_TIME = 1  # still at the limit when its time was up: overload
    SHORT = 2  # ohmic and below the short threshold while limited
    ENERGY = 3  # the try's energy budget is used up
    RMS = 4  # the rolling rms current is over the wire's share
    TRIES = 5  # all retries used


class CommandCode(IntEnum):
    """Operation codes of the command block."""

    CLAIM = 1
    RELEASE = 2
    KICK = 3
    ARM = 4
    SAFE = 5
    CLEAR = 6
    RETURNS = 7
    DRIVE = 8
    OFF = 9
    PROBE = 10
    PULSE = 11
    WIGGLE = 12
    CAPTURE = 13
    ACKNOWLEDGE = 14
    EXTREMES = 15
    REFERENCE = 16
    VALVE = 17
    REGULATE = 18
    SELF_TEST = 19
    RESTART = 20
    AIR_CAPTURE = 21
    FAR = 22


ArgumentKind = Literal["channel", "channels", "number", "returns"]


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument of a command; travels as a signed 32-bit raw value.

    Attributes:
        low, high: allowed raw values, both included.
        scale: engineering value = raw * scale.
    """

    name: str
    kind: ArgumentKind
    low: int
    high: int
    unit: str = "1"
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Command:
    """A command of the board.

    Attributes:
        line: header in the line protocol, SCPI spelling (capitals are the short form).
        anyone: carried out without holding the claim.
        switches_on: may energise an output, so it is never repeated blindly.
    """

    code: CommandCode
    line: str
    arguments: tuple[Argument, ...]
    note: str
    anyone: bool = False
    switches_on: bool = False


_CHANNEL = Argument("channel", "channel", 1, MAX_CHANNELS)
_CHANNELS = Argument("channels", "channels", 0, 0xFFFF, "bits")

COMMANDS: tuple[Command, ...] = (
    Command(CommandCode.CLAIM, "SYSTem:LOCK:REQuest", (), "Become the one controller; refused while another holds it and its watchdog runs.", anyone=True),
    Command(CommandCode.RELEASE, "SYSTem:LOCK:RELease", (), "Everything off, disarm, give the claim back."),
    Command(CommandCode.KICK, "SYSTem:WATChdog:KICK", (), "The host is alive; starts the watchdog when it is not running."),
    Command(CommandCode.ARM, "OUTPut:ARM", (), "Allow outputs; refused while a fault is latched or the watchdog is not running."),
    Command(CommandCode.SAFE, "OUTPut:SAFE", (), "Everything off, both air lines exhausted, disarmed. Always carried out, for anyone.", anyone=True),
    Command(CommandCode.CLEAR, "SYSTem:FAULt:CLEar", (Argument("faults", "number", 0, 0xFFFF, "bits"),), "Clear exactly the latched faults named, whose causes must be gone."),
    Command(CommandCode.RETURNS, "ROUTe:RETurn", (Argument("returns", "returns", 0, 3, "bits"),), "Close these return switches and open the others.", switches_on=True),
    Command(CommandCode.DRIVE, "OUTPut:DRIVe", (_CHANNEL, Argument("level", "number", 1, 1000, "1", 0.001)), "Soft-start a channel and keep it on.", switches_on=True),
    Command(CommandCode.OFF, "OUTPut:OFF", (_CHANNELS,), "Turn channels off and clear their trips."),
    Command(CommandCode.PROBE, "ROUTe:PROBe", (_CHANNEL, Argument("time", "number", 0, 60_000, "s", 0.001)), "Probe one pin; after the time the shot block is latched and the probe opens. 0: stay until OFF.", switches_on=True),
    Command(CommandCode.PULSE, "ROUTe:PULSe", (_CHANNEL, Argument("time", "number", 1, 20, "s", 0.001)), "Cold pulse on one pin; at its end the shot block is latched and the pulse opens.", switches_on=True),
    Command(CommandCode.WIGGLE, "OUTPut:WIGGle", (_CHANNEL,), "Exercise a (shorted) wire with safe current pulses and probe between them, until OFF.", switches_on=True),
    Command(CommandCode.CAPTURE, "SENSe:CAPTure:ARM", (_CHANNEL, Argument("rate", "number", 100, 10_000, "Hz"), Argument("samples", "number", 2, 4096)), "Record this channel's current and voltage from its next switch-on."),
    Command(CommandCode.AIR_CAPTURE, "SENSe:CAPTure:AIR", (Argument("inputs", "number", 1, (1 << AIR_INPUTS) - 1, "bits"), Argument("rate", "number", 10, FASTEST_AIR_CAPTURE_HZ, "Hz"), Argument("samples", "number", 2, 4096)), "Record these analogue inputs from now on, bit 0 is input 1. Samples are those of all inputs together, a whole number of each."),
    Command(CommandCode.ACKNOWLEDGE, "SYSTem:EVENt:ACKNowledge", (Argument("position", "number", 0, 0x7FFF_FFFF),), "Events before this position have been read and may be forgotten."),
    Command(CommandCode.EXTREMES, "SENSe:EXTRemes:RESet", (), "Start new minima and maxima."),
    Command(CommandCode.FAR, "ROUTe:FAR", (Argument("pins", "number", 0, FAR_GROUND_BIT | FAR_NEGATIVE_BIT | (FAR_GROUND_BIT - 1), "bits"),), "Join exactly these pins of the second socket: bit n - 1 is the pin of channel n, bit 16 the ground pin(s), bit 17 the board's negative side. Opened with everything else.", switches_on=True),
    Command(CommandCode.REFERENCE, "ROUTe:REFerence", (Argument("on", "number", 0, 1),), "Connect the reference resistor to the supply and measure it.", switches_on=True),
    Command(CommandCode.VALVE, "ROUTe:VALVe", (Argument("valve", "number", 0, 3), Argument("energise", "number", 0, 1), Argument("longest", "number", 0, 600_000, "s", 0.001)), "Energise a valve for at most this time.", switches_on=True),
    Command(CommandCode.REGULATE, "SOURce:PRESsure", (Argument("line", "number", 0, 1), Argument("pressure", "number", 0, 1_100_000, "Pa")), "Set-point of a line's electronic regulator (0 supply, 1 service).", switches_on=True),
    Command(CommandCode.SELF_TEST, "SYSTem:TEST", (), "Check memory, converter and temperature; failure latches SELF_TEST."),
    Command(CommandCode.RESTART, "SYSTem:RESTart", (), "Restart the firmware: safe, disarmed, settings lost, says so.", anyone=False),
)  # fmt: skip
COMMAND_BY_CODE = {command.code: command for command in COMMANDS}

# --- blocks: read with Modbus functions 3 or 4, writable ones written with function 16 ---

IDENTITY = Block(
    "identity", 1, 0,
    header=(
        Field("magic", "u16", "1", 1, "0x554D on every board of this contract."),
        Field("contract_major", "u16", "1", 1, "A controller refuses another major version."),
        Field("contract_minor", "u16", "1", 1, "Grows when rows are added; old controllers still work."),
        Field("channels", "u16", "1", 1, "1..16."),
        Field("capabilities", "u32", "bits", 1, "Capability bits."),
        Field("probe_resistance", "u16", "ohm", 0.1, "Probe resistor."),
        Field("pulse_resistance", "u16", "ohm", 0.01, "Cold pulse resistor."),
        Field("reference_resistance", "u16", "ohm", 0.001, "Reference resistor, 0 when absent."),
        Field("pull_down_resistance", "u16", "ohm", 100, "From each pin to the board's negative side."),
        Field("largest_current", "u16", "A", 0.001, "Largest current limit a channel accepts."),
        Field("current_gain_error", "u16", "1", 0.0001, "Standard uncertainty of the current gain, shared by all channels."),
        Field("current_offset_error", "u16", "A", 0.0001, "Standard uncertainty of a current reading's offset."),
        Field("voltage_gain_error", "u16", "1", 0.0001, "Standard uncertainty of the voltage gain, shared."),
        Field("voltage_offset_error", "u16", "V", 0.0001, "Standard uncertainty of a voltage reading's offset."),
        Field("capture_rate", "u16", "Hz", 1, "Fastest capture."),
        Field("capture_samples", "u16", "1", 1, "Longest capture."),
        Field("event_depth", "u16", "1", 1, "Events the FIFO holds."),
        Field("air_inputs", "u16", "1", 1, "Analogue inputs in use, 0..6."),
        Field("valves", "u16", "1", 1, "Air valves in use, 0..4."),
        Field("serial", "text16", "text", 1, "Serial number."),
        Field("firmware", "text16", "text", 1, "Firmware name and version."),
        Field("calibrated", "text16", "text", 1, "Date of the last calibration, YYYY-MM-DD, or empty."),
    ),
    note="Who the board is and what it can do; constant between restarts.",
)  # fmt: skip

_CHANNEL_ROW = (
    Field("state", "u16", "1", 1, "ChannelState."),
    Field("voltage", "i16", "V", 0.001, "Pin to the board's negative side, driven or not."),
    Field("current", "i16", "A", 0.001, "Out of the pin, through whatever feeds it."),
    Field("trips", "u16", "1", 1, "Trips since the last OFF."),
    Field("changes", "u16", "1", 1, "Wiggle transitions since EXTREMES, modulo 65536."),
)
_SNAPSHOT_HEADER = (
    Field("sequence", "u16", "1", 1, "One more than the last time this block was latched, modulo 65536."),
    Field("uptime", "u64", "s", 1e-6, "Board clock when latched, since its start."),
    Field("mode", "u16", "bits", 1, "Mode bits."),
    Field("faults", "u16", "bits", 1, "Latched Fault bits."),
    Field("causes", "u16", "bits", 1, "Fault causes present now."),
    Field("boots", "u16", "1", 1, "Starts since manufacture, modulo 65536."),
    Field("command_sequence", "u16", "1", 1, "Sequence of the last command taken, carried out or refused."),
    Field("command_result", "u16", "1", 1, "Its Refusal, 0 when carried out."),
    Field("events_head", "u32", "1", 1, "Position the next event will get."),
    Field("shot_sequence", "u16", "1", 1, "The shot block's sequence: tells when a shot is ready."),
    Field("supply_voltage", "u16", "V", 0.001, "At the board's supply terminals."),
    Field("supply_current", "i16", "A", 0.001, "Into the board's outputs."),
    Field("reference_current", "i16", "A", 0.001, "Through the reference resistor."),
    Field("ambient_temperature", "i16", "degC", 0.1, "Air at the board."),
    Field("board_temperature", "i16", "degC", 0.1, "Hottest switch."),
    Field("returns", "u16", "bits", 1, "Return bits closed."),
    Field("return_pin_current", "i16", "A", 0.001, "Into the board through the connector's ground pin(s)."),
    Field("return_chassis_current", "i16", "A", 0.001, "Into the board through the chassis clamp."),
    Field("chassis_sense_voltage", "i16", "V", 0.001, "Kelvin sense clamp to the board's negative side."),
    Field("ground_pin_voltage", "i16", "V", 0.001, "Connector ground pin to the board's negative side."),
    Field("valves", "u16", "bits", 1, "Bit n: valve n energised."),
    *(Field(f"air_{n}", "i32", "1", 1, f"Analogue input {n}: Pa gauge, or micrometres, or mK, as the profile's board wiring says.") for n in range(1, AIR_INPUTS + 1)),
)  # fmt: skip

SNAPSHOT = Block(
    "snapshot", 2, 100, header=_SNAPSHOT_HEADER, row=_CHANNEL_ROW,
    note="Everything measured, latched when its tag is read; each value is the mean of the last 10 ms. One read for up to 16 channels.",
)  # fmt: skip
SHOT = Block(
    "shot", 3, 300, header=_SNAPSHOT_HEADER, row=_CHANNEL_ROW,
    note="The same, latched over the last 2 ms of the last probe or cold pulse with a time.",
)  # fmt: skip
EXTREMES = Block(
    "extremes", 4, 500, header=(),
    row=(
        Field("lowest_voltage", "i16", "V", 0.001, "Lowest 1 ms sample since EXTREMES."),
        Field("highest_voltage", "i16", "V", 0.001, "Highest."),
        Field("lowest_current", "i16", "A", 0.001, "Lowest."),
        Field("highest_current", "i16", "A", 0.001, "Highest."),
    ),
    note="Wiggle monitor.",
)  # fmt: skip
EVENTS = Block(
    "events", 5, 700,
    header=(
        Field("first", "u32", "1", 1, "Position of the first row: the oldest event not acknowledged."),
        Field("count", "u16", "1", 1, "Rows that hold an event."),
        Field("lost", "u32", "1", 1, "Events overwritten before they were acknowledged, since start."),
    ),
    row=(
        Field("uptime", "u64", "s", 1e-6, "When it happened."),
        Field("kind", "u16", "1", 1, "EventKind."),
        Field("index", "u16", "1", 1, "Channel or valve."),
        Field("value", "i32", "1", 1, "See EventKind."),
    ),
    note="The oldest events not acknowledged; a lost reply loses none. 14 rows always.",
)  # fmt: skip
CAPTURE = Block(
    "capture", 6, 900,
    header=(
        Field("channel", "u16", "1", 1, "Channel recorded, 0 when none; 256 and the bits of its inputs for AIR_CAPTURE."),
        Field("rate", "u16", "Hz", 1, "Sample rate."),
        Field("samples", "u16", "1", 1, "Samples held so far."),
        Field("complete", "u16", "1", 1, "1 when all samples asked for are there."),
        Field("started", "u64", "s", 1e-6, "Board clock of sample 0: the switch-on, or the command AIR_CAPTURE."),
    ),
    note="What the capture memory holds.",
)  # fmt: skip
CAPTURE_PAGE = Block(
    "capture_page", 7, 10_000, stride=128, header=(Field("page", "u16", "1", 1, "Page number, from 0."),),
    row=(
        Field("current", "i16", "A", 0.001, "Sample's current; of AIR_CAPTURE the high word of the value."),
        Field("voltage", "i16", "V", 0.001, "Sample's pin voltage; of AIR_CAPTURE the low word."),
    ),
    note="60 samples a page; page p stands at 10000 + 128 p. Samples past the end read 0. AIR_CAPTURE: one i32 value a sample, in the snapshot's units but without its mean; the inputs take turns, the lowest first.",
)  # fmt: skip
BOARD_SETTINGS = Block(
    "board_settings", 8, 1000, writable=True,
    header=(
        Field("watchdog_time", "u16", "s", 0.001, "Host silence that turns everything off; 50..2000 ms."),
        Field("pressure_ceiling", "u32", "Pa", 1, "Gauge pressure that trips everything."),
        Field("supply_nominal", "u16", "V", 0.001, "12000 or 24000: picks the supply limits (9..16 V or 18..32 V)."),
    ),
    note="Lost at restart.",
)  # fmt: skip
CHANNEL_SETTINGS = Block(
    "channel_settings", 9, 1100, stride=16, writable=True,
    header=(
        Field("start_limit", "u16", "A", 0.001, "Current limit of the first plateau."),
        Field("start_time", "u16", "s", 0.001, "Length of the first plateau."),
        Field("limit", "u16", "A", 0.001, "Current limit after it; 0: not set, the channel stays off."),
        Field("limit_time", "u16", "s", 0.001, "Longest time at the limit in one try."),
        Field("energy", "u16", "A2s", 0.01, "I2t budget of one try while at the limit."),
        Field("retry_pause", "u16", "s", 0.001, "Off time between tries."),
        Field("retries", "u16", "1", 1, "Tries after the first; 0 latches at once."),
        Field("rms_limit", "u16", "A", 0.001, "Rolling one-minute rms current that trips."),
        Field("wiggle_limit", "u16", "A", 0.001, "Current limit of a wiggle pulse."),
        Field("wiggle_time", "u16", "s", 0.001, "Length of a wiggle pulse."),
        Field("wiggle_period", "u16", "s", 0.001, "From one wiggle pulse to the next."),
    ),
    note="Channel n at 1100 + 16 (n - 1). Lost at restart; refused while the channel is on.",
)  # fmt: skip
COMMAND = Block(
    "command", 10, 1500, writable=True,
    header=(
        Field("sequence", "u16", "1", 1, "Chosen by the host, 1..65535; the same sequence twice is carried out once."),
        Field("key", "u16", "1", 1, "The controller's key; the one that claimed owns the board."),
        Field("code", "u16", "1", 1, "CommandCode."),
        Field("a", "i32", "1", 1, "First argument, raw."),
        Field("b", "i32", "1", 1, "Second argument, raw."),
        Field("c", "i32", "1", 1, "Third argument, raw."),
    ),
    note="One write of all registers after the tag is one command. Exception 4: refused, the reason is in the snapshot's command_result.",
)  # fmt: skip
CALIBRATION = Block(
    "calibration", 11, 1600, stride=8, writable=True,
    header=(
        Field("current_offset", "i16", "A", 0.0001, "Taken off every current reading of the channel."),
        Field("current_gain", "i16", "1", 0.00001, "Then the reading is multiplied by 1 + this."),
        Field("voltage_offset", "i16", "V", 0.0001, "The same for its pin voltage."),
        Field("voltage_gain", "i16", "1", 0.00001, "The same."),
    ),
    note="Corrections of channel n at 1600 + 8 (n - 1). Kept through restarts; refused while armed.",
)  # fmt: skip
CALIBRATION_COMMON = Block(
    "calibration_common", 12, 1800, writable=True,
    header=(
        Field("supply_voltage_offset", "i16", "V", 0.0001, "Taken off the supply voltage."),
        Field("supply_voltage_gain", "i16", "1", 0.00001, "Also of the chassis sense and the ground pin."),
        Field("supply_current_offset", "i16", "A", 0.0001, "Taken off the supply current."),
        Field("reference_current_offset", "i16", "A", 0.0001, "Taken off the reference resistor's current."),
        Field("return_pin_offset", "i16", "A", 0.0001, "Taken off the ground pin's current."),
        Field("return_chassis_offset", "i16", "A", 0.0001, "Taken off the chassis clamp's current."),
        Field("shared_current_gain", "i16", "1", 0.00001, "Of these four currents."),
        Field("current_gain_error", "u16", "1", 0.0001, "Standard uncertainty after correction; the identity shows it from now on."),
        Field("current_offset_error", "u16", "A", 0.0001, "The same."),
        Field("voltage_gain_error", "u16", "1", 0.0001, "The same."),
        Field("voltage_offset_error", "u16", "V", 0.0001, "The same."),
        Field("date", "text16", "text", 1, "YYYY-MM-DD; the identity shows it as calibrated."),
    ),
    note="Corrections of what is no channel, what is left of the errors, and the date. Kept through restarts; refused while armed.",
)  # fmt: skip
FAR_SOCKET = Block(
    "far_socket", 13, 1850,
    header=(
        Field("joined", "u32", "bits", 1, "Pins joined, as FAR has them."),
        Field("ground_voltage", "i16", "V", 0.001, "Ground pin(s) of the second socket to the board's negative side."),
        Field("ground_shot_voltage", "i16", "V", 0.001, "The same when the shot was latched."),
    ),
    row=(
        Field("voltage", "i16", "V", 0.001, "The second socket's pin, mean of the last 10 ms; pulled down as the first socket's."),
        Field("shot_voltage", "i16", "V", 0.001, "The same when the shot was latched."),
    ),
    note="The second socket, for the far end of a loose cable. Only on boards with FAR_SOCKET.",
)  # fmt: skip

BLOCKS: tuple[Block, ...] = (
    IDENTITY, SNAPSHOT, SHOT, EXTREMES, EVENTS, CAPTURE, CAPTURE_PAGE, BOARD_SETTINGS, CHANNEL_SETTINGS, COMMAND,
    CALIBRATION, CALIBRATION_COMMON, FAR_SOCKET,
)  # fmt: skip
BLOCK_BY_NAME = {block.name: block for block in BLOCKS}


@dataclass(frozen=True, slots=True)
class SupplyWindow:
    """Supply voltages outside which a board turns everything off."""

    low_v: float
    high_v: float


SUPPLY_WINDOWS = {12: SupplyWindow(9.0, 16.0), 24: SupplyWindow(18.0, 32.0)}
WATCHDOG_RANGE_S = (0.05, 2.0)
DEFAULT_WATCHDOG_S = 0.5
TICK_S = 0.001  # longest time from a cause to everything off
ENERGY_LIMIT_A2S = 60.0  # of one try, whatever the setting says
FULL_TRIES_PER_MINUTE = 3  # tries that reach the limit time, per channel
SHORT_GROWTH = 0.003  # d ln R over 2..18 ms at the limit, below which the load is ohmic
SHORT_RESISTANCE_OHM = 0.62  # an ohmic load below this is a short
BOARD_HOT_DEGC = 85.0
