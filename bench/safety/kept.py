"""A board that is kept: claimed, fed, watched, and off on every way out.

Way in: identity, faults, claim, settings, watchdog, armed. Inside: a keeper feeds the watchdog and watches for faults,
whoever does what; a command goes out after ``permit`` has seen a fresh snapshot, and one at a time. Way out, whatever
the way: everything off first, then the claim is given back. No cancellation cuts the way out short, and a deadline
bounds it; what the link can no longer carry, the board's own watchdog does. An end that comes from elsewhere (a fault,
a lost link, a stop) interrupts whatever the body awaits and leaves the block as that error.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import replace
from types import TracebackType
from typing import Any, Self

from bench.contract.readings import Capture, Event, Identity, Snapshot
from bench.contract.table import DEFAULT_WATCHDOG_S, Capability, Fault, Return, TripReason, Valve
from bench.errors import BoardRefused, PermitDenied, Stopped
from bench.profiles.model import Profile
from bench.safety.air_guard import AirGuard
from bench.safety.ending import Ending
from bench.safety.hand import Hand
from bench.safety.keeper import OFF_BY_ITSELF, SHORTEST_BASELINE_S, Keeper
from bench.safety.permit import Capacity, Denial, Request, Switch, permit
from bench.safety.port import BoardPort
from bench.safety.setup import Setup
from bench.safety.watch import Watch
from bench.safety.way_in import (
    PRESSURE_CEILING_PA,
    check_faults,
    check_fuses,
    check_supply,
    claimed,
    prepare,
    watchdog_for,
)
from bench.safety.way_out import finish, switch_off

NO_FAULT = Fault(0)


class Denied(PermitDenied):
    """A rule said no; ``denial`` says which."""

    def __init__(self, request: Request, denial: Denial) -> None:
        super().__init__(f"{type(request).__name__.lower()} refused: {denial.why}")
        self.request = request
        self.denial = denial


def _ignore(_: object) -> None:
    return


class KeptBoard:
    """One session on one board with one profile; what may be asked of the board is ``GuardedBoard``'s.

    Args:
        board: opened here, closed by whoever made it.
        profile: what is plugged in: settings, circuits, nominal voltage.
        notice: takes one line that people should read but that stops nothing.
        on_event: takes every event of the board as it is read.
        acknowledged: latched faults that the operator has seen and wants cleared.
        attended: somebody stands beside the board; without them it must have a watchdog.
        on_snapshot: takes every snapshot as it is read.
        hand: who must hold the control while air moves something; None for the session itself.
        capacity: what supply and returns carry.
    """

    def __init__(
        self,
        board: BoardPort,
        profile: Profile,
        *,
        notice: Callable[[str], None] = _ignore,
        on_event: Callable[[Event], None] = _ignore,
        acknowledged: Fault = NO_FAULT,
        attended: bool = True,
        capacity: Capacity | None = None,
        on_snapshot: Callable[[Snapshot], None] = _ignore,
        hand: Hand | None = None,
    ) -> None:
        self.setup = Setup.of(profile)
        self.capacity = capacity or Capacity()
        self.watchdog_s = DEFAULT_WATCHDOG_S
        self._board = board
        self._notice = notice
        self._on_event = on_event
        self._on_snapshot = on_snapshot
        self._acknowledged = acknowledged
        self._attended = attended
        self._ending = Ending()
        self._watch = Watch(self.setup, self.capacity, self._ending)
        self.air = AirGuard(profile.air, self._move_valve, hand=hand)
        self._ceiling_pa = PRESSURE_CEILING_PA if profile.air is None else self.air.thresholds.highest_pa
        self._identity: Identity | None = None
        self._stopped: str | None = None
        self._off = False  # everything, confirmed
        self._lost = False  # that was asked for in vain, and nothing has been heard since
        self._commands = asyncio.Lock()  # one at a time, so that a lost answer is looked up before the next is sent
        self._context = self._session()

    # --- way in and way out ---

    async def __aenter__(self) -> Self:
        await self._context.__aenter__()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return await self._context.__aexit__(kind, error, trace)

    @asynccontextmanager
    async def _session(self) -> AsyncIterator[None]:
        await self._meet()
        async with claimed(self._board, self._notice, lambda: self._lost):
            self._watch.inherit(await prepare(self._board, self.identity, self.setup, self._notice))
            await self._start_watchdog()
            try:
                async with asyncio.TaskGroup() as tasks, self._kept(tasks):
                    yield
            except BaseExceptionGroup as group:  # of one: the keeper reports through the ending, never by raising
                raise group.exceptions[0] from None

    @asynccontextmanager
    async def _kept(self, tasks: asyncio.TaskGroup) -> AsyncIterator[None]:
        keeper = tasks.create_task(self._keep(), name="keeper")
        try:
            await self._arm()
            async with self.interruptible():
                yield
        finally:
            keeper.cancel()
            if not self._left_to_its_watchdog:
                await self.safe()

    async def _arm(self) -> None:
        """Allow outputs, and close the returns: a board starts with them open."""
        await self._send(self._board.arm())
        if Capability.RETURN_SWITCHES in self.capabilities:
            await self._request(Switch(Return.BOTH), lambda: self._board.returns(Return.BOTH))

    async def _start_watchdog(self) -> None:
        """Choose its time by what an exchange takes and how fast the board lives, and feed it for the first time."""
        await asyncio.sleep(max(SHORTEST_BASELINE_S - self._watch.age_s, 0.0))
        await self._read()
        self.watchdog_s = watchdog_for(self._watch.age_s, self._watch.pace.per_second)
        await self._board.set_board(self.watchdog_s, self._ceiling_pa, self.setup.nominal_v)
        if self._has_watchdog:
            await self._board.kick()

    async def _meet(self) -> None:
        """Who is it, can it be used, and what does it report?"""
        self._identity = await self._board.open()
        if not self._has_watchdog:
            if not self._attended:
                raise PermitDenied("this board has no watchdog: somebody must stand beside it")
            self._notice("this board has no watchdog: if the link breaks, switch off its supply")
        asked_at_s = asyncio.get_running_loop().time()
        snapshot = self._noted(asked_at_s, await self._board.snapshot())
        check_faults(snapshot, self._acknowledged)
        check_supply(snapshot, self.setup)
        check_fuses(self.identity, self.setup)

    async def _keep(self) -> None:
        watch = self._watch
        kick, so_what = (self._kick, OFF_BY_ITSELF) if self._has_watchdog else (self._look, "switch off its supply")
        try:
            await Keeper(
                kick, self._look, self._read_page, lambda: watch.age_s, self.watchdog_s, watch.pace, so_what
            ).run()
        except Exception as error:  # whatever it is, the session can't go on without its keeper
            self._ending.because(error)

    async def _kick(self) -> None:
        async with self._commands:
            await self._board.kick()
        self.air.heard()

    async def _look(self) -> bool:
        snapshot = await self._read()
        self._watch.check(snapshot)
        if self._ending.error is not None and not self._off:
            await self.safe()  # now, not when the body has found its way out
        await self.air.look()
        return snapshot.events_head > self._watch.events_read

    async def safe(self) -> bool:
        """Everything off and disarmed, always allowed; tried for half a second, however often it is cancelled.

        Returns:
            True when the board has said so; otherwise its own watchdog does it, and a notice says so.
        """
        self._watch.changed()
        watchdog_s = self.watchdog_s if self._has_watchdog else None
        self._off = await finish(switch_off(self._board, watchdog_s, self._notice))
        self._lost = not self._off
        self.air.forget()
        return self._off

    async def stop(self, reason: str) -> bool:
        """End the session from any task: everything off now, and ``Stopped`` raised in the body.

        Returns:
            As ``safe``.
        """
        self._stopped = self._stopped or reason
        self._ending.because(Stopped(f"stopped: {reason}; outputs are off"))
        return await self.safe()

    def remark(self, text: str) -> None:
        """Tell people one line that stops nothing."""
        self._notice(text)

    def interruptible(self) -> AbstractAsyncContextManager[None]:
        """A block that an end from elsewhere interrupts, for those who must tidy up inside the session."""
        return self._ending.interruptible()

    # --- what is known ---

    @property
    def identity(self) -> Identity:
        """Who the board is; known inside the block."""
        if self._identity is None:
            raise RuntimeError("the board is known inside the block only")
        return self._identity

    @property
    def capabilities(self) -> Capability:
        """What the board can do."""
        return self.identity.capabilities

    @property
    def _has_watchdog(self) -> bool:
        return Capability.WATCHDOG in self.capabilities

    @property
    def _left_to_its_watchdog(self) -> bool:
        """Whether asking once more for everything off could only keep people waiting."""
        return self._lost and self._has_watchdog

    @property
    def shorted(self) -> frozenset[int]:
        """Channels that a probe or pulse of this session showed to be shorted."""
        return frozenset(self._watch.shorted)

    @property
    def trips(self) -> dict[int, TripReason]:
        """Why each channel last tripped, as far as events have been read."""
        return dict(self._watch.trips)

    @property
    def lit_at_s(self) -> float | None:
        """Board clock when a lamp was last lit."""
        return self._watch.lit_at_s

    def denial(self, request: Request) -> Denial | None:
        """What the rules say of ``request`` by the newest snapshot."""
        air = None if self.air.system is None else self.air.seen
        return permit(request, replace(self._watch.seen(self.capabilities, self._stopped), air=air))

    async def snapshot(self) -> Snapshot:
        """Everything measured, now."""
        self._ending.check()
        snapshot = self._checked(await self._read())
        await self.air.look()
        return snapshot

    async def fresh(self) -> Snapshot:
        """A snapshot that shows what the last command did and is recent; read only when there is none yet."""
        self._ending.check()
        return self._watch.fresh or await self.snapshot()

    async def wait(self, seconds: float, since: Snapshot | None = None) -> Snapshot:
        """Let ``seconds`` of board time pass from now, or from ``since``; a snapshot taken at their end."""
        self._ending.check()
        waiting = self._board.wait(seconds) if since is None else self._board.wait_until(since.uptime_s + seconds)
        snapshot = await waiting
        self._checked(self._noted(asyncio.get_running_loop().time(), snapshot))
        await self.air.look()
        return snapshot

    async def capture(self) -> Capture:
        """What the capture memory holds."""
        self._ending.check()
        return await self._board.capture()

    async def read_events(self) -> None:
        """Read what is in the FIFO, so that ``trips`` is complete."""
        while await self._read_page():
            pass

    async def _read_page(self) -> bool:
        async with self._commands:  # reading acknowledges, which is a command
            page = await self._board.events()
        self._watch.take(page, self._on_event)
        return bool(page.events)

    async def _read(self) -> Snapshot:
        asked_at_s = asyncio.get_running_loop().time()
        return self._noted(asked_at_s, await self._board.snapshot())

    def _noted(self, asked_at_s: float, snapshot: Snapshot) -> Snapshot:
        self._lost = False
        self.air.note(snapshot)
        self._on_snapshot(snapshot)
        return self._watch.note(asked_at_s, snapshot)

    def _checked(self, snapshot: Snapshot) -> Snapshot:
        self._watch.check(snapshot)
        self._ending.check()
        return snapshot

    # --- how a command goes out ---

    async def _move_valve(self, valve: Valve, energise: bool, longest_s: float) -> None:
        await self._send(self._board.valve(valve, energise, longest_s))

    async def _request(self, request: Request, send: Callable[[], Coroutine[Any, Any, None]]) -> None:
        await self._permitted(request)
        await self._send(send())

    async def _permitted(self, request: Request) -> None:
        await self.fresh()
        denial = self.denial(request)
        if denial:
            raise Denied(request, denial)

    async def _send(self, command: Coroutine[Any, Any, None]) -> None:
        try:
            self._ending.check()
            async with self._commands:
                self._watch.changed()
                await command
            self.air.heard()
        except BoardRefused:
            await self.snapshot()  # a fault explains the refusal better than the refusal does
            raise
        finally:
            self._watch.changed()
            command.close()
