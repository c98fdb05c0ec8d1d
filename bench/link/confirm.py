"""What every link does the same way: settings are read back, refusals are named."""

from collections.abc import Awaitable, Callable, Sequence
from typing import TypeAlias

from bench.contract.fields import Block, RawValue
from bench.contract.table import Refusal
from bench.errors import GarbledReply, LinkError
from bench.link.base import Link

Put: TypeAlias = Callable[[Block, Sequence[RawValue], int], Awaitable[Refusal]]


async def write_confirmed(link: Link, put: Put, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
    """Write settings with ``put`` and trust only what ``link`` reads back.

    Settings may be written twice without harm, so a lost answer is no error when the board holds
    the values.

    Raises:
        LinkError: the board does not hold the values, or it is unknown whether it does.
    """
    lost: LinkError | None = None
    try:
        refusal = await put(block, values, index)
    except LinkError as error:
        lost = error
    else:
        if refusal:
            return refusal
    if await link.read(block, index=index) == block.pack(values):
        return Refusal.NONE
    raise lost or GarbledReply(f"{link.url}: the board keeps other {block.name} than were written")


def named_refusal(code: int, url: str) -> Refusal:
    """The refusal a board gave as a number.

    Raises:
        GarbledReply: the contract knows no such reason.
    """
    try:
        return Refusal(code)
    except ValueError:
        raise GarbledReply(f"{url}: the board refused for a reason this controller does not know ({code})") from None
