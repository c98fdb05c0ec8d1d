"""Ports, pseudo terminals, pace, and a clean end."""

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest
from pymodbus.framer.rtu import FramerRTU

from bench.contract.table import COMMAND, IDENTITY, SNAPSHOT, CommandCode
from firmware_sim.firmware import Board
from firmware_sim.servers import PTY, Endpoints, ServeOptions, serve
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant

IDN = b"UMBILICAL,SIMULATED,SIM-0001,umbilical-sim 1\n"
IDENTITY_FRAME = bytes.fromhex("01 04 00 00 00 05 30 09")


@asynccontextmanager
async def serving(options: ServeOptions, board: Board | None = None) -> AsyncIterator[Endpoints]:
    board = board or Board(FakePlant(ohm={1: 3.2}), ExactSensors())
    ready: asyncio.Future[Endpoints] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(serve(board, options, ready.set_result))
    try:
        await asyncio.wait({task, ready}, return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            await task
        yield await ready
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def connected(where: tuple[str, int]):
    reader, writer = await asyncio.open_connection(*where)
    try:
        yield reader, writer
    finally:
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()


class Port:
    """A host's end of a serial port, without a library in between."""

    def __init__(self, path: str) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)

    def __enter__(self) -> "Port":
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.fd)

    async def exchange(self, data: bytes, expected: int, within_s: float = 5.0) -> bytes:
        os.write(self.fd, data)
        heard, end_s = b"", asyncio.get_running_loop().time() + within_s
        while len(heard) < expected and asyncio.get_running_loop().time() < end_s:
            with suppress(BlockingIOError):
                heard += os.read(self.fd, 4096)
            await asyncio.sleep(0.001)
        return heard


async def test_port_0_picks_a_free_one_and_says_which():
    async with serving(ServeOptions(tcp=0, modbus_tcp=0)) as endpoints:
        assert endpoints.tcp[1] > 0
        assert endpoints.urls() == [
            f"tcp://127.0.0.1:{endpoints.tcp[1]}",
            f"modbus-tcp://127.0.0.1:{endpoints.modbus_tcp[1]}?unit=1",
        ]


@pytest.mark.parametrize("kind", ["tcp", "modbus_tcp"])
async def test_a_port_in_use_is_an_error_of_the_system(kind):
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(OSError, match=r"in use.*TCP port"):
        async with serving(ServeOptions(**{kind: taken.getsockname()[1]})):
            pass


async def test_several_connections_share_one_board():
    async with (
        serving(ServeOptions(tcp=0)) as endpoints,
        connected(endpoints.tcp) as (first, to_first),
        connected(endpoints.tcp) as (second, to_second),
    ):
        to_first.write(b"SYST:LOCK:REQ 7;:SYST:BOAR 0.5,0,12;:SYST:WATC:KICK\n*OPC?\n")
        assert await first.readline() == b"1\n"
        to_second.write(b"SYST:LOCK:REQ 8;:SYST:ERR?\n")
        assert await second.readline() == b'207,"held by another"\n'


async def test_a_flood_of_questions_is_answered_in_order():
    async with serving(ServeOptions(tcp=0)) as endpoints, connected(endpoints.tcp) as (reader, writer):
        count = 3000
        writer.write(b"SYST:IDEN?;*OPC?\n" * count)
        lines = [await reader.readline() for _ in range(count)]

        assert all(line.endswith(b";1\n") for line in lines)


async def test_cancelling_closes_every_port_and_connection(tmp_path):
    link = tmp_path / "board"
    async with serving(ServeOptions(tcp=0, modbus_tcp=0, serial=str(link), modbus_rtu=PTY)) as endpoints:
        reader, writer = await asyncio.open_connection(*endpoints.tcp)
        writer.write(b"*OPC?\n")
        assert await reader.readline() == b"1\n"

    assert await reader.read() == b""
    writer.close()
    assert not link.is_symlink()
    for where in (endpoints.tcp, endpoints.modbus_tcp):
        with pytest.raises(OSError, match="Connect call failed"):
            await asyncio.open_connection(*where)


async def test_board_time_runs_without_questions_and_at_the_speed_asked_for():
    board = Board(FakePlant(), ExactSensors())
    loop = asyncio.get_running_loop()
    async with serving(ServeOptions(tcp=0, speed=50.0), board):
        begin_s = loop.time()
        await asyncio.sleep(0.2)
        elapsed_s = loop.time() - begin_s

    assert board.time_s == pytest.approx(50 * elapsed_s, rel=0.3)


async def test_a_pty_answers_lines_and_is_found_by_its_link(tmp_path):
    link = tmp_path / "board"
    async with serving(ServeOptions(serial=str(link))) as endpoints:
        assert endpoints.urls() == [f"serial://{link}"]
        with Port(str(link)) as port:
            assert await port.exchange(b"*IDN?\n", len(IDN)) == IDN


