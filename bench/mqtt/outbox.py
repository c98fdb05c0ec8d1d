"""What waits to be sent: bounded, so that a broker that is away can't fill the memory.

Whoever measures puts messages in, from any thread, and never waits. When there is no room the oldest
measurement gives way, then the oldest of anything; what was lost is counted. Retained messages of one
topic replace each other, because only the last counts.
"""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

ROOM = 10_000


@dataclass(frozen=True, slots=True)
class Letter:
    """One message on its way; ``passing`` may be lost when there is no room."""

    topic: str
    payload: bytes
    retain: bool = False
    passing: bool = False


class Outbox:
    """A bounded queue between threads.

    Args:
        room: most letters that wait.
        wake: called from the thread that put something in.
    """

    def __init__(self, room: int = ROOM, wake: Callable[[], None] = lambda: None) -> None:
        self.dropped = 0
        self.wake = wake
        self._room = room
        self._lock = threading.Lock()
        self._letters: deque[Letter] = deque()
        self._retained: dict[str, Letter] = {}

    def __len__(self) -> int:
        return len(self._letters) + len(self._retained)

    def put(self, letter: Letter) -> None:
        """Add a letter; never waits."""
        with self._lock:
            if letter.retain:
                self._retained.pop(letter.topic, None)
                self._retained[letter.topic] = letter
            else:
                if len(self._letters) >= self._room:
                    self._make_room()
                self._letters.append(letter)
        self.wake()

    def take(self, most: int) -> list[Letter]:
        """The next letters, at most so many, in their order; the retained ones last."""
        with self._lock:
            taken = [self._letters.popleft() for _ in range(min(most, len(self._letters)))]
            if not self._letters:
                taken += self._retained.values()
                self._retained.clear()
            return taken

    def put_back(self, letters: list[Letter]) -> None:
        """Letters that could not be sent go first again; a retained one only where no newer has come."""
        with self._lock:
            for letter in reversed(letters):
                if letter.retain:
                    self._retained.setdefault(letter.topic, letter)
                else:
                    self._letters.appendleft(letter)
            while len(self._letters) > self._room:
                self._make_room()

    def _make_room(self) -> None:
        passing = next((n for n, letter in enumerate(self._letters) if letter.passing), 0)
        del self._letters[passing]
        self.dropped += 1
