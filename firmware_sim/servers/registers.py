"""What a server serves, and how its time follows the event loop's."""

import asyncio
from collections.abc import Callable, Sequence
from itertools import cycle
from typing import Protocol

from bench.contract.fields import Block, RawValue
from bench.contract.table import COMMAND, CommandCode, Refusal

WAKE_S = 0.01
LONGEST_LAG_S = 0.25  # of loop time; a board that cannot keep up goes slower instead of falling behind


class Registers(Protocol):
    """A simulated board's memory and clock."""

    @property
    def time_s(self) -> float:
        """Board time of the last tick."""

    def advance_to(self, time_s: float) -> None:
        """Let the board live until ``time_s``."""

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """Registers; raises IllegalAddress, or TimeoutError when the board answers nobody."""

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """Take a write; raises as a read does."""


class PacedBoard:
    """Registers whose board time runs at ``speed`` times ``clock``, the running loop's when None."""

    def __init__(self, board: Registers, speed: float = 1.0, clock: Callable[[], float] | None = None) -> None:
        self._board = board
        self._speed = speed
        self._clock = clock or asyncio.get_running_loop().time
        self._seen_s = self._clock()
        self._goal_s = board.time_s
        self._sequences = cycle(range(1, 0x10000))

    async def run(self) -> None:
        """Let the board live while nobody asks it anything."""
        while True:
            self.catch_up()
            await asyncio.sleep(WAKE_S)

    def catch_up(self) -> None:
        """Let the board live until now."""
        now_s = self._clock()
        self._goal_s += min(now_s - self._seen_s, LONGEST_LAG_S) * self._speed
        self._seen_s = now_s
        self._board.advance_to(self._goal_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """As the board's, now."""
        self.catch_up()
        return self._board.read_registers(address, count)

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """As the board's, now."""
        self.catch_up()
        return self._board.write_registers(address, values)

    def read_block(self, block: Block, rows: int = 0, index: int = 1) -> tuple[RawValue, ...]:
        """Raw values of a block, header first."""
        _, *registers = self.read_registers(block.start(index), block.length(rows))
        return block.unpack(registers, rows)

    def write_block(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        """Set a block."""
        return self.write_registers(block.start(index) + 1, block.pack(values))

    def command(self, key: int, code: CommandCode, arguments: Sequence[int], sequence: int | None = None) -> Refusal:
        """Give one command, with the next of our own sequences when the host has none."""
        sequence = next(self._sequences) if sequence is None else sequence
        return self.write_block(COMMAND, (sequence, key, code, *arguments, *(0,) * (3 - len(arguments))))
