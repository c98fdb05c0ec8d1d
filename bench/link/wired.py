"""What links over a wire have in common: one exchange at a time, on a connection that is made when it is needed.

A link says how a block, settings and a command look on its wire, each as one attempt. When it is that attempt's
turn, that there is a connection by then, and how often it is repeated, is said here once: reads and settings
do no harm twice, a command is never repeated.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from functools import partial
from typing import Protocol

from bench.contract.fields import Block, RawValue
from bench.contract.table import CommandCode, Refusal
from bench.errors import NoBoard
from bench.link.confirm import write_confirmed
from bench.link.exchange import Turns, try_again


class Wire(Protocol):
    """A connection that can be made, lost and made again."""

    @property
    def is_connected(self) -> bool:
        """Whether there is a connection, as far as anyone knows."""

    async def connect(self) -> None:
        """Make it.

        Raises:
            LinkError, NotOurBoard: with the reason and what to do.
        """

    async def disconnect(self) -> None:
        """Let go of it, if there is one."""


class WiredLink(ABC):
    """A :class:`~bench.link.base.Link` over ``wire``."""

    def __init__(self, url: str, wire: Wire) -> None:
        self.url = url
        self._connection = wire
        self._turns = Turns()
        self._is_open = False

    async def open(self) -> None:
        """Connect."""
        self._is_open = True
        await self._turns.take(self._be_connected)

    async def read(self, block: Block, rows: int = 0, index: int = 1) -> tuple[int, ...]:
        """Registers of a block without its tag."""
        return await self._turns.take(partial(try_again, self._be_connected, partial(self._read, block, rows, index)))

    async def write(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        """Write settings and read them back."""
        return await write_confirmed(self, self._put, block, values, index)

    async def command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        """Give one command, once."""

        async def give() -> Refusal:
            await self._be_connected()
            return await self._command(sequence, key, code, arguments)

        return await self._turns.take(give)

    async def close(self) -> None:
        """Disconnect."""
        self._is_open = False
        await self._turns.take(self._connection.disconnect)

    async def _put(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        return await self._turns.take(
            partial(try_again, self._be_connected, partial(self._write, block, values, index))
        )

    async def _be_connected(self) -> None:
        if not self._is_open:
            raise NoBoard(f"{self.url}: the link is closed")
        if not self._connection.is_connected:
            await self._connection.connect()

    @abstractmethod
    async def _read(self, block: Block, rows: int, index: int) -> tuple[int, ...]:
        """One attempt to read a block."""

    @abstractmethod
    async def _write(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        """One attempt to write settings."""

    @abstractmethod
    async def _command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        """The one attempt to give a command."""
