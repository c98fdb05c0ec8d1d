"""The page on a loopback port, for tests that come over the network.

The server has a loop of its own, in a thread, and a clock that a busy computer can't hurry: what the clock of the wall
jumps while nobody was let run does not count. So a simulated board's watchdog does not take a loaded test machine for a
silent host.
"""

import asyncio
import http.client
import json
import selectors
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.page.serving import Wanted, serve
from tests.bench.page.trailers import Quick

COUNTED_S = 0.004  # of what a turn of the loop takes to work


class _PatientSelector(selectors.DefaultSelector):
    """Counts the time that is waited; of the time that is worked, or in which nobody was let run, next to nothing."""

    now_s = 0.0
    left_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        came_s = time.monotonic()
        self.now_s += min(came_s - (self.left_s or came_s), COUNTED_S)
        ready = super().select(timeout)
        self.left_s = time.monotonic()
        waited_s = self.left_s - came_s
        self.now_s += waited_s if timeout is None else min(waited_s, max(timeout, 0.0))
        return ready


class PatientLoop(asyncio.SelectorEventLoop):
    """An event loop on such a clock."""

    def __init__(self) -> None:
        self._patient = _PatientSelector()
        super().__init__(self._patient)

    def time(self) -> float:
        """Seconds that were waited."""
        return self._patient.now_s


@dataclass
class Answer:
    """What the server answered."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        """The body."""
        return json.loads(self.body)


@dataclass
class Served:
    """A running server.

    Attributes:
        codes: every pairing code that the bench has shown.
    """

    url: str = ""
    codes: list[str] = field(default_factory=list)

    @property
    def host(self) -> str:
        """Host and port."""
        return self.url.removeprefix("http://").rstrip("/")

    def ask(self, path: str, method: str = "GET", body: object = None, token: str = "", **headers: str) -> Answer:
        """One request; ``headers`` with ``_`` for ``-``."""
        connection = http.client.HTTPConnection(self.host, timeout=30)
        data = body if isinstance(body, bytes) else b"" if body is None else json.dumps(body).encode()
        sent = {"content-type": "application/json"} | {name.replace("_", "-"): text for name, text in headers.items()}
        if token:
            sent["cookie"] = f"umbilical_device={token}"
        connection.request(method, path, data if method != "GET" else None, sent)
        got = connection.getresponse()
        answer = Answer(got.status, {name.lower(): text for name, text in got.getheaders()}, got.read())
        connection.close()
        return answer

    def pair(self, name: str = "phone") -> str:
        """The token of a device that was paired now."""
        answer = self.ask("/api/pair", "POST", {"code": self.codes[-1], "name": name})
        assert answer.status == 200
        return answer.headers["set-cookie"].split(";")[0].partition("=")[2]


@contextmanager
def served(bays: Mapping[str, str], folder: Path, **more: Any) -> Iterator[Served]:
    """A server for these bays, until the block is left."""
    page = Served()
    ready = threading.Event()
    stopping: list[Any] = []
    wanted = Wanted(bays, folder / "records.sqlite", port=0, devices=folder / "devices.json", apart=Quick(), **more)

    async def run() -> None:
        task = asyncio.current_task()
        assert task
        stopping.extend([asyncio.get_running_loop(), task])

        def opened(url: str) -> None:
            page.url = url
            ready.set()

        await serve(wanted, opened, page.codes.append)

    def live() -> None:
        try:
            with asyncio.Runner(loop_factory=PatientLoop) as runner:
                runner.run(run())
        except asyncio.CancelledError:
            return
        finally:
            ready.set()

    thread = threading.Thread(target=live)
    thread.start()
    try:
        assert ready.wait(30)
        yield page
    finally:
        stopping[0].call_soon_threadsafe(stopping[1].cancel)
        thread.join(30)
        assert not thread.is_alive()
