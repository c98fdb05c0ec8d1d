"""The wire's contract: three exchanges, whatever carries them."""

from collections.abc import Sequence
from typing import Protocol

from bench.contract.fields import Block, RawValue
from bench.contract.table import CommandCode, Refusal


class Link(Protocol):
    """Carries blocks and commands to one board. One exchange at a time, in order.

    An exchange that has begun is finished even when the caller is cancelled, so that a late
    reply is never taken for the next one. Reads may be tried again by the link, commands never.
    """

    url: str

    async def open(self) -> None:
        """Connect.

        Raises:
            NoBoard: the port or host cannot be reached.
        """

    async def read(self, block: Block, rows: int = 0, index: int = 1) -> tuple[int, ...]:
        """Registers of a block without its tag, checked to be a fresh reply to this read.

        Raises:
            NoBoard: nothing answers.
            GarbledReply: an answer that cannot be trusted, after bounded retries.
        """

    async def write(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        """Write a settings block's raw values in one piece, and confirm by reading back."""

    async def command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        """Send one command once; return what the board said. Never repeated by the link.

        Raises:
            LinkError: unknown whether the board carried it out: read the snapshot's
                ``command_sequence`` and ``command_result`` before doing anything else.
        """

    async def close(self) -> None:
        """Disconnect; may be called twice."""
