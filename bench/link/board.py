"""The board, typed: readings in SI units, one method a command, waits in board time.

A command whose answer was lost is never guessed at. The board keeps the sequence number of the
last command it took and what became of it, so after a lost answer the snapshot decides. Only a
command that cannot switch anything on is then said again, under its old number, which the board
counts once. One that switches on and did not arrive is reported as such.

Sequence numbers stay below 0x8000; the upper half is for links that number their own lines.
"""

import asyncio
import math
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import astuple, replace
from typing import TypeVar

from bench.contract.fields import Block
from bench.contract.readings import (
    AirCapture,
    Capture,
    CaptureMemory,
    ChannelCorrection,
    ChannelExtremes,
    CommonCorrection,
    Event,
    EventPage,
    FarSocket,
    Identity,
    Snapshot,
    read_air_page,
    read_capture,
    read_capture_page,
    read_channel_correction,
    read_common_correction,
    read_events,
    read_extremes,
    read_far_socket,
    read_identity,
    read_snapshot,
)
from bench.contract.table import (
    BOARD_SETTINGS,
    CALIBRATION,
    CALIBRATION_COMMON,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    COMMAND_BY_CODE,
    CONTRACT_MAGIC,
    CONTRACT_MAJOR,
    EVENTS,
    EVENTS_PER_READ,
    EXTREMES,
    FAR_SOCKET,
    IDENTITY,
    MAX_CHANNELS,
    SHOT,
    SNAPSHOT,
    Command,
    CommandCode,
    Fault,
    Refusal,
    Return,
    Valve,
)
from bench.errors import BoardFault, BoardRefused, GarbledReply, InputError, LinkError, NotOurBoard
from bench.link.base import Link
from bench.link.clock import BoardClock
from bench.link.confirm import named_refusal
from bench.link.raw import protection_values, raw_arguments, raw_settings, spoken
from bench.profiles.model import Protection

Row = TypeVar("Row")

LAST_SEQUENCE = 0x7FFF
CAPTURE_TRIES = 3
_WHO = replace(IDENTITY, header=IDENTITY.header[:3])  # magic and version: the part no version moves


