"""Blocks as the controller sees them: SI floats in frozen dataclasses."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from bench.contract.fields import Block, Field, RawValue
from bench.contract.table import (
    AIR_CAPTURE_BIT,
    AIR_INPUTS,
    CALIBRATION,
    CALIBRATION_COMMON,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    EVENTS,
    EXTREMES,
    FAR_SOCKET,
    IDENTITY,
    SNAPSHOT,
    Capability,
    ChannelState,
    EventKind,
    Fault,
    Mode,
    Return,
)


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the board is. Resistances in ohm, errors as one standard uncertainty."""

    contract: tuple[int, int]
    channels: int
    capabilities: Capability
    probe_ohm: float
    pulse_ohm: float
    reference_ohm: float
    pull_down_ohm: float
    largest_current_a: float
    current_gain_error: float
    current_offset_error_a: float
    voltage_gain_error: float
    voltage_offset_error_v: float
    capture_rate_hz: int
    capture_samples: int
    event_depth: int
    air_inputs: int
    valves: int
    serial: str
    firmware: str
    calibrated: str


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """One channel at the instant of its snapshot."""

    state: ChannelState
    voltage_v: float
    current_a: float
    trips: int
    changes: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Every measurement at one instant. ``channels[0]`` is channel 1."""

    sequence: int
    uptime_us: int
    mode: Mode
    faults: Fault
    causes: Fault
    boots: int
    command_sequence: int
    command_result: int
    events_head: int
    shot_sequence: int
    supply_v: float
    supply_a: float
    reference_a: float
    ambient_c: float
    board_c: float
    returns: Return
    return_pin_a: float
    return_chassis_a: float
    chassis_sense_v: float
    ground_pin_v: float
    valves: int
    air: tuple[int, ...]
    channels: tuple[ChannelReading, ...]

    @property
    def uptime_s(self) -> float:
        """Board clock in seconds."""
        return self.uptime_us * 1e-6

    def channel(self, number: int) -> ChannelReading:
        """Reading of channel ``number``, counted from 1."""
        return self.channels[number - 1]


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of the board's event FIFO."""

    position: int
    uptime_us: int
    kind: EventKind | int
    index: int
    value: int


@dataclass(frozen=True, slots=True)
class EventPage:
    """The oldest unacknowledged events; ``lost`` counts those overwritten since start."""

    events: tuple[Event, ...]
    lost: int


