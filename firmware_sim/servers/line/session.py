"""Bytes in, bytes out: one connection of the line protocol, without I/O."""

import re
from functools import reduce
from operator import xor

from firmware_sim.servers.line.connection import Connection
from firmware_sim.servers.line.errors import LineError
from firmware_sim.servers.line.meanings import Meaning, meanings_of
from firmware_sim.servers.line.syntax import Unit, units
from firmware_sim.servers.registers import PacedBoard

LONGEST_LINE = 1024
_CHECKED = re.compile(rb"(?P<body>(?P<tag>[0-9A-F]{4})\|(?P<text>.*))\*(?P<check>[0-9A-F]{2})", re.DOTALL)


class LineSession:
    """Feed it what arrives; send what it returns."""

    def __init__(self, board: PacedBoard) -> None:
        self._connection = Connection(board)
        self._buffer = bytearray()
        self._overrun = False
        self._last: tuple[bytes, bytes] = (b"", b"")  # the last checked line and its reply

    def feed(self, data: bytes) -> bytes:
        """Take bytes; return the replies to every line that they complete.

        A board that answers nobody returns nothing.
        """
        replies = b""
        for octet_line in self._lines(data):
            try:
                replies += self._reply(octet_line)
            except TimeoutError:
                continue
        return replies

    def _lines(self, data: bytes) -> list[bytes]:
        self._buffer += data
        *lines, rest = self._buffer.split(b"\n")
        self._buffer = bytearray(rest)
        kept = []
        for line in lines:
            if self._overrun or len(line) >= LONGEST_LINE:
                self._overrun = False
                self._report_overrun()
            else:
                kept.append(bytes(line.removesuffix(b"\r")))
        if len(self._buffer) >= LONGEST_LINE:
            self._overrun = True
            self._buffer.clear()
        return kept

    def _report_overrun(self) -> None:
        if not self._connection.checked:
            self._connection.status.report(-363)

    def _reply(self, line: bytes) -> bytes:
        connection = self._connection
        reply = self._checked_reply(line) if connection.checked else self._plain_reply(line)
        connection.checked = connection.next_checked
        return reply

    def _plain_reply(self, line: bytes) -> bytes:
        self._connection.sequence = None
        answers = self._carry_out(line.decode("latin-1"))
        return b";".join(answers) + b"\n" if answers else b""

    def _checked_reply(self, line: bytes) -> bytes:
        match = _CHECKED.fullmatch(line)
        if match is None or check_byte(match["body"]) != int(match["check"], 16) or match["tag"] == b"0000":
            return b""
        if line == self._last[0]:
            return self._last[1]
        self._connection.sequence = int(match["tag"], 16)
        answers = self._carry_out(match["text"].decode("latin-1"), single=True)
        body = match["tag"] + b"|" + b";".join(answers)
        reply = body + b"*%02X\n" % check_byte(body)
        self._last = (line, reply)
        return reply

    def _carry_out(self, message: str, *, single: bool = False) -> list[bytes]:
        self._connection.identify()
        found = list(units(message))
        answers = map(self._answer, meanings_of(found, single=single), found)
        return [answer for answer in answers if answer is not None]

    def _answer(self, meaning: Meaning, unit: Unit) -> bytes | None:
        try:
            answer = meaning.do(self._connection, unit.parameters)
        except LineError as error:
            self._connection.status.report(error.number)
            return None
        return answer.encode("ascii") if isinstance(answer, str) else answer


def check_byte(octets: bytes) -> int:
    """XOR of all octets."""
    return reduce(xor, octets, 0)