async def test_closing_a_pty_ends_checking_and_leaves_nothing_unread():
    async with serving(ServeOptions(serial=PTY)) as endpoints:
        with Port(endpoints.serial) as port:
            await port.exchange(b"SYST:COMM:CHEC ON\n", 1, within_s=0.05)
        await asyncio.sleep(0.1)
        with Port(endpoints.serial) as port:
            os.write(port.fd, b"*IDN?\n")
        await asyncio.sleep(0.1)
        with Port(endpoints.serial) as port:
            assert await port.exchange(b"*OPC?\n", 2) == b"1\n"


async def test_a_link_is_not_put_over_a_file(tmp_path):
    taken = tmp_path / "board"
    taken.write_text("something of the user's")
    with pytest.raises(FileExistsError):
        async with serving(ServeOptions(serial=str(taken))):
            pass
    assert taken.read_text() == "something of the user's"


async def test_baud_paces_lines_at_ten_bits_a_byte():
    async with serving(ServeOptions(serial=PTY, baud=9600)) as endpoints:
        with Port(endpoints.serial) as port:
            loop = asyncio.get_running_loop()
            begin_s = loop.time()
            assert await port.exchange(b"*IDN?\n", len(IDN)) == IDN
            took_s = loop.time() - begin_s

    wire_s = (len(b"*IDN?\n") + len(IDN)) * 10 / 9600
    assert wire_s <= took_s < wire_s + 0.1


async def test_baud_paces_rtu_at_eleven_bits_a_byte():
    async with serving(ServeOptions(modbus_rtu=PTY, baud=9600)) as endpoints:
        with Port(endpoints.modbus_rtu) as port:
            loop = asyncio.get_running_loop()
            request = bytes.fromhex("01 04 00 00 00 2D 30 17")
            begin_s = loop.time()
            reply = await port.exchange(request, 5 + 2 * IDENTITY.length())
            took_s = loop.time() - begin_s

    wire_s = (len(request) + len(reply)) * 11 / 9600
    assert len(reply) == 5 + 2 * IDENTITY.length()
    assert wire_s <= took_s < wire_s + 0.1


@asynccontextmanager
async def socat_pair(folder: Path):
    """Two serial ports joined by a null modem."""
    ends = folder / "board-end", folder / "host-end"
    pair = await asyncio.create_subprocess_exec("socat", *(f"pty,raw,echo=0,link={end}" for end in ends))
    try:
        async with asyncio.timeout(5.0):
            while not all(end.exists() for end in ends):  # noqa: ASYNC110 - another program makes them
                await asyncio.sleep(0.01)
        yield ends
    finally:
        pair.terminate()
        await pair.wait()


@pytest.mark.parametrize("unit", [0, 2, 247])
async def test_on_a_serial_line_questions_for_other_units_are_not_answered(unit, caplog):
    """Reads, identification, and a claim for another unit; then the board's own answer comes, and nobody holds it."""
    claim = COMMAND.pack((1, 7, CommandCode.CLAIM, 0, 0, 0))
    head = bytes((unit, 16)) + (COMMAND.start() + 1).to_bytes(2, "big") + bytes((0, len(claim), 2 * len(claim)))
    questions = [
        bytes((unit, 4, 0, 0, 0, 5)),
        bytes((unit, 43, 14, 1, 0)),
        head + b"".join(register.to_bytes(2, "big") for register in claim),
    ]
    async with serving(ServeOptions(modbus_rtu=PTY)) as endpoints:
        with Port(endpoints.modbus_rtu) as port:
            for question in questions:
                crc = FramerRTU.compute_CRC(question).to_bytes(2, "big")
                assert await port.exchange(question + crc, 1, within_s=0.1) == b""
            ours = bytes((1, 4)) + SNAPSHOT.start().to_bytes(2, "big") + bytes((0, 12))
            answer = await port.exchange(ours + FramerRTU.compute_CRC(ours).to_bytes(2, "big"), 29)

    assert answer[:3] == bytes((1, 4, 24))
    assert answer[23:27] == bytes(4)
    assert not caplog.records


async def test_an_existing_serial_device_is_used_for_lines(tmp_path):
    async with socat_pair(tmp_path) as (board_end, host_end), serving(ServeOptions(serial=str(board_end))):
        with Port(str(host_end)) as port:
            assert await port.exchange(b"*IDN?\n", len(IDN)) == IDN


async def test_an_existing_serial_device_is_used_for_rtu(tmp_path):
    async with (
        socat_pair(tmp_path) as (board_end, host_end),
        serving(ServeOptions(modbus_rtu=str(board_end))),
    ):
        with Port(str(host_end)) as port:
            reply = await port.exchange(IDENTITY_FRAME, 15)
    assert reply.hex(" ") == "01 04 0a 01 01 55 4d 00 01 00 02 00 08 48 e9"