@dataclass(frozen=True, slots=True)
class Capture:
    """A recorded switch-on: ``current_a[i]`` and ``voltage_v[i]`` at ``started_us + i * dt_s``."""

    channel: int
    started_us: int
    dt_s: float
    current_a: tuple[float, ...]
    voltage_v: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class AirCapture:
    """Recorded analogue inputs: ``values[n][i]``, in the input's own unit, of input n at ``started_us + i * dt_s``."""

    started_us: int
    dt_s: float
    values: Mapping[int, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class ChannelExtremes:
    """Lowest and highest 1 ms samples of one channel since the extremes were reset."""

    lowest_v: float
    highest_v: float
    lowest_a: float
    highest_a: float


@dataclass(frozen=True, slots=True)
class FarSocket:
    """The second socket: voltages of its pins by channel, now and when the shot was latched."""

    joined: int
    ground_v: float
    ground_shot_v: float
    voltage_v: tuple[float, ...]
    shot_v: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ChannelCorrection:
    """Corrections of one channel: corrected = (reading - offset) * (1 + gain)."""

    current_offset_a: float = 0.0
    current_gain: float = 0.0
    voltage_offset_v: float = 0.0
    voltage_gain: float = 0.0


@dataclass(frozen=True, slots=True)
class CommonCorrection:
    """Corrections of what is no channel, and the standard uncertainties that are left."""

    supply_voltage_offset_v: float = 0.0
    supply_voltage_gain: float = 0.0
    supply_current_offset_a: float = 0.0
    reference_current_offset_a: float = 0.0
    return_pin_offset_a: float = 0.0
    return_chassis_offset_a: float = 0.0
    shared_current_gain: float = 0.0
    current_gain_error: float = 0.0
    current_offset_error_a: float = 0.0
    voltage_gain_error: float = 0.0
    voltage_offset_error_v: float = 0.0
    date: str = ""


@dataclass(frozen=True, slots=True)
class CaptureMemory:
    """What the capture memory holds: ``samples`` so far of ``channel`` (0: none) at ``rate_hz``.

    Of analogue inputs, ``channel`` is ``AIR_CAPTURE_BIT`` and the inputs' bits.
    """

    channel: int
    rate_hz: int
    samples: int
    complete: bool
    started_us: int

    @property
    def inputs(self) -> tuple[int, ...]:
        """The analogue inputs recorded, counted from 1; none when it is a channel."""
        if not self.channel & AIR_CAPTURE_BIT:
            return ()
        return tuple(n + 1 for n in range(AIR_INPUTS) if self.channel >> n & 1)


def _scaled(fields: Sequence[Field], raw: Sequence[RawValue]) -> dict[str, float]:
    return {
        field.name: value if field.scale == 1 else round(value * field.scale, 9)
        for field, value in zip(fields, raw, strict=True)
        if not isinstance(value, str)
    }


def _values(block: Block, registers: Sequence[int], rows: int = 0) -> tuple[RawValue, ...]:
    return block.unpack(registers, rows)


def read_identity(registers: Sequence[int]) -> Identity:
    """Decode the identity block (registers without the tag)."""
    raw = _values(IDENTITY, registers)
    texts = dict(zip((field.name for field in IDENTITY.header), raw, strict=True))
    value = _scaled(IDENTITY.header, raw)
    return Identity(
        contract=(int(value["contract_major"]), int(value["contract_minor"])),
        channels=int(value["channels"]),
        capabilities=Capability(int(value["capabilities"])),
        probe_ohm=value["probe_resistance"],
        pulse_ohm=value["pulse_resistance"],
        reference_ohm=value["reference_resistance"],
        pull_down_ohm=value["pull_down_resistance"],
        largest_current_a=value["largest_current"],
        current_gain_error=value["current_gain_error"],
        current_offset_error_a=value["current_offset_error"],
        voltage_gain_error=value["voltage_gain_error"],
        voltage_offset_error_v=value["voltage_offset_error"],
        capture_rate_hz=int(value["capture_rate"]),
        capture_samples=int(value["capture_samples"]),
        event_depth=int(value["event_depth"]),
        air_inputs=int(value["air_inputs"]),
        valves=int(value["valves"]),
        serial=str(texts["serial"]),
        firmware=str(texts["firmware"]),
        calibrated=str(texts["calibrated"]),
    )


_CHANNEL_STATES = {state.value: state for state in ChannelState}
_mode, _fault, _return = cache(Mode), cache(Fault), cache(Return)  # making a flag is slow
_HEADER_WIDTH = len(SNAPSHOT.header)


def read_snapshot(registers: Sequence[int], channels: int) -> Snapshot:
    """Decode the snapshot or the shot block (registers without the tag).

    Flat, with the fields in the table's order, because scans decode nothing else.

    Raises:
        ValueError: a channel state that the contract does not know.
    """
    raw = SNAPSHOT.unpack_numbers(registers, channels)
    (
        sequence, uptime_us, mode, faults, causes, boots, command_sequence, command_result, events_head, shot_sequence,
        supply_mv, supply_ma, reference_ma, ambient_dc, board_dc, returns, pin_ma, chassis_ma, sense_mv, ground_mv,
        valves, *air,
    ) = raw[:_HEADER_WIDTH]  # fmt: skip
    rows = iter(raw[_HEADER_WIDTH:])
    try:
        return Snapshot(
            sequence, uptime_us, _mode(mode), _fault(faults), _fault(causes), boots, command_sequence,
            command_result, events_head, shot_sequence, supply_mv / 1000, supply_ma / 1000, reference_ma / 1000,
            ambient_dc / 10, board_dc / 10, _return(returns), pin_ma / 1000, chassis_ma / 1000, sense_mv / 1000,
            ground_mv / 1000, valves, tuple(air),
            tuple([
                ChannelReading(_CHANNEL_STATES[state], mv / 1000, ma / 1000, trips, changes)
                for state, mv, ma, trips, changes in zip(rows, rows, rows, rows, rows, strict=True)
            ]),
        )  # fmt: skip
    except KeyError as error:
        raise ValueError(f"there is no channel state {error}") from None


_EVENT_KINDS = {kind.value: kind for kind in EventKind}


def read_events(registers: Sequence[int], rows: int) -> EventPage:
    """Decode the event window; an event kind that is not known stays a number."""
    raw = _values(EVENTS, registers, rows)
    first, count, lost = (int(value) for value in raw[:3])
    entries = list(zip(*[iter(map(int, raw[3:]))] * 4, strict=True))[:count]
    return EventPage(
        events=tuple(
            Event(first + i, uptime, _EVENT_KINDS.get(kind, kind), index, value)
            for i, (uptime, kind, index, value) in enumerate(entries)
        ),
        lost=lost,
    )


def read_extremes(registers: Sequence[int], channels: int) -> tuple[ChannelExtremes, ...]:
    """Decode the extremes block; entry 0 is channel 1."""
    raw = _values(EXTREMES, registers, channels)
    milli = (int(value) / 1000 for value in raw)
    return tuple(ChannelExtremes(*row) for row in zip(*[milli] * 4, strict=True))


def read_far_socket(registers: Sequence[int], channels: int) -> FarSocket:
    """Decode the second socket's block; entry 0 is channel 1."""
    joined, ground_mv, ground_shot_mv, *milli = FAR_SOCKET.unpack_numbers(registers, channels)
    volts = [value / 1000 for value in milli]
    return FarSocket(joined, ground_mv / 1000, ground_shot_mv / 1000, tuple(volts[::2]), tuple(volts[1::2]))


def read_channel_correction(registers: Sequence[int]) -> ChannelCorrection:
    """Decode the calibration block of one channel."""
    return ChannelCorrection(*_scaled(CALIBRATION.header, CALIBRATION.unpack(registers)).values())


def read_common_correction(registers: Sequence[int]) -> CommonCorrection:
    """Decode the common calibration block."""
    raw = CALIBRATION_COMMON.unpack(registers)
    *_, date = raw
    corrections = _scaled(CALIBRATION_COMMON.header, raw)
    return CommonCorrection(
        supply_voltage_offset_v=corrections["supply_voltage_offset"],
        supply_voltage_gain=corrections["supply_voltage_gain"],
        supply_current_offset_a=corrections["supply_current_offset"],
        reference_current_offset_a=corrections["reference_current_offset"],
        return_pin_offset_a=corrections["return_pin_offset"],
        return_chassis_offset_a=corrections["return_chassis_offset"],
        shared_current_gain=corrections["shared_current_gain"],
        current_gain_error=corrections["current_gain_error"],
        current_offset_error_a=corrections["current_offset_error"],
        voltage_gain_error=corrections["voltage_gain_error"],
        voltage_offset_error_v=corrections["voltage_offset_error"],
        date=str(date),
    )


def read_capture(registers: Sequence[int]) -> CaptureMemory:
    """Decode the capture block."""
    channel, rate_hz, samples, complete, started_us = (int(value) for value in _values(CAPTURE, registers))
    return CaptureMemory(channel, rate_hz, samples, bool(complete), started_us)


def read_capture_page(registers: Sequence[int]) -> tuple[int, tuple[tuple[float, float], ...]]:
    """Decode one page: its number, and current in A and voltage in V of each sample."""
    page, *raw = (int(value) for value in _values(CAPTURE_PAGE, registers, CAPTURE_SAMPLES_PER_PAGE))
    milli = (value / 1000 for value in raw)
    return page, tuple(zip(milli, milli, strict=True))


def read_air_page(registers: Sequence[int]) -> tuple[int, tuple[int, ...]]:
    """Decode one page of a capture of analogue inputs: its number, and its values in turn of the inputs."""
    page, *raw = (int(value) for value in _values(CAPTURE_PAGE, registers, CAPTURE_SAMPLES_PER_PAGE))
    return page, tuple(high << 16 | low & 0xFFFF for high, low in zip(raw[::2], raw[1::2], strict=True))
