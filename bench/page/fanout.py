"""From one bay to everybody who watches it.

Each watcher has room for the newest of every kind of message, and nothing else: whoever is slow misses what is no
longer true, and no phone can make the server's memory grow. What must not be missed (that a contact broke, say) is
numbered in the state. A message is turned into text once, however many watch.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

LIVE_EVERY_S = 0.05
LIVE_JITTER = 0.8  # readings come every 50 ms, give or take
TOLD_AGAIN_S = 0.03

Make = Callable[[], Mapping[str, Any]]


class Watcher:
    """One page that watches."""

    def __init__(self) -> None:
        self._newest: dict[str, str] = {}
        self._ready = asyncio.Event()

    def put(self, kind: str, text: str) -> None:
        """Something newer of its kind."""
        self._newest[kind] = text
        self._ready.set()

    async def messages(self) -> AsyncIterator[str]:
        """What is new, for as long as anybody listens."""
        while True:
            await self._ready.wait()
            self._ready.clear()
            newest, self._newest = self._newest, {}
            for message in newest.values():
                yield message


class Fanout:
    """Tells every watcher of one bay.

    Args:
        makers: makes each kind of message that changes now and then, in the order in which a new watcher needs them.
    """

    def __init__(self, makers: Mapping[str, Make]) -> None:
        self._makers = makers
        self._watchers: set[Watcher] = set()
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._live_s = float("-inf")

    @property
    def watching(self) -> int:
        """How many watch."""
        return len(self._watchers)

    @contextmanager
    def watcher(self) -> Iterator[Watcher]:
        """A place for one more watcher, who is told everything first."""
        watcher = Watcher()
        self._watchers.add(watcher)
        for kind in self._makers:
            watcher.put(kind, self._text(kind))
        try:
            yield watcher
        finally:
            self._watchers.discard(watcher)

    def changed(self, *kinds: str) -> None:
        """These are other ones now: tell everybody soon, once for all changes until then."""
        loop = asyncio.get_running_loop()
        for kind in kinds:
            if kind not in self._timers:
                self._timers[kind] = loop.call_later(TOLD_AGAIN_S, self._tell, kind)

    def _tell(self, kind: str) -> None:
        del self._timers[kind]
        if self._watchers:
            self._put(kind, self._text(kind))

    def _text(self, kind: str) -> str:
        return _text(kind, self._makers[kind]())

    def _put(self, kind: str, text: str) -> None:
        for watcher in self._watchers:
            watcher.put(kind, text)

    def live(self, reading: Make) -> None:
        """A new reading of the board; told at most 20 times a second."""
        now_s = asyncio.get_running_loop().time()
        if self._watchers and now_s - self._live_s >= LIVE_EVERY_S * LIVE_JITTER:
            self._live_s = now_s
            self._put("live", _text("live", reading()))


def _text(kind: str, message: Mapping[str, Any]) -> str:
    return json.dumps({"t": kind, **message}, separators=(",", ":"))
