"""What the session knows of the board: newest snapshot, trips, shorts, when a lamp was last lit."""

import asyncio
from collections.abc import Callable, Sequence

from bench.contract.readings import Event, EventPage, Snapshot
from bench.contract.table import Capability, EventKind, TripReason
from bench.errors import BoardFault
from bench.safety.ending import Ending
from bench.safety.keeper import Pace
from bench.safety.permit import FEEDING, Capacity, Seen
from bench.safety.setup import Setup

FRESH_S = 0.1  # an older snapshot is read again before anything is switched on


class Watch:
    """Takes in snapshots and events, and ends the session on a fault."""

    def __init__(self, setup: Setup, capacity: Capacity, ending: Ending) -> None:
        self.pace = Pace()
        self.trips: dict[int, TripReason] = {}
        self.shorted: set[int] = set()
        self.lit_at_s: float | None = None
        self.newest: Snapshot | None = None
        self.events_read = 0
        self.moved_s: dict[tuple[int, int], float] = {}
        self._setup = setup
        self._capacity = capacity
        self._ending = ending
        self._asked_at_s = 0.0
        self._changed_at_s = 0.0

    @property
    def age_s(self) -> float:
        """How old the newest snapshot is at most."""
        return asyncio.get_running_loop().time() - self._asked_at_s

    @property
    def fresh(self) -> Snapshot | None:
        """The newest snapshot if it is recent and was asked for after the last change."""
        shows_it = self._asked_at_s >= self._changed_at_s
        return self.newest if shows_it and self.age_s < FRESH_S else None

    def changed(self) -> None:
        """Something is or was just switched: what is known does not show it."""
        self._changed_at_s = asyncio.get_running_loop().time()

    def note(self, asked_at_s: float, snapshot: Snapshot) -> Snapshot:
        """Take in a snapshot asked for at ``asked_at_s``."""
        self.newest, self._asked_at_s = snapshot, asked_at_s
        self.pace.note(asked_at_s, snapshot)
        if any(channel.state in FEEDING for channel in snapshot.channels):
            self.lit_at_s = snapshot.uptime_s
        return snapshot

    def check(self, snapshot: Snapshot) -> None:
        """End the session when ``snapshot`` shows a fault, or the cause of one: a plain board may latch none."""
        if faults := snapshot.faults | snapshot.causes:
            self._ending.because(BoardFault(faults))

    def inherit(self, events: Sequence[Event]) -> None:
        """Take what an earlier session left in the FIFO: a channel that changed its state may have been lit."""
        changes = [event.uptime_us * 1e-6 for event in events if event.kind is EventKind.CHANNEL_STATE]
        self.lit_at_s = max(changes, default=None)

    def take(self, page: EventPage, tell: Callable[[Event], None]) -> None:
        """Take in events as they are read."""
        for event in page.events:
            if event.kind is EventKind.TRIP:
                self.trips[event.index] = TripReason(event.value)
            if event.kind is EventKind.VALVE:
                self.moved_s[event.index, event.value] = event.uptime_us * 1e-6
            self.events_read = event.position + 1
            tell(event)

    def seen(self, capabilities: Capability, stopped: str | None) -> Seen:
        """What the permit rules look at."""
        return Seen(
            setup=self._setup,
            snapshot=self.newest,
            age_s=self.age_s,
            capabilities=capabilities,
            stopped=stopped,
            shorted=frozenset(self.shorted),
            lit_at_s=self.lit_at_s,
            capacity=self._capacity,
        )
