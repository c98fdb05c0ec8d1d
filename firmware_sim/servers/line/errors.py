"""Errors of the line protocol, their queue, and the IEEE 488.2 status registers.

Numbers and texts below zero are SCPI-99's (volume 2, 21.8); 200 + refusal is ours.
"""

from collections import deque

from bench.contract.table import Refusal

QUEUE_DEPTH = 32
NO_ERROR = '0,"No error"'
REFUSED = 200

TEXTS = {
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -221: "Settings conflict",
    -222: "Data out of range",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
_STANDARD = {Refusal.BAD_VALUE: -222, Refusal.UNKNOWN_COMMAND: -113}

OPERATION_COMPLETE, DEVICE_ERROR, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 0x01, 0x08, 0x10, 0x20, 0x80
ERRORS_WAITING, EVENT_SUMMARY, SERVICE_REQUEST = 0x04, 0x20, 0x40


class LineError(Exception):
    """One message unit cannot be carried out; ``number`` goes into the error queue."""

    def __init__(self, number: int) -> None:
        super().__init__(TEXTS.get(number, ""))
        self.number = number


def check_refusal(refusal: Refusal) -> None:
    """Turn a refusal into an error.

    Raises:
        LineError: the board refused.
    """
    if refusal is not Refusal.NONE:
        raise LineError(_STANDARD.get(refusal, REFUSED + refusal))


def _text(number: int) -> str:
    return TEXTS[number] if number < 0 else Refusal(number - REFUSED).name.lower().replace("_", " ")


def _event_bit(number: int) -> int:
    if -200 < number < -100:
        return COMMAND_ERROR
    return EXECUTION_ERROR if -300 < number <= -200 else DEVICE_ERROR


class Status:
    """Error queue, event status, and their enables, of one connection."""

    def __init__(self) -> None:
        self.events = POWER_ON
        self.event_enable = 0
        self.service_enable = 0
        self._queue: deque[int] = deque()

    def report(self, number: int) -> None:
        """Queue an error; the last place says that there were more."""
        self.events |= _event_bit(number)
        if len(self._queue) < QUEUE_DEPTH:
            self._queue.append(number)
        else:
            self._queue[-1] = -350

    def next_error(self) -> str:
        """The oldest error, taken out of the queue."""
        if not self._queue:
            return NO_ERROR
        number = self._queue.popleft()
        return f'{number},"{_text(number)}"'

    def take_events(self) -> int:
        """Event status register, cleared by reading."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """Forget errors and events."""
        self._queue.clear()
        self.events = 0

    def status_byte(self) -> int:
        """Status byte as ``*STB?`` reads it."""
        byte = ERRORS_WAITING if self._queue else 0
        if self.events & self.event_enable:
            byte |= EVENT_SUMMARY
        return byte | SERVICE_REQUEST if byte & self.service_enable else byte
