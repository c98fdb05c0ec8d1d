"""A second board: one channel that measures nothing, with a watchdog, written from the text of BOARD.md alone.

It shares no code with the project: the register numbers below were typed from the paper, and Modbus is another
library's. What it lacks it refuses. Numbers in comments are sections of BOARD.md.
"""

import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from pyModbusTCP.constants import EXP_DATA_ADDRESS, EXP_DATA_VALUE, EXP_NONE, EXP_SLAVE_DEVICE_FAILURE
from pyModbusTCP.server import DataHandler, ModbusServer

LENGTH = {0: 45, 100: 43, 300: 43, 500: 5, 700: 118, 900: 9, 1000: 5, 1100: 12, 1500: 10}  # 3, for one channel
NUMBER = {0: 1, 100: 2, 300: 3, 500: 4, 700: 5, 900: 6, 1000: 8, 1100: 9, 1500: 10}
HOST_SILENT, RESTARTED = 2, 64  # 7
CLAIM, RELEASE, KICK, ARM, SAFE, CLEAR, OFF, CAPTURE_ARM, ACK, EXTREMES, TEST, RESTART = (
    1,
    2,
    3,
    4,
    5,
    6,
    9,
    13,
    14,
    15,
    19,
    20,
)
ARGUMENTS = {  # 4: code to the ranges of its arguments; a channel is 1, there is no other
    CLAIM: (), RELEASE: (), KICK: (), ARM: (), SAFE: (), CLEAR: ((0, 0xFFFF),), 7: ((0, 3),), 8: ((1, 1), (1, 1000)),
    OFF: ((0, 0xFFFF),), 10: ((1, 1), (0, 60_000)), 11: ((1, 1), (1, 20)), 12: ((1, 1),),
    CAPTURE_ARM: ((1, 1), (100, 10_000), (2, 4096)), ACK: ((0, 0x7FFFFFFF),), EXTREMES: (), 16: ((0, 1),),
    17: ((0, 3), (0, 1), (0, 600_000)), 18: ((0, 1), (0, 1_100_000)), TEST: (), RESTART: (),
}  # fmt: skip
DEPTH = 64