class Board:
    """One board behind a link.

    Args:
        key: this controller's key, 1..65535; random by default, so that two controllers differ.

    Every method may raise LinkError; commands and settings raise BoardRefused with the board's reason,
    and InputError for a value that the contract does not allow.
    """

    def __init__(self, link: Link, key: int | None = None) -> None:
        self._link = link
        self._key = key or secrets.randbelow(0xFFFF) + 1
        self._identity: Identity | None = None
        self._clock = BoardClock()
        self._sequence = 0
        self._claimed = False
        self._told: frozenset[Event] = frozenset()

    @property
    def url(self) -> str:
        """Where the board is, as the user wrote it."""
        return self._link.url

    @property
    def identity(self) -> Identity:
        """Who the board is; known from ``open`` on."""
        if self._identity is None:
            raise RuntimeError("open the board before asking who it is")
        return self._identity

    async def open(self) -> Identity:
        """Connect and make sure that this is a board of our contract.

        Raises:
            NotOurBoard: another device, or another major version of the contract.
        """
        await self._link.open()
        try:
            self._identity = await self._identify()
            snapshot = await self._latched(SNAPSHOT)
        except BaseException:
            await self._link.close()
            raise
        self._clock.begin(_loop_s(), snapshot)
        self._sequence = snapshot.command_sequence
        return self._identity

    async def close(self) -> None:
        """Disconnect; outputs are the guarded board's business. May be called twice."""
        await self._link.close()

    async def _identify(self) -> Identity:
        try:
            magic, major, minor = await self._link.read(_WHO)
        except GarbledReply as error:
            raise NotOurBoard(f"not a board of this contract, or a very bad wire: {error}") from error
        if magic != CONTRACT_MAGIC:
            raise NotOurBoard(
                f"{self.url}: not a board of this contract (register 1 is {magic:#06x}, not {CONTRACT_MAGIC:#06x})"
            )
        if major != CONTRACT_MAJOR:
            older = "the controller" if major > CONTRACT_MAJOR else "the board's firmware"
            raise NotOurBoard(
                f"{self.url}: the board speaks contract version {major}.{minor}, "
                f"this controller speaks {CONTRACT_MAJOR}: update {older}"
            )
        identity = read_identity(await self._link.read(IDENTITY))
        if not 1 <= identity.channels <= MAX_CHANNELS:
            raise NotOurBoard(f"{self.url}: the board says it has {identity.channels} channels, not 1..{MAX_CHANNELS}")
        return identity

    # --- readings ---

    async def snapshot(self) -> Snapshot:
        """Every measurement, latched now."""
        snapshot = await self._latched(SNAPSHOT)
        self._clock.note(_loop_s(), snapshot)
        return snapshot

    async def shot(self) -> Snapshot:
        """Every measurement, latched over the last 2 ms of the last timed probe or pulse."""
        return await self._latched(SHOT)

    async def _latched(self, block: Block) -> Snapshot:
        channels = self.identity.channels
        registers = await self._link.read(block, channels)
        try:
            return read_snapshot(registers, channels)
        except ValueError as error:
            raise GarbledReply(f"{self.url}: the {block.name} makes no sense: {error}") from error

    async def events(self) -> EventPage:
        """The oldest events not told before, up to 14, which are then acknowledged.

        Whatever answer is lost, each event is told once: an event stays on the board until it is
        acknowledged, and one whose acknowledgement was lost is recognised when it comes again.
        Without the claim nothing is acknowledged, and only the oldest 14 are ever seen.
        """
        page = read_events(await self._link.read(EVENTS, EVENTS_PER_READ), EVENTS_PER_READ)
        fresh = tuple(event for event in page.events if event not in self._told)
        self._told = frozenset(page.events)
        if page.events and self._claimed:
            await self._acknowledge(page.events[-1].position + 1)
        return replace(page, events=fresh)

    async def _acknowledge(self, position: int) -> None:
        try:
            await self._command(CommandCode.ACKNOWLEDGE, position)
        except (LinkError, BoardRefused):
            return  # the events in hand matter more; they come again and are acknowledged then

    async def extremes(self) -> tuple[ChannelExtremes, ...]:
        """Lowest and highest samples of every channel since ``reset_extremes``."""
        channels = self.identity.channels
        return read_extremes(await self._link.read(EXTREMES, channels), channels)

    async def far_socket(self) -> FarSocket:
        """The second socket's pins, now and when the last shot was latched."""
        channels = self.identity.channels
        return read_far_socket(await self._link.read(FAR_SOCKET, channels), channels)

    async def capture(self) -> Capture:
        """What the capture memory holds; channel 0 and no samples when nothing was recorded.

        Raises:
            GarbledReply: a new capture kept replacing the one being read.
        """
        for _ in range(CAPTURE_TRIES):
            memory = await self._capture_memory()
            samples = await self._capture_rows(memory.samples, read_capture_page)
            after = await self._capture_memory()
            if (after.channel, after.started_us) == (memory.channel, memory.started_us):
                return _capture(memory, samples)
        raise GarbledReply(f"{self.url}: the capture changed while it was read, {CAPTURE_TRIES} times")

    async def _capture_memory(self) -> CaptureMemory:
        return read_capture(await self._link.read(CAPTURE))

    async def _capture_rows(
        self, count: int, decode: Callable[[Sequence[int]], tuple[int, tuple[Row, ...]]]
    ) -> list[Row]:
        samples: list[Row] = []
        for wanted in range(math.ceil(count / CAPTURE_SAMPLES_PER_PAGE)):
            registers = await self._link.read(CAPTURE_PAGE, CAPTURE_SAMPLES_PER_PAGE, wanted + 1)
            page, more = decode(registers)
            if page != wanted:
                raise GarbledReply(f"{self.url}: asked for capture page {wanted}, got page {page}")
            samples += more
        return samples[:count]

    async def air_capture(self) -> AirCapture:
        """What the capture memory holds of analogue inputs so far; no inputs when it holds something else.

        Raises:
            GarbledReply: a new capture kept replacing the one being read.
        """
        for _ in range(CAPTURE_TRIES):
            memory = await self._capture_memory()
            values = await self._capture_rows(memory.samples, read_air_page) if memory.inputs else []
            after = await self._capture_memory()
            if (after.channel, after.started_us) == (memory.channel, memory.started_us):
                return _air_capture(memory, values)
        raise GarbledReply(f"{self.url}: the capture changed while it was read, {CAPTURE_TRIES} times")

    # --- settings ---

    async def set_board(self, watchdog_s: float, pressure_ceiling_pa: float, nominal_v: float) -> None:
        """Set the watchdog's time, the gauge pressure that trips everything, and 12 or 24 V."""
        await self._set(BOARD_SETTINGS, (watchdog_s, pressure_ceiling_pa, nominal_v))

    async def set_channel(self, channel: int, protection: Protection) -> None:
        """Set the limits of ``channel``, counted from 1."""
        self._check_channel(channel)
        await self._set(CHANNEL_SETTINGS, protection_values(protection), channel)

    async def correction(self, channel: int) -> ChannelCorrection:
        """The corrections that the board keeps for ``channel``."""
        return read_channel_correction(await self._link.read(CALIBRATION, index=self._check_channel(channel)))

    async def common_correction(self) -> CommonCorrection:
        """The corrections that it keeps for everything else."""
        return read_common_correction(await self._link.read(CALIBRATION_COMMON))

    async def keep_correction(self, channel: int, correction: ChannelCorrection) -> None:
        """Let the board keep corrections of ``channel``; refused while it is armed."""
        await self._set(CALIBRATION, astuple(correction), self._check_channel(channel))

    async def keep_common_correction(self, correction: CommonCorrection) -> None:
        """Let it keep the others, with the date; the last of a calibration."""
        await self._set(CALIBRATION_COMMON, astuple(correction))

    async def _set(self, block: Block, values: Sequence[float | str], index: int = 1) -> None:
        refusal = await self._link.write(block, raw_settings(block, values), index)
        if refusal:
            raise BoardRefused(block.name.replace("_", " "), refusal)

    # --- commands ---

    async def claim(self) -> None:
        """Become the one controller."""
        await self._command(CommandCode.CLAIM)
        self._claimed = True

    async def release(self) -> None:
        """Everything off, disarmed, the claim given back."""
        await self._command(CommandCode.RELEASE)
        self._claimed = False

    async def kick(self) -> None:
        """Tell the watchdog that the host is alive."""
        await self._command(CommandCode.KICK)

    async def arm(self) -> None:
        """Allow outputs."""
        await self._command(CommandCode.ARM)

    async def safe(self) -> None:
        """Everything off, both air lines exhausted, disarmed; needs no claim."""
        await self._command(CommandCode.SAFE)

    async def clear(self, faults: Fault) -> None:
        """Clear exactly these latched faults."""
        await self._command(CommandCode.CLEAR, faults)

    async def returns(self, returns: Return) -> None:
        """Close these return switches and open the others."""
        await self._command(CommandCode.RETURNS, returns)

    async def drive(self, channel: int, level: float = 1.0) -> None:
        """Soft-start ``channel`` and keep it on at ``level`` (0.001..1)."""
        await self._command(CommandCode.DRIVE, self._check_channel(channel), level)

    async def off(self, channels: Iterable[int] | None = None) -> None:
        """Turn channels off, all by default, and clear their trips."""
        every = range(1, self.identity.channels + 1)
        chosen = every if channels is None else map(self._check_channel, channels)
        await self._command(CommandCode.OFF, sum(1 << channel - 1 for channel in set(chosen)))

    async def probe(self, channel: int, time_s: float = 0.005) -> None:
        """Probe one pin; after ``time_s`` the shot is latched. 0: stay until ``off``."""
        await self._command(CommandCode.PROBE, self._check_channel(channel), time_s)

    async def pulse(self, channel: int, time_s: float = 0.003) -> None:
        """Cold pulse on one pin; at its end the shot is latched."""
        await self._command(CommandCode.PULSE, self._check_channel(channel), time_s)

    async def wiggle(self, channel: int) -> None:
        """Exercise a wire with safe current pulses until ``off``."""
        await self._command(CommandCode.WIGGLE, self._check_channel(channel))

    async def arm_capture(self, channel: int, rate_hz: int, samples: int) -> None:
        """Record ``channel`` from its next switch-on."""
        await self._command(CommandCode.CAPTURE, self._check_channel(channel), rate_hz, samples)

    async def record_air(self, inputs: Iterable[int], rate_hz: int, samples: int) -> None:
        """Record so many samples of each of these analogue inputs, from now on."""
        chosen = set(inputs)
        mask = sum(1 << number - 1 for number in chosen)
        await self._command(CommandCode.AIR_CAPTURE, mask, rate_hz, samples * len(chosen))

    async def reset_extremes(self) -> None:
        """Start new minima and maxima."""
        await self._command(CommandCode.EXTREMES)

    async def reference(self, on: bool) -> None:
        """Connect the reference resistor to the supply, or disconnect it."""
        await self._command(CommandCode.REFERENCE, on)

    async def join_far(self, pins: int) -> None:
        """Join exactly these pins of the second socket, bits as the contract's FAR has them."""
        await self._command(CommandCode.FAR, pins)

    async def valve(self, valve: Valve, energise: bool, longest_s: float = 0.0) -> None:
        """Energise a valve for at most ``longest_s``, or let it go."""
        await self._command(CommandCode.VALVE, valve, energise, longest_s)

    async def regulate(self, line: int, pressure_pa: float) -> None:
        """Set an electronic regulator (0 supply, 1 service), gauge."""
        await self._command(CommandCode.REGULATE, line, pressure_pa)

    async def self_test(self) -> None:
        """Check the board itself; a failure latches the SELF_TEST fault."""
        await self._command(CommandCode.SELF_TEST)

    async def restart(self) -> None:
        """Restart the firmware: safe, disarmed, settings and claim lost."""
        before = await self.snapshot()
        try:
            await self._command(CommandCode.RESTART)
        except LinkError:
            if (await self.snapshot()).boots == before.boots:
                raise
        self._claimed = False
        self._clock.begin(_loop_s(), await self.snapshot())

    async def _command(self, code: CommandCode, *values: float) -> None:
        command = COMMAND_BY_CODE[code]
        raw = raw_arguments(command, values)
        refusal = await self._carry_out(command, await self._next_sequence(), raw)
        if refusal:
            raise BoardRefused(spoken(command), refusal)

    async def _next_sequence(self) -> int:
        if not self._claimed:  # others may command the board, too
            self._sequence = (await self.snapshot()).command_sequence
        self._sequence = self._sequence % LAST_SEQUENCE + 1
        return self._sequence

    async def _carry_out(self, command: Command, sequence: int, raw: Sequence[int]) -> Refusal:
        try:
            return await self._link.command(sequence, self._key, command.code, raw)
        except LinkError as lost:
            refusal = await self._what_became_of(command, sequence)
            if refusal is not None:
                return refusal
            if command.switches_on:
                raise LinkError(f"{spoken(command)} did not reach the board: {lost}") from lost
        return await self._link.command(sequence, self._key, command.code, raw)

    async def _what_became_of(self, command: Command, sequence: int) -> Refusal | None:
        try:
            seen = await self.snapshot()
        except LinkError as error:
            if command.code is CommandCode.KICK:
                raise  # nobody asked for it, and nobody need know what became of it
            raise LinkError(f"it is unknown whether the board carried out {spoken(command)}: {error}") from error
        return named_refusal(seen.command_result, self.url) if seen.command_sequence == sequence else None

    def _check_channel(self, channel: int) -> int:
        if not 1 <= channel <= self.identity.channels:
            raise InputError(f"{self.url} has channels 1..{self.identity.channels}, there is no channel {channel}")
        return channel

    # --- time ---

    async def wait(self, seconds: float) -> Snapshot:
        """Let ``seconds`` of board time pass; return a snapshot taken at their end.

        Raises:
            BoardFault: the board restarted meanwhile.
            LinkError: the board's clock has stopped.
        """
        seen = await self.snapshot()
        return await self._pass(seen, seen.uptime_s + seconds)

    async def wait_until(self, uptime_s: float) -> Snapshot:
        """As ``wait``, until the board's clock shows ``uptime_s``."""
        return await self._pass(await self.snapshot(), uptime_s)

    async def _pass(self, seen: Snapshot, uptime_s: float) -> Snapshot:
        while not self._clock.restarted and seen.uptime_s < uptime_s:
            if self._clock.stands_still:
                raise LinkError(
                    f"{self.url}: the board's clock stands still at {seen.uptime_s:.3f} s: restart the board"
                )
            await asyncio.sleep(self._clock.pause_s(uptime_s - seen.uptime_s))
            seen = await self.snapshot()
        if self._clock.restarted:
            raise BoardFault(Fault.RESTARTED)
        return seen


def _loop_s() -> float:
    return asyncio.get_running_loop().time()


def _capture(memory: CaptureMemory, samples: Sequence[tuple[float, float]]) -> Capture:
    return Capture(
        channel=memory.channel,
        started_us=memory.started_us,
        dt_s=1 / memory.rate_hz if memory.rate_hz else 0.0,
        current_a=tuple(current_a for current_a, _ in samples),
        voltage_v=tuple(voltage_v for _, voltage_v in samples),
    )


def _air_capture(memory: CaptureMemory, values: Sequence[int]) -> AirCapture:
    """Values sorted out by input; of a turn that was cut off by the end of what is held, nothing."""
    inputs = memory.inputs
    whole = len(values) // len(inputs) * len(inputs) if inputs else 0
    return AirCapture(
        started_us=memory.started_us,
        dt_s=1 / memory.rate_hz if memory.rate_hz else 0.0,
        values={number: tuple(values[place : whole : len(inputs)]) for place, number in enumerate(inputs)},
    )
