"""The event FIFO: positions never repeat, and only an acknowledgement forgets an event."""

from collections import deque

from bench.contract.fields import RawValue
from bench.contract.table import EVENTS_PER_READ, EventKind

EVENT_DEPTH = 256
_EMPTY_ROW = (0, 0, 0, 0)


class EventFifo:
    """Events since the board's start, oldest first."""

    def __init__(self, depth: int = EVENT_DEPTH) -> None:
        self.head = 0  # position of the next event
        self.lost = 0
        self._depth = depth
        self._rows: deque[tuple[int, int, int, int]] = deque()

    def add(self, uptime_us: int, kind: EventKind, index: int, value: int) -> None:
        """Append an event; the oldest gives way when the FIFO is full."""
        if len(self._rows) == self._depth:
            self._rows.popleft()
            self.lost += 1
        self._rows.append((uptime_us, kind, index, value))
        self.head += 1

    @property
    def first(self) -> int:
        """Position of the oldest event held."""
        return self.head - len(self._rows)

    def acknowledge(self, position: int) -> bool:
        """Forget the events before ``position``; False when it lies in the future."""
        if position > self.head:
            return False
        for _ in range(position - self.first):
            self._rows.popleft()
        return True

    def block(self) -> tuple[RawValue, ...]:
        """Raw values of the events block."""
        rows = list(self._rows)[:EVENTS_PER_READ]
        padding = [_EMPTY_ROW] * (EVENTS_PER_READ - len(rows))
        return (self.first, len(rows), self.lost, *(value for row in (*rows, *padding) for value in row))
