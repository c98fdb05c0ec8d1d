"""The board under test: raw commands and blocks, time that keeps its watchdog fed, and the way back to off."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace

from bench.contract.fields import Block, RawValue
from bench.contract.readings import (
    Event,
    EventPage,
    Identity,
    Snapshot,
    read_capture,
    read_capture_page,
    read_events,
    read_identity,
    read_snapshot,
)
from bench.contract.table import (
    BOARD_SETTINGS,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    EVENTS,
    EVENTS_PER_READ,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    Capability,
    CommandCode,
    EventKind,
    Fault,
    Refusal,
    Return,
)
from bench.errors import LinkError
from bench.link.base import Link
from bench.link.conformance.check import DummyLoad, Unmet, Untestable, require

KEY, OTHER_KEY = 0x4B31, 0x4B32
LONGEST_WATCHDOG_MS = 2000
KICK_EVERY_S = 0.25
LONGEST_PAUSE_S = 0.1
PATIENCE_S = 30.0
FULL_LEVEL = 1000  # per mille
BUDGET_MINUTE_S = 61.0
# start 6 A for 5 ms, then 15 A for 250 ms at most, 60 A2s, no retries, 6 A rms, wiggle 5 A for 5 ms each 100 ms
CHANNEL = (6000, 5, 15_000, 250, 6000, 1000, 0, 6000, 5000, 5, 100)
_BOARD_FIELDS = [field.name for field in BOARD_SETTINGS.header]
_CHANNEL_FIELDS = [field.name for field in CHANNEL_SETTINGS.header]


async def nobody(_what: str) -> bool:
    """Nobody is there to do anything."""
    return False


class Rig:
    """One board behind ``link``.

    Args:
        load: what is plugged in, None when nothing is.
        ask: tells a person what to do; False when nobody does it.
        wire: scheme of the board's URL.
    """

    def __init__(
        self,
        link: Link,
        wire: str,
        load: DummyLoad | None = None,
        ask: Callable[[str], Awaitable[bool]] = nobody,
    ) -> None:
        self.link = link
        self.wire = wire
        self.ask = ask
        self.nominal_mv = 12_000
        self._load = load
        self._identity: Identity | None = None
        self._sequence = 0

    @property
    def identity(self) -> Identity:
        """Who the board is; known from ``meet`` on."""
        if self._identity is None:
            raise RuntimeError("meet the board first")
        return self._identity

    @property
    def channels(self) -> int:
        """How many it says it has."""
        return self.identity.channels

    @property
    def load(self) -> DummyLoad:
        """What is plugged in."""
        if self._load is None:
            raise Untestable("no dummy load is plugged in")
        return self._load

    def can(self, capability: Capability) -> bool:
        """Whether the board says it has it."""
        return capability in self.identity.capabilities

    # --- reading ---

    async def meet(self) -> None:
        """Read who it is and what supply it has."""
        self._identity = await self.identify()
        seen = await self.snapshot()
        self.nominal_mv = 24_000 if seen.supply_v > 17 else 12_000
        self._sequence = seen.command_sequence

    async def identify(self) -> Identity:
        """The identity block."""
        return read_identity(await self.link.read(IDENTITY))

    async def snapshot(self, block: Block = SNAPSHOT) -> Snapshot:
        """The snapshot, or the shot."""
        try:
            return read_snapshot(await self.link.read(block, self.channels), self.channels)
        except ValueError as error:
            raise Unmet(str(error)) from error

    async def shot(self) -> Snapshot:
        """The shot block."""
        return await self.snapshot(SHOT)

    async def page(self) -> EventPage:
        """The oldest events; nothing is acknowledged."""
        return read_events(await self.link.read(EVENTS, EVENTS_PER_READ), EVENTS_PER_READ)

    async def events(self) -> list[Event]:
        """All events, which are then acknowledged."""
        found: list[Event] = []
        while page := (await self.page()).events:
            found += page
            await self.must(CommandCode.ACKNOWLEDGE, page[-1].position + 1)
        return found

    async def forget_events(self) -> None:
        """Acknowledge whatever is there."""
        await self.events()

    async def capture(self) -> tuple[float, int, list[tuple[float, float]]]:
        """Seconds a sample, board clock of sample 0 in us, (A, V) of each."""
        memory = read_capture(await self.link.read(CAPTURE))
        require(memory.rate_hz > 0, "the capture block says a rate of 0 Hz")
        samples: list[tuple[float, float]] = []
        for page in range(-(-memory.samples // CAPTURE_SAMPLES_PER_PAGE)):
            _, rows = read_capture_page(await self.link.read(CAPTURE_PAGE, CAPTURE_SAMPLES_PER_PAGE, page + 1))
            samples += rows
        return 1 / memory.rate_hz, memory.started_us, samples[: memory.samples]

    # --- commanding ---

    def next_sequence(self) -> int:
        """A sequence number that no command before had."""
        self._sequence = self._sequence % 0x7FFF + 1
        return self._sequence

    async def command(self, code: CommandCode, *arguments: int, key: int = KEY, sequence: int | None = None) -> Refusal:
        """What the board says to a command with raw arguments; one whose answer is lost is asked for once more."""
        number = self.next_sequence() if sequence is None else sequence
        try:
            return await self.link.command(number, key, code, arguments)
        except LinkError:
            return await self.link.command(number, key, code, arguments)

    async def must(self, code: CommandCode, *arguments: int) -> None:
        """Give a command that a board of the contract carries out here."""
        refusal = await self.command(code, *arguments)
        require(not refusal, f"{_named(code)} was refused: {_named(refusal)}")

    async def drive(self, channel: int) -> None:
        """Drive a channel at full level; when earlier tries have used its budget, wait until the wire has cooled."""
        refusal = await self.command(CommandCode.DRIVE, channel, FULL_LEVEL)
        if refusal is Refusal.BUDGET_USED:
            await self.wait(BUDGET_MINUTE_S)
            refusal = await self.command(CommandCode.DRIVE, channel, FULL_LEVEL)
        require(not refusal, f"DRIVE was refused: {_named(refusal)}")

    async def refused(self, expected: Refusal, code: CommandCode, *arguments: int, key: int = KEY) -> str:
        """Give a command that must be refused for one reason; says so."""
        refusal = await self.command(code, *arguments, key=key)
        require(refusal is expected, f"{_named(code)} {list(arguments)}: {_named(refusal)}, not {_named(expected)}")
        return f"{_named(code)}: {_named(refusal)}"

    async def set(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        """Write settings; the link reads back what the board kept."""
        return await self.link.write(block, values, index)

    async def set_board(self, **changed: int) -> Refusal:
        """The board's settings, raw, but for what is ``changed``."""
        standard = {
            "watchdog_time": LONGEST_WATCHDOG_MS,
            "pressure_ceiling": 1_034_000,
            "supply_nominal": self.nominal_mv,
        }
        return await self.set(BOARD_SETTINGS, [(standard | changed)[name] for name in _BOARD_FIELDS])

    async def set_channel(self, channel: int, **changed: int) -> Refusal:
        """A channel's settings, raw, but for what is ``changed``; never more than the board's largest current."""
        largest = round(self.identity.largest_current_a * 1000)
        standard = dict(zip(_CHANNEL_FIELDS, CHANNEL, strict=True))
        for name in ("start_limit", "limit", "rms_limit", "wiggle_limit"):
            standard[name] = min(standard[name], largest)
        return await self.set(CHANNEL_SETTINGS, [(standard | changed)[name] for name in _CHANNEL_FIELDS], channel)

    # --- states that checks begin from ---

    async def claim(self) -> None:
        """Hold the board: everything off, settings written, watchdog running, no fault latched, no event unread."""
        await self.must(CommandCode.CLAIM)
        await self.must(CommandCode.SAFE)
        await self.must(CommandCode.OFF, 0xFFFF)  # a trip outlives SAFE
        require(not await self.set_board(), "the board settings were refused")
        await self.must(CommandCode.KICK)
        seen = await self.snapshot()
        if seen.faults:
            await self.must(CommandCode.CLEAR, int(seen.faults))
        await self.forget_events()

    async def arm(self, *channels: int) -> None:
        """Allow outputs, with both returns closed, and give ``channels`` the standard settings."""
        for channel in channels:
            require(not await self.set_channel(channel), f"the standard settings of channel {channel} were refused")
        await self.must(CommandCode.ARM)
        if channels and self.can(Capability.RETURN_SWITCHES):
            await self.must(CommandCode.RETURNS, int(Return.BOTH))

    async def let_go(self) -> None:
        """Everything off, the claim given back; safe without the claim too."""
        await self.command(CommandCode.SAFE)
        await self.command(CommandCode.RELEASE)

    # --- time ---

    async def wait(self, board_s: float, *, kicking: bool = True) -> Snapshot:
        """Let board time pass, with or without signs of life; a snapshot taken then."""
        seen = await self.snapshot()
        end_s, kick_s = seen.uptime_s + board_s, seen.uptime_s
        begun_s = asyncio.get_running_loop().time()
        while seen.uptime_s < end_s:
            if asyncio.get_running_loop().time() > begun_s + board_s + PATIENCE_S:
                raise Unmet(f"the board's clock went on by {seen.uptime_s - (end_s - board_s):.3f} s only")
            if kicking and seen.uptime_s >= kick_s:
                await self.must(CommandCode.KICK)
                kick_s = seen.uptime_s + KICK_EVERY_S
            await asyncio.sleep(min(end_s - seen.uptime_s + 1e-4, LONGEST_PAUSE_S))
            seen = await self.snapshot()
        return seen

    async def until(self, wanted: Callable[[Snapshot], bool], at_most_s: float) -> Snapshot | None:
        """The first snapshot that is as ``wanted``, or None."""
        seen = await self.snapshot()
        end_s = seen.uptime_s + at_most_s
        while not wanted(seen):
            if seen.uptime_s >= end_s:
                return None
            seen = await self.wait(0.01)
        return seen


def _named(member: CommandCode | Refusal) -> str:
    return member.name


def fault_set(events: Sequence[Event], fault: Fault) -> Event:
    """The event that latched ``fault``."""
    return the(events, EventKind.FAULT_SET, value=int(fault))


def the(events: Sequence[Event], kind: EventKind, index: int | None = None, value: int | None = None) -> Event:
    """The first event like this.

    Raises:
        Unmet: there is none.
    """
    for event in events:
        if event.kind is kind and index in (None, event.index) and value in (None, event.value):
            return event
    what = kind.name + ("" if index is None else f" of {index}") + ("" if value is None else f" with value {value}")
    raise Unmet(f"no event {what} among {[getattr(event.kind, 'name', event.kind) for event in events]}")


def head_of(block: Block, fields: int) -> Block:
    """The first registers of a block as a block."""
    return replace(block, header=block.header[:fields], row=())
