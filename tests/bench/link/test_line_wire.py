"""The checked line over a pseudo-terminal: wall time, because its bytes pass through the kernel's own thread."""

import pytest

from bench.errors import NoBoard
from bench.link.line import LineLink
from bench.link.url import parse_board_url
from tests.bench.link import wires
from tests.bench.link.fake_board import FakeBoard


async def test_a_wrong_baud_rate_is_told():
    ends = []
    async with wires.raw_pty(lambda _: ends[0].say(b"\xf8\x00\xfe\xfe")) as pty:
        ends.append(pty)
        link = LineLink(parse_board_url(f"serial://{pty.path}?baud=9600"))
        with pytest.raises(NoBoard, match=r"no valid answer at 9600 baud, only b'.*xf8.*; check baud=, the cable"):
            await link.open()


async def test_a_serial_port_is_for_one_program():
    async with wires.line_pty(FakeBoard()) as url:
        first, second = LineLink(parse_board_url(url)), LineLink(parse_board_url(url))
        await first.open()
        with pytest.raises(NoBoard, match="the port is busy"):
            await second.open()
        await first.close()
