"""The link to a board in this process: registers without a wire, on any event loop."""

import asyncio
from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

from bench.contract.fields import Block, RawValue
from bench.contract.table import COMMAND, CommandCode, Refusal
from bench.errors import GarbledReply, NoBoard, NotOurBoard
from bench.link.confirm import write_confirmed

T = TypeVar("T")

PATIENCE_S = 0.1  # what it takes to notice that a hung board says nothing


class Registers(Protocol):
    """A board's memory and clock, as the simulator offers them.

    Where nothing is at an address, reading and writing raise LookupError; a hung board raises TimeoutError.
    """

    def advance_to(self, time_s: float) -> None:
        """Let the board live until ``time_s``."""

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        """Registers of a block, latched when its tag is among them."""

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        """Take settings or a command in one piece."""


class InProcessLink:
    """A :class:`~bench.link.base.Link` to ``registers``, whose time follows ``clock``.

    Args:
        url: as the user wrote it.
        clock: seconds; the running loop's ``time``.
        exchange_s: what one exchange takes on the clock, as a wire would.
    """

    def __init__(self, url: str, registers: Registers, clock: Callable[[], float], exchange_s: float = 0.002) -> None:
        self.url = url
        self._registers = registers
        self._clock = clock
        self._exchange_s = exchange_s
        self._wire = asyncio.Lock()
        self._is_open = False

    async def open(self) -> None:
        """Start using the board."""
        self._is_open = True

    async def read(self, block: Block, rows: int = 0, index: int = 1) -> tuple[int, ...]:
        """Registers of a block without its tag."""
        tag, *registers = await self._exchange(
            lambda: self._registers.read_registers(block.start(index), block.length(rows))
        )
        if not block.owns(tag):
            raise GarbledReply(f"{self.url}: tag {tag:#06x} is not one of the {block.name} block")
        return tuple(registers)

    async def write(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        """Write settings and read them back."""
        return await write_confirmed(self, self._put, block, values, index)

    async def command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        """Give one command; once begun it is carried out even when the caller is cancelled."""
        a, b, c = (*arguments, 0, 0, 0)[:3]
        return await self._put(COMMAND, (sequence, key, code, a, b, c))

    async def close(self) -> None:
        """Stop using the board."""
        self._is_open = False

    async def _put(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        registers = block.pack(values)
        return await self._exchange(lambda: self._registers.write_registers(block.start(index) + 1, registers))

    async def _exchange(self, do: Callable[[], T]) -> T:
        if not self._is_open:
            raise NoBoard(f"{self.url}: the link is closed")
        async with self._wire:
            self._registers.advance_to(self._clock())
            try:
                answer = do()
            except TimeoutError:
                await asyncio.sleep(PATIENCE_S)
                raise NoBoard(f"{self.url}: the board does not answer") from None
            except LookupError as error:
                raise NotOurBoard(f"{self.url}: {error}; it is not a board of this contract") from error
            await asyncio.sleep(self._exchange_s)
        return answer
