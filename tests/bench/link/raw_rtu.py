"""A Modbus RTU server of its own, written from the specification, that answers one question at a time.

Source of framing and CRC: "Modbus over serial line, specification and implementation guide" 1.02,
2.5.1 and appendix B; of the functions: "Modbus application protocol specification" 1.1b3.
"""

import asyncio
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager

from tests.bench.link.wires import RawPty, raw_pty

Spoil = Callable[[int, bytes], Sequence[tuple[float, bytes]]]


def crc16(octets: bytes) -> bytes:
    value = 0xFFFF
    for octet in octets:
        value ^= octet
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def at_once(number: int, answer: bytes) -> Sequence[tuple[float, bytes]]:
    """The undisturbed wire: the whole answer, without delay."""
    return [(0.0, answer)]


class RawRtu:
    """Answers functions 3, 4 and 16.

    Args:
        read: registers at (address, count), or an exception code.
        write: takes (address, values), returns an exception code or 0.
        spoil: makes of question number n's answer what is said, as (delay in s, bytes) pairs.
    """

    def __init__(
        self,
        read: Callable[[int, int], Sequence[int] | int],
        write: Callable[[int, Sequence[int]], int],
        spoil: Spoil = at_once,
        unit: int = 5,
    ) -> None:
        self.read, self.write, self.spoil, self.unit = read, write, spoil, unit
        self.asked: list[bytes] = []
        self.pty: RawPty | None = None
        self._questions: asyncio.Queue[bytes] = asyncio.Queue()
        self._rest = b""

    def hear(self, octets: bytes) -> None:
        self._rest += octets
        while len(self._rest) >= 8:
            length = 9 + self._rest[6] if self._rest[1] == 16 else 8
            if len(self._rest) < length:
                return
            question, self._rest = self._rest[:length], self._rest[length:]
            if crc16(question[:-2]) != question[-2:]:
                self._rest = b""
            elif question[0] == self.unit:
                self._questions.put_nowait(question)

    async def serve(self) -> None:
        while True:
            question = await self._questions.get()
            self.asked.append(question)
            for delay_s, octets in self.spoil(len(self.asked), self.answer(question)):
                await asyncio.sleep(delay_s)
                assert self.pty
                self.pty.say(octets)

    def answer(self, question: bytes) -> bytes:
        function, (address, count) = question[1], struct.unpack(">HH", question[2:6])
        if function == 16:
            code = self.write(address, struct.unpack(f">{count}H", question[7:-2]))
            body = question[:6]
        else:
            found = self.read(address, count)
            code = found if isinstance(found, int) else 0
            registers = () if isinstance(found, int) else found
            body = question[:2] + bytes([2 * len(registers)]) + struct.pack(f">{len(registers)}H", *registers)
        body = bytes([question[0], function | 0x80, code]) if code else body
        return body + crc16(body)


@asynccontextmanager
async def running(server: RawRtu) -> AsyncIterator[str]:
    """Path of the port that the server listens on."""
    async with raw_pty(server.hear) as server.pty, asyncio.TaskGroup() as tasks:
        serving = tasks.create_task(server.serve())
        yield server.pty.path
        serving.cancel()
