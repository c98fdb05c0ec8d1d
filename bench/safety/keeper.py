"""What runs beside a session: feeding the board's watchdog, and watching the board.

Both share one task, because the wire carries one exchange at a time. A kick is due a third of
the watchdog time after the last one was sent; between kicks the board is looked at, so that a
fault is known within a tenth of a second even while the session waits for something else, and
its events are read, one page at a time.
The watchdog counts board time, and a simulated board may live faster than the wall: until two
looks tell how fast, the keeper hurries.

A board that falls silent is given up as soon as its watchdog has surely run out, whatever the link still
tries and whoever has the wire: people should not stand before a dead screen for longer than that.
"""

import asyncio
from collections.abc import Awaitable, Callable

from bench.contract.readings import Snapshot
from bench.errors import BoardRefused, LinkError

LOOK_S = 0.05
LEAVE_THE_WIRE = 3  # on a slow link, looks are no more than a third of the traffic,
LONGEST_REST_S = 0.1  # but not so rare that the air would be taken for out of sight
TRY_AGAIN_S = 0.01
GIVEN_UP_AFTER = 2.0  # watchdog times: a lost answer and a second try fit in
SHORTEST_PATIENCE_S = 1.0  # a busy computer is no silent board
OFF_BY_ITSELF = "the board has turned everything off by itself"
HURRY = 10.0
SHORTEST_BASELINE_S = 0.1


class Pace:
    """Board seconds in one second of the loop, never taken to be less than one."""

    def __init__(self) -> None:
        self._first: tuple[float, float] | None = None
        self._per_second = HURRY  # until it is known

    def note(self, loop_s: float, snapshot: Snapshot) -> None:
        """Learn from a snapshot asked for at ``loop_s``."""
        if self._first is None or snapshot.uptime_s < self._first[1]:
            self._first = (loop_s, snapshot.uptime_s)
            return
        passed_s = loop_s - self._first[0]
        if passed_s >= SHORTEST_BASELINE_S:
            self._per_second = max((snapshot.uptime_s - self._first[1]) / passed_s, 1.0)

    @property
    def per_second(self) -> float:
        """Board seconds in one second of the loop."""
        return self._per_second

    def loop_s(self, board_s: float) -> float:
        """How long to sleep so that at most ``board_s`` pass on the board."""
        return board_s / self._per_second


class Keeper:
    """Keeps one board's watchdog fed and its state known.

    Args:
        kick: feeds the watchdog.
        look: reads a snapshot and acts on it; tells whether there are events to read.
        read_page: reads a page of events.
        age_s: how old the newest snapshot is, whoever read it.
        watchdog_s: board seconds of silence after which the board turns everything off.
        pace: how fast the board lives.
        so_what: what it means that the board is silent.
    """

    def __init__(
        self,
        kick: Callable[[], Awaitable[object]],
        look: Callable[[], Awaitable[bool]],
        read_page: Callable[[], Awaitable[object]],
        age_s: Callable[[], float],
        watchdog_s: float,
        pace: Pace,
        so_what: str = OFF_BY_ITSELF,
    ) -> None:
        self._kick = kick
        self._look = look
        self._read_page = read_page
        self._events_wait = False
        self._age_s = age_s
        self._watchdog_s = watchdog_s
        self._pace = pace
        self._so_what = so_what
        self._patience_s = max(GIVEN_UP_AFTER * watchdog_s, SHORTEST_PATIENCE_S)
        self._turn_s = 0.0  # what the last turn took, waiting for the wire included
        self._kicked_s = self._answered_s = self._looked_s = _now_s()

    async def run(self) -> None:
        """Go on until cancelled.

        Raises:
            LinkError: the board has not answered for as long as its watchdog waits.
            BoardRefused: it no longer takes this controller's kicks.
        """
        while True:
            await asyncio.sleep(max(min(self._kick_in_s(), self._look_in_s()), 0.0))
            began_s = _now_s()
            try:
                async with asyncio.timeout(self._patience_s):
                    await self._turn(began_s)
            except TimeoutError:
                raise LinkError(
                    f"the board has not answered for {_now_s() - self._answered_s:.1f} s; {self._so_what}; "
                    "check the cable and the board's power"
                ) from None
            except LinkError as error:
                await self._bear(error)
            else:
                self._answered_s = _now_s()
                self._turn_s = self._answered_s - began_s

    def _kick_in_s(self) -> float:
        third_s = self._pace.loop_s(self._watchdog_s / 3)
        return self._kicked_s + third_s - self._turn_s - _now_s()

    def _look_in_s(self) -> float:
        rest_s = min(LEAVE_THE_WIRE * self._turn_s, LONGEST_REST_S) - (_now_s() - self._looked_s)
        return max(rest_s, 0.0 if self._events_wait else LOOK_S - self._age_s())

    async def _turn(self, now_s: float) -> None:
        if self._kick_in_s() <= 0:
            self._kicked_s = now_s
            await self._feed()
        elif self._events_wait and self._age_s() < LOOK_S:
            self._events_wait = False
            await self._read_page()
        else:
            try:
                self._events_wait = await self._look()
            finally:
                self._looked_s = _now_s()

    async def _feed(self) -> None:
        try:
            await self._kick()
        except BoardRefused:
            await self._look()  # a fault explains the refusal better than the refusal does
            raise

    async def _bear(self, error: LinkError) -> None:
        if _now_s() - self._answered_s >= self._watchdog_s:
            raise LinkError(f"{error}; {self._so_what}") from error
        self._kicked_s = float("-inf")
        await asyncio.sleep(TRY_AGAIN_S)


def _now_s() -> float:
    return asyncio.get_running_loop().time()
