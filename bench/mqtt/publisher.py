"""The bench's link to its broker: a thread of its own, so that a run never waits for it, on whatever loop it is.

It connects, says that it is there, sends what is in the outbox, listens for commands, and begins anew
when the connection breaks, ever more slowly up to a bound. On the way out it sends what is left, for a
bounded time, and says that it is gone; if it can't, the broker publishes its last will.
"""

import asyncio
import contextlib
import logging
import threading
from collections.abc import Callable
from datetime import datetime
from typing import Self

import aiomqtt

from bench import __version__
from bench.mqtt.address import SUBJECTS, BrokerUrl
from bench.mqtt.messages import BenchState, DiscoveryMessage, Message, StateMessage
from bench.mqtt.outbox import ROOM, Letter, Outbox

BATCH = 100  # letters on the wire at once, unanswered
KEEPALIVE_S = 10
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.1, 5.0
FLUSH_S = 2.0
ANSWER_S = 5.0
Heard = Callable[[bytes, bool], None]
"""Takes a command's payload and whether it was retained; called in the publisher's thread."""

_QUIET = logging.getLogger("umbilical.mqtt")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False


class Publisher:
    """One bench on one broker; a context manager.

    Args:
        url: where.
        heard: takes commands; None for a bench that takes none.
        commands: names of those it takes, for the discovery message.
        now: wall clock, aware.
        room: most messages that wait.
        notice: gets one line when the broker is lost, and when it is back.
    """

    def __init__(
        self,
        url: BrokerUrl,
        *,
        heard: Heard | None = None,
        commands: tuple[str, ...] = (),
        now: Callable[[], datetime] = lambda: datetime.now().astimezone(),
        room: int = ROOM,
        notice: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.url = url
        self.now = now
        self.outbox = Outbox(room, self._wake)
        self.connected = threading.Event()
        self._heard = heard
        self._commands = commands if heard else ()
        self._notice = notice
        self._tls = url.tls_context()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._live()), name="mqtt", daemon=True)
        self._ready = threading.Event()
        self._leaving = False
        self._told = False
        self._on_the_wire = 0
        self._idle = threading.Event()
        self._state = StateMessage(bench=url.bench, sent=self._sent(), state="idle")

    def __enter__(self) -> Self:
        self._thread.start()
        self._ready.wait()
        self._put_state()
        return self

    def __exit__(self, *_: object) -> None:
        self._leaving = True
        self._wake()
        self._thread.join(FLUSH_S + ANSWER_S)

    # --- from any thread ---

    def put(self, subject: str, message: Message, *, retain: bool = False, passing: bool = False) -> None:
        """Say something; never waits."""
        payload = message.model_dump_json().encode()
        self.outbox.put(Letter(self.url.topic(subject), payload, retain, passing))

    def flushed(self, within_s: float) -> bool:
        """Wait, outside any run, until the broker has everything that was put; False when it takes too long."""
        end_s = self.now().timestamp() + within_s
        while len(self.outbox) or self._on_the_wire:
            if self.now().timestamp() > end_s:
                return False
            self._idle.wait(0.01)
        return True

    def state(self, state: BenchState, **changed: str | None) -> None:
        """Say what the bench is doing, when that is something new."""
        after = self._state.model_copy(update={"state": state, **changed, "dropped": self.outbox.dropped})
        if after != self._state:
            self._state = after.model_copy(update={"sent": self._sent()})
            self._put_state()

    def _put_state(self) -> None:
        self.put("state", self._state, retain=True)

    def _sent(self) -> str:
        return self.now().isoformat(timespec="milliseconds")

    def _wake(self) -> None:
        if self._ready.is_set():
            with contextlib.suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._something.set)

    # --- in the publisher's own thread ---

    async def _live(self) -> None:
        self._loop, self._something = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        pause_s = FIRST_PAUSE_S
        while not self._leaving:
            try:
                await self._converse()
                pause_s = FIRST_PAUSE_S
            except* (aiomqtt.MqttError, OSError) as group:
                if self.connected.is_set():
                    pause_s = FIRST_PAUSE_S
                    self._notice(f"the broker at {self.url.host} is lost: {_why(group)}; messages wait")
                elif not self._told:
                    self._notice(f"the broker at {self.url.host} can't be reached: {_why(group)}; messages wait")
                self._told = True
                self.connected.clear()
            if not self._leaving:
                self._something.clear()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._until_leaving(), pause_s)
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    async def _until_leaving(self) -> None:
        while not self._leaving:
            self._something.clear()
            await self._something.wait()

    async def _converse(self) -> None:
        lost = StateMessage(bench=self.url.bench, sent=self._sent(), state="lost")
        client = aiomqtt.Client(
            self.url.host,
            self.url.port,
            username=self.url.user,
            password=self.url.password(),
            tls_context=self._tls,
            will=aiomqtt.Will(self.url.topic("state"), lost.model_dump_json().encode(), qos=1, retain=True),
            keepalive=KEEPALIVE_S,
            timeout=ANSWER_S,
            logger=_QUIET,
            max_inflight_messages=BATCH,
        )
        client.pending_calls_threshold = 10 * BATCH
        async with client, asyncio.TaskGroup() as tasks:
            await self._greet(client)
            listener = tasks.create_task(self._listen(client), name="listen")
            await self._send(client)
            listener.cancel()

    async def _greet(self, client: aiomqtt.Client) -> None:
        topics = {subject: self.url.topic(subject) for subject in SUBJECTS}
        found = DiscoveryMessage(
            bench=self.url.bench, sent=self._sent(), umbilical=__version__, topics=topics, commands=list(self._commands)
        )
        await client.publish(self.url.discovery, found.model_dump_json().encode(), qos=1, retain=True)
        if self._heard is not None:
            await client.subscribe(self.url.topic("command"), qos=1)
        self._put_state()  # over the last will of the connection before
        self.connected.set()

    async def _send(self, client: aiomqtt.Client) -> None:
        """Send until told to leave; then what is left, and that the bench is gone."""
        while not self._leaving:
            self._something.clear()
            if not await self._send_some(client):
                await self._something.wait()
        self._state = self._state.model_copy(update={"state": "gone", "sent": self._sent()})
        self._put_state()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FLUSH_S):
                while await self._send_some(client):
                    pass

    async def _send_some(self, client: aiomqtt.Client) -> bool:
        letters = self.outbox.take(BATCH)
        self._on_the_wire = len(letters)
        try:
            async with asyncio.TaskGroup() as sending:
                for letter in letters:
                    sending.create_task(client.publish(letter.topic, letter.payload, qos=1, retain=letter.retain))
        except BaseException:
            self.outbox.put_back(letters)  # those that arrived come twice: QoS 1 means at least once
            raise
        finally:
            self._on_the_wire = 0
        return bool(letters)

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if self._heard is not None and isinstance(message.payload, bytes):
                self._heard(message.payload, message.retain)


def _why(group: BaseExceptionGroup[Exception]) -> str:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error)
