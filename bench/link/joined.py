"""Several boards as one: a bench of up to 128 pins with one time base.

Wired so: the negative sides and the supplies of all boards are joined; the returns and the chassis sense are those of
the first board, whose clock is also the bench's. Channels are numbered through, board after board.

A probe is held until every board has read its pins under it, so that the matrix goes across boards; what is latched at
its end is therefore a mean over 10 ms. A cold pulse is too short for that, so a joined bench has none. Air is the first
board's. Each board keeps its own watchdog, claim and protection: one that fails turns itself off, and the session turns
off the rest.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Iterable, Sequence
from dataclasses import replace
from functools import reduce
from operator import and_, or_
from typing import Any, TypeVar

from bench.contract.readings import (
    AirCapture,
    Capture,
    ChannelCorrection,
    ChannelExtremes,
    CommonCorrection,
    Event,
    EventPage,
    FarSocket,
    Identity,
    Snapshot,
)
from bench.contract.table import Capability, EventKind, Fault, Mode, Return, Valve
from bench.errors import InputError
from bench.link.board import Board
from bench.link.time_base import ClockLine, common_s
from bench.profiles.model import Protection

T = TypeVar("T")

MOST_PINS = 128
SETTLES_S = 0.013  # snapshot values are means of the last 10 ms
ROUNDS = 8  # exchanges with each board before its clock is believed
ALL_OF = Mode.ARMED | Mode.WATCHDOG_RUNNING | Mode.CLAIMED
OF_CHANNELS = frozenset(
    {
        EventKind.CHANNEL_STATE,
        EventKind.TRIP,
        EventKind.BROKE,
        EventKind.MADE,
        EventKind.CAPTURE_DONE,
        EventKind.SHORT_CLEARED,
    }
)


class JoinedBoard:
    """Boards that look like one.

    Args:
        boards: at least one, in the order of their channels.

    Methods are those of ``Board``; where several boards are asked, an error is raised after all have answered.
    """

    def __init__(self, boards: Sequence[Board]) -> None:
        self._boards = tuple(boards)
        self._lines = tuple(ClockLine() for _ in boards)
        self._firsts: tuple[int, ...] = ()
        self._identity: Identity | None = None
        self._newest: tuple[Snapshot, ...] = ()
        self._read: list[int] = [0] * len(boards)
        self._told = 0
        self._shot: Snapshot | None = None
        self._shots = 0
        self._captured = 0

    @property
    def url(self) -> str:
        """Where the boards are."""
        return ",".join(board.url for board in self._boards)

    @property
    def identity(self) -> Identity:
        """The bench; known from ``open`` on."""
        if self._identity is None:
            raise RuntimeError("open the boards before asking who they are")
        return self._identity

    @property
    def uncertain_s(self) -> float:
        """How far the boards' clocks may be from the first one's, as they are brought together here."""
        return max(line.uncertain_s for line in self._lines) + self._lines[0].uncertain_s

    async def open(self) -> Identity:
        """Connect to every board and learn how their clocks stand.

        Raises:
            NoBoard, NotOurBoard: one of them is not there, or not a board; the others are let go of.
            InputError: more pins than a bench may have.
        """
        try:
            identities = await self._all(lambda board: board.open())
        except BaseException:
            await self.close()
            raise
        counts = [identity.channels for identity in identities]
        if sum(counts) > MOST_PINS:
            raise InputError(f"{self.url}: {sum(counts)} pins in all; a bench has at most {MOST_PINS}")
        self._firsts = tuple(sum(counts[:n]) for n in range(len(counts)))
        self._identity = _together(identities, sum(counts))
        for _ in range(ROUNDS):
            await self.snapshot()
        self._read = [each.events_head for each in self._newest] if not self._told else self._read
        return self._identity

    async def close(self) -> None:
        """Disconnect from all; may be called twice."""
        await self._all(lambda board: board.close())

    # --- readings ---

    async def snapshot(self) -> Snapshot:
        """Every board read at the same time, as one."""
        self._newest = tuple(await asyncio.gather(*(self._one(n) for n in range(len(self._boards)))))
        return self._merged(self._newest)

    async def _one(self, n: int) -> Snapshot:
        loop = asyncio.get_running_loop()
        asked_s = loop.time()
        seen = await self._boards[n].snapshot()
        self._lines[n].note(asked_s, loop.time(), seen.uptime_s)
        return seen

    def _merged(self, each: Sequence[Snapshot]) -> Snapshot:
        first = each[0]
        modes = [seen.mode for seen in each]
        unread = sum(seen.events_head - read for seen, read in zip(each, self._read, strict=True))
        return replace(
            first,
            mode=(reduce(and_, modes) & ALL_OF) | (reduce(or_, modes) & ~ALL_OF),
            faults=reduce(or_, (seen.faults for seen in each)),
            causes=reduce(or_, (seen.causes for seen in each)),
            boots=sum(seen.boots for seen in each),
            events_head=self._told + max(unread, 0),
            shot_sequence=self._shots,
            supply_v=min(seen.supply_v for seen in each),
            supply_a=sum(seen.supply_a for seen in each),
            board_c=max(seen.board_c for seen in each),
            channels=tuple(channel for seen in each for channel in seen.channels),
        )

    async def shot(self) -> Snapshot:
        """What all boards read under the last timed probe."""
        return self._shot if self._shot is not None else await self.snapshot()

    async def events(self) -> EventPage:
        """What is new on any board, in the order of the bench's time."""
        pages = await self._all(lambda board: board.events())
        fresh = [
            (common_s(self._lines[n], self._lines[0], event.uptime_us * 1e-6), self._renumbered(n, event))
            for n, page in enumerate(pages)
            for event in page.events
        ]
        for n, page in enumerate(pages):
            self._read[n] = max([self._read[n], *(event.position + 1 for event in page.events)])
        events = []
        for at_s, event in sorted(fresh, key=lambda pair: pair[0]):
            events.append(replace(event, position=self._told, uptime_us=round(at_s * 1e6)))
            self._told += 1
        return EventPage(tuple(events), sum(page.lost for page in pages))

    def _renumbered(self, n: int, event: Event) -> Event:
        return replace(event, index=event.index + self._firsts[n]) if event.kind in OF_CHANNELS else event

    async def extremes(self) -> tuple[ChannelExtremes, ...]:
        """Lowest and highest samples of every channel."""
        return tuple(each for rows in await self._all(lambda board: board.extremes()) for each in rows)

    async def capture(self) -> Capture:
        """What the board that was last told to record holds, in the bench's numbers and time."""
        capture = await self._boards[self._captured].capture()
        if not capture.channel:
            return capture
        own, first = self._lines[self._captured], self._lines[0]
        started_us = round(common_s(own, first, capture.started_us * 1e-6) * 1e6)
        return replace(capture, channel=capture.channel + self._firsts[self._captured], started_us=started_us)

    # --- settings and commands for all ---

    async def set_board(self, watchdog_s: float, pressure_ceiling_pa: float, nominal_v: float) -> None:
        """Set all boards alike."""
        await self._all(lambda board: board.set_board(watchdog_s, pressure_ceiling_pa, nominal_v))

    async def claim(self) -> None:
        """Become the controller of all of them, or of none."""
        try:
            await self._all(lambda board: board.claim())
        except BaseException:
            await asyncio.gather(*(board.release() for board in self._boards), return_exceptions=True)
            raise

    async def release(self) -> None:
        """Give all claims back."""
        await self._all(lambda board: board.release())

    async def kick(self) -> None:
        """Tell every watchdog that the host is alive."""
        await self._all(lambda board: board.kick())

    async def arm(self) -> None:
        """Allow outputs on all boards."""
        await self._all(lambda board: board.arm())

    async def safe(self) -> None:
        """Everything off everywhere; a board that can't be reached keeps none of the others on."""
        await self._all(lambda board: board.safe())

    async def clear(self, faults: Fault) -> None:
        """Clear these faults on the boards that hold them."""
        seen = dict(zip(self._boards, self._newest, strict=True))
        holding = [board for board in self._boards if seen[board].faults & faults]
        await self._each(holding, lambda board: board.clear(seen[board].faults & faults))

    async def returns(self, returns: Return) -> None:
        """Close these return switches and open the others: the first board's."""
        await self._boards[0].returns(returns)

    async def reset_extremes(self) -> None:
        """Start new minima and maxima."""
        await self._all(lambda board: board.reset_extremes())

    async def self_test(self) -> None:
        """Let every board check itself."""
        await self._all(lambda board: board.self_test())

    # --- commands for one channel ---

    async def set_channel(self, channel: int, protection: Protection) -> None:
        """Set the limits of a channel."""
        n, own = self._where(channel)
        await self._boards[n].set_channel(own, protection)

    async def drive(self, channel: int, level: float = 1.0) -> None:
        """Soft-start a channel and keep it on."""
        n, own = self._where(channel)
        await self._boards[n].drive(own, level)

    async def off(self, channels: Iterable[int] | None = None) -> None:
        """Turn channels off, all by default."""
        if channels is None:
            await self._all(lambda board: board.off())
            return
        where = [self._where(channel) for channel in channels]
        chosen = [self._boards[n] for n in dict.fromkeys(n for n, _ in where)]
        own = {self._boards[n]: [channel for at, channel in where if at == n] for n, _ in where}
        await self._each(chosen, lambda board: board.off(own[board]))

    async def probe(self, channel: int, time_s: float = 0.005) -> None:
        """Probe one pin until all boards have read it; with time 0 until ``off``."""
        n, own = self._where(channel)
        board = self._boards[n]
        await board.probe(own, 0.0)
        if time_s == 0:
            return
        try:
            await board.wait(max(time_s, SETTLES_S))
            seen = await self.snapshot()
        finally:
            await board.off([own])
        self._shots = (self._shots + 1) % 0x10000
        self._shot = replace(seen, sequence=self._shots, shot_sequence=self._shots)

    async def pulse(self, channel: int, time_s: float = 0.003) -> None:
        """A joined bench has no cold pulse.

        Raises:
            InputError: always; its identity says so.
        """
        raise InputError(f"{self.url}: boards that are joined have no cold pulse (channel {channel}, {time_s:g} s)")

    async def wiggle(self, channel: int) -> None:
        """Exercise a wire until ``off``."""
        n, own = self._where(channel)
        await self._boards[n].wiggle(own)

    async def arm_capture(self, channel: int, rate_hz: int, samples: int) -> None:
        """Record a channel from its next switch-on."""
        self._captured, own = self._where(channel)
        await self._boards[self._captured].arm_capture(own, rate_hz, samples)

    async def correction(self, channel: int) -> ChannelCorrection:
        """Corrections that its board keeps for a channel."""
        n, own = self._where(channel)
        return await self._boards[n].correction(own)

    async def keep_correction(self, channel: int, correction: ChannelCorrection) -> None:
        """Let its board keep corrections of a channel."""
        n, own = self._where(channel)
        await self._boards[n].keep_correction(own, correction)

    # --- what the first board does for all ---

    async def reference(self, on: bool) -> None:
        """Connect the first board's reference resistor, or not."""
        await self._boards[0].reference(on)

    async def join_far(self, pins: int) -> None:
        """Join pins of the first board's second socket: a loose cable goes into one board's two sockets."""
        await self._boards[0].join_far(pins)

    async def far_socket(self) -> FarSocket:
        """The first board's second socket."""
        return await self._boards[0].far_socket()

    async def record_air(self, inputs: Iterable[int], rate_hz: int, samples: int) -> None:
        """Record analogue inputs of the first board."""
        self._captured = 0
        await self._boards[0].record_air(inputs, rate_hz, samples)

    async def air_capture(self) -> AirCapture:
        """What the first board recorded of them."""
        return await self._boards[0].air_capture()

    async def common_correction(self) -> CommonCorrection:
        """Corrections that the first board keeps for what is not a channel's."""
        return await self._boards[0].common_correction()

    async def keep_common_correction(self, correction: CommonCorrection) -> None:
        """Let the first board keep them."""
        await self._boards[0].keep_common_correction(correction)

    async def valve(self, valve: Valve, energise: bool, longest_s: float = 0.0) -> None:
        """Energise a valve of the first board."""
        await self._boards[0].valve(valve, energise, longest_s)

    async def regulate(self, line: int, pressure_pa: float) -> None:
        """Set a regulator of the first board."""
        await self._boards[0].regulate(line, pressure_pa)

    async def wait(self, seconds: float) -> Snapshot:
        """Let time of the bench pass."""
        await self._boards[0].wait(seconds)
        return await self.snapshot()

    async def wait_until(self, uptime_s: float) -> Snapshot:
        """Wait for the bench's clock."""
        await self._boards[0].wait_until(uptime_s)
        return await self.snapshot()

    # --- small things ---

    def _where(self, channel: int) -> tuple[int, int]:
        """Board and its own channel of a channel of the bench.

        Raises:
            InputError: there is no such channel.
        """
        if not 1 <= channel <= self.identity.channels:
            raise InputError(f"{self.url} has channels 1..{self.identity.channels}, there is no channel {channel}")
        n = max(n for n, first in enumerate(self._firsts) if first < channel)
        return n, channel - self._firsts[n]

    async def _all(self, do: Callable[[Board], Coroutine[Any, Any, T]]) -> list[T]:
        return await self._each(self._boards, do)

    async def _each(self, boards: Iterable[Board], do: Callable[[Board], Awaitable[T]]) -> list[T]:
        """Do something with several boards at once; all have answered before the first error is raised."""
        answers = await asyncio.gather(*(do(board) for board in boards), return_exceptions=True)
        done = []
        for answer in answers:
            if isinstance(answer, BaseException):
                raise answer
            done.append(answer)
        return done


def _together(each: Sequence[Identity], channels: int) -> Identity:
    """Several boards as one: what all can do, as exactly as the least exact."""
    first = each[0]
    shared = reduce(and_, (identity.capabilities for identity in each))
    own = first.capabilities & (
        Capability.RETURN_SWITCHES
        | Capability.CHASSIS_SENSE
        | Capability.REFERENCE_RESISTOR
        | Capability.AIR
        | Capability.REGULATOR
    )
    alone = len(each) == 1
    return replace(
        first,
        channels=channels,
        capabilities=first.capabilities if alone else (shared | own) & ~Capability.COLD_PULSE,
        largest_current_a=min(identity.largest_current_a for identity in each),
        current_gain_error=max(identity.current_gain_error for identity in each),
        current_offset_error_a=max(identity.current_offset_error_a for identity in each),
        voltage_gain_error=max(identity.voltage_gain_error for identity in each),
        voltage_offset_error_v=max(identity.voltage_offset_error_v for identity in each),
        capture_rate_hz=min(identity.capture_rate_hz for identity in each),
        capture_samples=min(identity.capture_samples for identity in each),
        serial="+".join(identity.serial for identity in each),
        calibrated=min(identity.calibrated for identity in each),
    )
