"""Every link against the same fake board."""

import asyncio

import pytest

from bench.link import InProcessLink, open_link, parse_board_url
from bench.link.board import Board
from tests.bench.link import wires
from tests.bench.link.check_link import check_link
from tests.bench.link.fake_board import FakeBoard

SERVERS = {
    "line-tcp": wires.line_tcp,
    "line-pty": wires.line_pty,
    "modbus-tcp": wires.modbus_tcp,
    "modbus-rtu": wires.modbus_rtu,
}


@pytest.fixture(params=SERVERS.values(), ids=SERVERS.keys())
def server(request):
    return request.param


@pytest.mark.virtual_time
async def test_the_link_in_process_keeps_the_links_contract():
    board = FakeBoard()

    await check_link(InProcessLink("sim:", board, asyncio.get_running_loop().time), board)


async def test_a_link_over_a_port_keeps_the_links_contract(server):
    board = FakeBoard()
    async with server(board) as url:
        await check_link(open_link(parse_board_url(url)), board)


async def test_the_typed_board_says_the_same_over_every_port(server):
    fake = FakeBoard(samples=[(n, 12_000) for n in range(100)])
    async with server(fake) as url:
        board = Board(open_link(parse_board_url(url)), key=5)
        identity = await board.open()
        snapshot = await board.snapshot()
        capture = await board.capture()
        await board.close()

    assert identity.serial == "FAKE-7"
    assert snapshot.channel(3).current_a == 1.502
    assert snapshot.ambient_c == -10.5
    assert capture.current_a[-1] == 0.099
