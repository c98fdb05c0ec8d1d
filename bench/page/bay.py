"""One bay: a board, the trailer at it, what is being done, who controls and who watches.

``live`` runs for as long as the server does: it connects, reads the board while nothing else does, makes the runs that
it is asked for one after the other, and connects again when the board was lost. Everything else is called by requests
and returns at once; what takes time goes on in ``live``.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.app import Session, connect
from bench.contract.readings import Identity, Snapshot
from bench.contract.table import Capability
from bench.errors import BenchError, LinkError
from bench.events import Event, RunEnded
from bench.page import lease as leases
from bench.page import shown
from bench.page.asking import Asking
from bench.page.doing import Doing
from bench.page.fanout import Fanout
from bench.page.hold import Hold
from bench.page.lease import Lease
from bench.page.visit import Visit, without_recordings
from bench.results import Run
from bench.safety import GuardedBoard
from bench.safety.hand import Hand
from bench.sequences import Typed
from bench.sequences.skipping import Skip

LOOK_S = 0.05
TRY_AGAIN_S = (0.5, 1.0, 2.0, 5.0)
SWEEP_S = 1.0
CURVE_EVERY_S, MOST_CURVE = 0.5, 2400
MOST_NOTICES = 5

_log = logging.getLogger(__name__)

Work = Callable[[Session], Awaitable[Run]]
After = Callable[[Run], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class Job:
    """A run to make.

    Attributes:
        work: makes it in a session.
        after: gets it when it has ended well.
    """

    doing: Doing
    work: Work
    after: After | None = None
    skip: Skip | None = None
    typed: Typed | None = None


class BusyBay(BenchError):  # noqa: N818 - named for what is so, as every error here
    """Something else is being done in this bay."""


class Bay:
    """One bay.

    Args:
        name: what people call it.
        url: of its board.
        record: database of the runs.
        called: the name of a device, by its id.
        apart: where long arithmetic is done, so that nothing here waits for it.
    """

    def __init__(
        self,
        name: str,
        url: str,
        record: str | Path | None,
        called: Callable[[str], str],
        apart: Executor | None = None,
    ) -> None:
        self.name = name
        self.url = url
        self.visit: Visit | None = None
        self.lease = Lease()
        self.job: Job | None = None
        self.fanout = Fanout({"state": self.state, "visit": self.visit_shown})
        self.asking = Asking(self._changed)
        self.hold = Hold(self._changed, self._spawn)
        self.hand: Hand | None = self.hold
        self.curve: deque[tuple[float, float | None, float | None]] = deque(maxlen=MOST_CURVE)
        self._record = record
        self._called = called
        self._apart = apart
        self._identity: Identity | None = None
        self._why_not = "connecting"
        self._guard: GuardedBoard | None = None
        self._stopping: str | None = None
        self._wanted = asyncio.Event()
        self._tasks: asyncio.TaskGroup | None = None
        self._notices: deque[dict[str, Any]] = deque(maxlen=MOST_NOTICES)
        self._noticed = 0
        self._newest: Snapshot | None = None
        self._looked_s = float("-inf")

    # --- for as long as the server runs ---

    async def live(self) -> None:
        """Connect, serve, connect again, until cancelled."""
        try:
            async with asyncio.TaskGroup() as self._tasks:
                self._tasks.create_task(self._sweep(), name=f"{self.name}: lease")
                await self._connect_for_ever()
        finally:
            self._tasks = None

    async def _connect_for_ever(self) -> None:
        tries = 0
        while True:
            try:
                async with connect(
                    self.url,
                    record=self._record,
                    tell=self._tell,
                    notice=self.notice,
                    operator=self.asking,
                    companion=self,
                    apart=self._apart,
                ) as session:
                    tries = 0
                    self._found(session.identity)
                    await self._serve(session)
            except BenchError as error:
                self._lost(str(error))
            await asyncio.sleep(TRY_AGAIN_S[min(tries, len(TRY_AGAIN_S) - 1)])
            tries += 1

    async def _sweep(self) -> None:
        """A lease whose device fell silent ends without anybody asking."""
        while True:
            await asyncio.sleep(SWEEP_S)
            self._lease(leases.current(self.lease, _now_s()))

    async def _serve(self, session: Session) -> None:
        while True:
            if self.job is None:
                await session.snapshot()
                with suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_S):  # wait_for would lose a cancellation that comes with a job
                        await self._wanted.wait()
                self._wanted.clear()
            else:
                await self._do(session, self.job)

    async def _do(self, session: Session, job: Job) -> None:
        try:
            run = await job.work(session)
            if job.after is not None:
                await job.after(run)
        except LinkError:
            raise
        except BenchError as error:
            self.notice(str(error))
        finally:
            self.job, self._stopping = None, None
            self._changed()

    def _spawn(self, work: Callable[[], Awaitable[None]]) -> None:
        """Do something beside the session. What goes wrong there is said, and the bay goes on."""

        async def quietly() -> None:
            try:
                await work()
            except BenchError:
                return  # the session meets it, too, and says it
            except Exception as error:  # a drawing that fails must not take the session with it
                _log.exception("bay %s", self.name)
                self.notice(f"something beside the run failed: {error}")

        if self._tasks is not None:
            self._tasks.create_task(quietly())

    def _found(self, identity: Identity) -> None:
        self._identity, self._why_not = identity, ""
        self._changed()

    def _lost(self, why: str) -> None:
        if self._identity is not None or self._why_not != why:
            self._identity, self._why_not, self._newest = None, why, None
            self.notice(why)
        if self.job is not None:
            self.job = None
        self._changed()

    # --- what a session tells (see bench.app.Companion) ---

    def opened(self, guard: GuardedBoard) -> None:
        """A run has begun."""
        self._guard = guard
        self.hold.attach(guard)
        if self._stopping is not None:
            reason = self._stopping
            self._spawn(lambda: self._stop(guard, reason))

    def closed(self) -> None:
        """It is over."""
        self._guard = None
        self.hold.attach(None)

    def saw(self, snapshot: Snapshot) -> None:
        """The board was read."""
        self._newest = snapshot
        profile = None if self.visit is None else self.visit.profile
        self.fanout.live(lambda: shown.reading(snapshot, profile))
        if profile is not None and profile.air is not None:
            told = shown.reading(snapshot, profile)
            self._remember(snapshot.uptime_s, told.get("supply"), told.get("service"))

    def _remember(self, uptime_s: float, supply_pa: float | None, service_pa: float | None) -> None:
        if self.curve and 0 <= uptime_s - self.curve[-1][0] < CURVE_EVERY_S:
            return
        self.curve.append((round(uptime_s, 2), supply_pa, service_pa))

    def _tell(self, event: Event) -> None:
        if self.job is not None:
            self.job.doing.take(event)
        if isinstance(event, RunEnded) and self.visit is not None:
            visit = self.visit
            self._spawn(lambda: self._keep(visit, event.run))
        self._changed()

    async def _keep(self, visit: Visit, run: Run) -> None:
        bare = without_recordings(run)
        told = await asyncio.get_running_loop().run_in_executor(self._apart, shown.run, bare, visit.profile)
        visit.take(bare, told)
        self.visit_changed()

    def notice(self, text: str) -> None:
        """One line for whoever is there."""
        self._noticed += 1
        self._notices.append({"n": self._noticed, "text": text})
        self._changed()

    # --- what requests do ---

    def begin(self, visit: Visit | None) -> None:
        """Another trailer, or none.

        Raises:
            BusyBay: something is being done.
        """
        if self.job is not None:
            raise BusyBay("stop what is being done first")
        self.visit = visit
        self.curve.clear()
        self.visit_changed()

    def start(self, job: Job) -> None:
        """Make a run.

        Raises:
            BusyBay: another one is being made.
            LinkError: the board is not there.
        """
        if self.job is not None:
            raise BusyBay("something else is being done in this bay: let it end, or stop it")
        if self._identity is None:
            raise LinkError(self._why_not or "the board is not connected")
        self.job = job
        self._stopping = None
        self._wanted.set()
        self._changed()

    async def stop(self, reason: str) -> bool:
        """Everything off, now; True when the board has said so, or nothing was on."""
        guard = self._guard
        if self.job is None:
            self.notice(f"stopped {reason}; nothing was on")
        else:
            self._stopping = reason
        self.hold.let_go()
        stopped = True if guard is None else await guard.stop(reason)
        self.asking.give_up()
        return stopped

    async def _stop(self, guard: GuardedBoard, reason: str) -> None:
        await guard.stop(reason)

    # --- control ---

    def _lease(self, lease: Lease) -> None:
        if lease.holder != self.lease.holder:
            self.hold.let_go()
        if (lease.holder, lease.asking) != (self.lease.holder, self.lease.asking):
            self._changed()
        self.lease = lease

    def take(self, device: str) -> None:
        """A device wants control: it has it now, or asks who has it."""
        self._lease(leases.taken(self.lease, device, _now_s()))

    def give(self, device: str, to: str) -> None:
        """Whoever has control hands it over."""
        self._lease(leases.given(self.lease, device, to, _now_s()))

    def keep(self, device: str) -> None:
        """Whoever has control keeps it, whoever asks."""
        self._lease(leases.kept(self.lease, device, _now_s()))

    def free(self, device: str) -> None:
        """A device lets go of control, or is not paired any more."""
        self._lease(leases.freed(self.lease, device))

    def heard(self, device: str | None) -> None:
        """A sign of life."""
        self._lease(leases.heard(self.lease, device, _now_s()))

    def controls(self, device: str | None) -> bool:
        """Whether a device has control now."""
        return device is not None and leases.current(self.lease, _now_s()).holder == device

    # --- what pages are told ---

    def _changed(self) -> None:
        self.fanout.changed("state")

    def visit_changed(self) -> None:
        """Something of the visit is another one."""
        self.fanout.changed("visit", "state")

    def state(self) -> dict[str, Any]:
        """What changes often."""
        return {
            "bay": self.name,
            "board": self._board(),
            "control": {"holder": self._device(self.lease.holder), "asking": self._device(self.lease.asking)},
            "watching": self.fanout.watching,
            "doing": None if self.job is None else self.job.doing.shown,
            "question": self.asking.shown,
            "hold": self._holding(),
            "notices": list(self._notices),
            "unit": "" if self.visit is None else self.visit.unit_number,
            "station": None if self.visit is None else self.visit.station(),
            "verdict": None if self.visit is None else self.visit.verdict().value,
        }

    def visit_shown(self) -> dict[str, Any]:
        """What changes seldom."""
        return {"visit": None if self.visit is None else shown.visit(self.visit)}

    def _board(self) -> dict[str, Any]:
        who = self._identity
        return {
            "url": self.url,
            "connected": who is not None,
            "why": self._why_not,
            "serial": "" if who is None else who.serial,
            "simulated": self.url.startswith("sim:"),
            "air": who is not None and Capability.AIR in who.capabilities,
            "wiggle": who is not None and Capability.WIGGLE_MONITOR in who.capabilities,
        }

    def _device(self, device_id: str | None) -> dict[str, str] | None:
        return None if device_id is None else {"id": device_id, "name": self._called(device_id)}

    def _holding(self) -> dict[str, Any]:
        hold = self.hold
        stage = hold.wanted or hold.stage
        return {
            "needed": hold.needed,
            "waits": hold.wanted is not None,
            "held": hold.held,
            "keeps": hold.keeps,
            "stage": None if stage is None else stage.value,
        }


def _now_s() -> float:
    return asyncio.get_running_loop().time()