class MiniBoard(DataHandler):
    """The board and its Modbus side."""

    def __init__(self) -> None:
        super().__init__()
        self.lock = threading.Lock()
        self.boots, self.reads = 0, dict.fromkeys(LENGTH, 0)
        self.start()

    def start(self) -> None:  # 6, power-on
        self.began, self.boots = time.monotonic(), self.boots + 1
        self.key, self.armed, self.kicked, self.silent, self.taken = 0, False, None, False, (0,) * 6
        self.result, self.snapshots, self.latched, self.shown, self.restart = 0, 0, 0, 0, False
        self.board, self.channel, self.latch = (500, 0, 0), (0,) * 11, {}
        self.events, self.head, self.lost = [], 0, 0
        self.tell(1, self.boots)
        self.fault(RESTARTED)

    def tell(self, kind: int, value: int = 0, at: int | None = None) -> None:  # 9
        self.events.append((self.uptime() if at is None else at, kind, 0, value))
        self.head += 1
        if len(self.events) > DEPTH:
            self.lost += 1
            self.events.pop(0)

    def uptime(self) -> int:
        return int((time.monotonic() - self.began) * 1e6)

    def fault(self, bit: int, at: int | None = None) -> None:
        self.latched |= bit
        self.tell(8, bit, at)
        self.off(at)

    def off(self, at: int | None = None) -> None:
        if self.armed:
            self.armed = False
            self.tell(3, at=at)

    def live(self) -> None:
        """What a tick would have done by now."""
        if self.restart:
            self.start()
        if self.kicked is not None and self.uptime() - self.kicked >= self.board[0] * 1000:
            due, self.kicked, self.silent = self.kicked + self.board[0] * 1000, None, True
            self.fault(HOST_SILENT, due)

    # --- commands, 4 ---

    def command(self, raw: tuple[int, ...]) -> int:
        if raw != self.taken:
            self.taken, self.result = raw, self.judge(*raw)
        return self.result

    def judge(self, sequence: int, key: int, code: int, *arguments: int) -> int:
        if sequence == 0:
            return 2
        if code not in ARGUMENTS:
            return 1
        if code == CLAIM:
            if key == 0:
                return 2
            if self.key not in (0, key) and self.kicked is not None:
                return 7
            self.key = key
            return 0
        if any(not low <= value <= high for (low, high), value in zip(ARGUMENTS[code], arguments, strict=False)):
            return 2
        if code != SAFE and key != self.key:
            return 7 if self.key else 8
        if code in (7, 8, 10, 11, 12, CAPTURE_ARM, 16, 17, 18):
            return 11
        return self.carry_out(code, arguments[0])

    def carry_out(self, code: int, a: int) -> int:
        if code in (RELEASE, SAFE):
            self.off()
            if code == RELEASE:
                self.key, self.kicked = 0, None
        elif code == KICK:
            self.kicked, self.silent = self.uptime(), False
        elif code == ARM:
            if self.latched or self.kicked is None or not self.board[2]:
                return 6 if self.latched else 5 if self.kicked is None else 4
            if not self.armed:
                self.armed = True
                self.tell(2)
        elif code == CLEAR:
            if a & ~self.shown:
                return 14
            if a & HOST_SILENT and self.silent:
                return 12
            self.latched, self.shown = self.latched & ~a, self.shown & ~a
            for bit in (HOST_SILENT, RESTARTED):
                if a & bit:
                    self.tell(9, bit)
        elif code == ACK:
            if a > self.head:
                return 2
            self.events = self.events[max(0, a - (self.head - len(self.events))) :]
        elif code == RESTART:
            self.restart = True
        return 0

    # --- registers, 3 ---

    def block(self, address: int) -> bytes:
        if address == 0:
            parts = (0x554D, 1, 0, 1, 1 << 8, 0, 0, 0, 0, 0, 200, 100, 30, 30, 0, 0, DEPTH, 0, 0)
            return struct.pack(">4HI14H16s16s16s", *parts, b"MINI-1", b"by the paper 1", b"")
        if address in (100, 300):
            return self.measured(shot=address == 300)
        if address == 700:
            rows = [*self.events[:14], *[(0, 0, 0, 0)] * 14][:14]
            head = struct.pack(">IHI", self.head - len(self.events), min(len(self.events), 14), self.lost)
            return head + b"".join(struct.pack(">QHHi", *row) for row in rows)
        if address == 1000:
            return struct.pack(">HIH", *self.board)
        if address == 1100:
            return struct.pack(">11H", *self.channel)
        if address == 1500:
            return struct.pack(">3H3i", *self.taken)
        return bytes(2 * (LENGTH[address] - 1))

    def measured(self, *, shot: bool) -> bytes:
        if not shot:
            self.snapshots, self.shown = self.snapshots + 1 & 0xFFFF, self.latched
        mode = self.armed | (self.kicked is not None) << 1 | (self.key != 0) << 2
        head = (0 if shot else self.snapshots, self.uptime(), mode, self.latched, self.silent * HOST_SILENT, self.boots)
        rest = (self.taken[0], self.result, self.head, 0, 12_600, 0, 0, 220, 250, 0, 0, 0, 0, 0, 0)
        return struct.pack(">HQ6HIHH4hH4hH6i5H", *head, *rest, *(0,) * 6, 0 if self.armed else 8, 0, 0, 0, 0)

    def read(self, address: int, count: int) -> DataHandler.Return:
        with self.lock:
            self.live()
            start = max((a for a in LENGTH if a <= address), default=0)
            if address + count > start + LENGTH[start]:
                return DataHandler.Return(EXP_DATA_ADDRESS)
            if address == start:
                self.reads[start] += 1
                body = self.block(start)
                tag = NUMBER[start] << 8 | self.reads[start] & 0xFF
                self.latch[start] = (tag, *struct.unpack(f">{len(body) // 2}H", body))
            latched = self.latch.get(start, (0,) * LENGTH[start])
            return DataHandler.Return(EXP_NONE, latched[address - start : address - start + count])

    def read_h_regs(self, address, count, _info):
        return self.read(address, count)

    def read_i_regs(self, address, count, _info):
        return self.read(address, count)

    def write_h_regs(self, address, words_l, _info):
        octets = struct.pack(f">{len(words_l)}H", *words_l)
        with self.lock:
            self.live()
            if (address, len(words_l)) == (1501, 9):
                refusal = self.command(struct.unpack(">3H3i", octets))
            elif (address, len(words_l)) == (1001, 4):
                watchdog, _, nominal = board = struct.unpack(">HIH", octets)
                refusal = 0 if 50 <= watchdog <= 2000 and nominal in (12_000, 24_000) else 2
                self.board = self.board if refusal else board
            else:
                return DataHandler.Return(EXP_DATA_ADDRESS)
            codes = {0: EXP_NONE, 2: EXP_DATA_VALUE}
            return DataHandler.Return(codes.get(refusal, EXP_SLAVE_DEVICE_FAILURE))


@contextmanager
def mini_board(port: int) -> Iterator[str]:
    """The board on a loopback port; its URL."""
    server = ModbusServer("127.0.0.1", port, no_block=True, data_hdl=MiniBoard())
    server.start()
    try:
        yield f"modbus-tcp://127.0.0.1:{port}?unit=1"
    finally:
        server.stop()
