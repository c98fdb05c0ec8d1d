"""The contract test of every link: the same conversation, whatever carries it."""

import asyncio
import itertools

import pytest

from bench.contract.table import (
    BOARD_SETTINGS,
    CAPTURE,
    CAPTURE_PAGE,
    CHANNEL_SETTINGS,
    EVENTS,
    EXTREMES,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    CommandCode,
    Refusal,
)
from bench.errors import LinkError
from bench.link.base import Link
from tests.bench.link.fake_board import FakeBoard


async def check_link(link: Link, board: FakeBoard) -> None:
    """Everything a link promises, on a fake board with 8 channels, nothing yet commanded."""
    await link.open()
    try:
        await check_every_block_arrives_whole(link, board)
        await check_settings_are_kept(link, board)
        await check_commands_arrive_once(link, board)
        await check_exchanges_keep_their_order(link)
        await check_cancelled_callers_disturb_nobody(link)
    finally:
        await link.close()
    await link.close()
    with pytest.raises(LinkError, match="closed"):
        await link.read(IDENTITY)


async def check_every_block_arrives_whole(link: Link, board: FakeBoard) -> None:
    board.events = [(n, 4, 1, -n) for n in range(3)]
    board.samples = [(n, -n) for n in range(70)]
    for block in (IDENTITY, SHOT, EXTREMES, EVENTS, CAPTURE):
        rows = board.rows(block)
        assert block.unpack(await link.read(block, rows), rows) == tuple(board.values(block, 1)), block.name
    for index in (1, 2):
        page = CAPTURE_PAGE.unpack(await link.read(CAPTURE_PAGE, 60, index), 60)
        assert page == tuple(board.values(CAPTURE_PAGE, index))
    first, second = [SNAPSHOT.unpack(await link.read(SNAPSHOT, 8), 8) for _ in range(2)]
    assert second[0] == first[0] + 1
    assert second[2:] == tuple(board.values(SNAPSHOT, 1))[2:]


async def check_settings_are_kept(link: Link, board: FakeBoard) -> None:
    limits = (6000, 5, 15_000, 250, 6000, 1000, 0, 6000, 5000, 5, 100)

    assert await link.write(BOARD_SETTINGS, (500, 1_034_000, 12_000)) is Refusal.NONE
    assert await link.write(CHANNEL_SETTINGS, limits, 3) is Refusal.NONE
    assert board.settings == {1000: (500, 15, 50_960, 12_000), 1132: limits}
    board.refusals["channel_settings"] = Refusal.OUTPUT_ON
    assert await link.write(CHANNEL_SETTINGS, limits, 2) is Refusal.OUTPUT_ON
    board.refusals["channel_settings"] = Refusal.BAD_VALUE
    assert await link.write(CHANNEL_SETTINGS, limits, 2) is Refusal.BAD_VALUE
    board.refusals.clear()


async def check_commands_arrive_once(link: Link, board: FakeBoard) -> None:
    board.refusals[CommandCode.PULSE] = Refusal.BUDGET_USED
    board.refusals[CommandCode.PROBE] = Refusal.BAD_VALUE
    said = [
        (1, 77, CommandCode.CLAIM, ()),
        (2, 77, CommandCode.DRIVE, (3, 250)),
        (3, 77, CommandCode.PULSE, (2, 4)),
        (4, 77, CommandCode.PROBE, (2, 5)),
        (5, 77, CommandCode.OFF, (0b1001_0110,)),
        (6, 77, CommandCode.VALVE, (2, 1, 2500)),
        (7, 77, CommandCode.RETURNS, (2,)),
        (0x7FFF, 77, CommandCode.KICK, ()),
    ]

    outcomes = [await link.command(*command) for command in said]

    refused = [Refusal.NONE, Refusal.NONE, Refusal.BUDGET_USED, Refusal.BAD_VALUE]
    assert outcomes == refused + [Refusal.NONE] * 4
    assert board.commands == [(*head, *(*rest, 0, 0, 0)[:3]) for *head, rest in said]


async def check_exchanges_keep_their_order(link: Link) -> None:
    reads = await asyncio.gather(*(link.read(SNAPSHOT, 8) for _ in range(5)))

    assert [(after[0] - before[0]) & 0xFFFF for before, after in itertools.pairwise(reads)] == [1] * 4


async def check_cancelled_callers_disturb_nobody(link: Link) -> None:
    for turns in range(4):
        impatient = asyncio.create_task(link.read(EXTREMES, 8))
        for _ in range(turns):
            await asyncio.sleep(0)
        impatient.cancel()
        snapshot, identity = await asyncio.gather(link.read(SNAPSHOT, 8), link.read(IDENTITY))
        assert IDENTITY.unpack(identity)[0] == 0x554D
        assert SNAPSHOT.unpack(snapshot, 8)[10] == 12_600
        assert (await asyncio.gather(impatient, return_exceptions=True))[0].__class__ is asyncio.CancelledError
