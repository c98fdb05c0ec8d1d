"""Wires for tests: pseudo-terminal pairs whose bytes can be spoiled, and servers on them."""

import asyncio
import os
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from bench.contract.table import Refusal
from tests.bench.link.fake_board import FakeBoard
from tests.bench.link.fake_line import FakeLine

UNIT = 5


class RawPty:
    """A pseudo-terminal whose other end is ``path``; what arrives goes to ``heard``."""

    def __init__(self, heard: Callable[[bytes], None]) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._heard = heard
        asyncio.get_running_loop().add_reader(self._master, self._ready)

    def _ready(self) -> None:
        self._heard(os.read(self._master, 4096))

    def say(self, octets: bytes) -> None:
        if octets:
            os.write(self._master, octets)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)


@asynccontextmanager
async def raw_pty(heard: Callable[[bytes], None]) -> AsyncIterator[RawPty]:
    pty = RawPty(heard)
    try:
        yield pty
    finally:
        pty.close()


@asynccontextmanager
async def pty_pair() -> AsyncIterator[tuple[str, str]]:
    """Two paths joined back to back."""
    ends: list[RawPty] = []
    async with raw_pty(lambda octets: ends[1].say(octets)) as one, raw_pty(lambda octets: ends[0].say(octets)) as two:
        ends += [one, two]
        yield one.path, two.path


def device(board: FakeBoard, unit: int = UNIT) -> SimDevice:
    """The fake board as a Modbus device; its clock is the loop's."""

    async def action(function, start, address, count, registers, values):
        board.advance_to(asyncio.get_running_loop().time())
        try:
            if values is None:
                offset = address - start
                registers[offset : offset + count] = board.read_registers(address, count)
                return None
            refusal = board.write_registers(address, values)
        except IndexError:
            return ExcCodes.ILLEGAL_ADDRESS
        codes = {Refusal.NONE: None, Refusal.BAD_VALUE: ExcCodes.ILLEGAL_VALUE}
        return codes.get(refusal, ExcCodes.DEVICE_FAILURE)

    memory = [SimData(0, count=20_000, values=0, datatype=DataType.REGISTERS)]
    return SimDevice(id=unit, simdata=memory, action=action)


@asynccontextmanager
async def modbus_tcp(board: FakeBoard, port: int = 0) -> AsyncIterator[str]:
    server = ModbusTcpServer(device(board), address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1]
    try:
        yield f"modbus-tcp://127.0.0.1:{port}?unit={UNIT}"
    finally:
        await server.shutdown()


@asynccontextmanager
async def modbus_rtu(board: FakeBoard) -> AsyncIterator[str]:
    async with pty_pair() as (near, far):
        server = ModbusSerialServer(device(board), framer=FramerType.RTU, port=far, baudrate=115_200)
        await server.serve_forever(background=True)
        try:
            yield f"modbus-rtu://{near}?unit={UNIT}"
        finally:
            await server.shutdown()


@asynccontextmanager
async def line_tcp(board: FakeBoard) -> AsyncIterator[str]:
    async with tcp_server(lambda: Clocked(board).feed) as port:
        yield f"tcp://127.0.0.1:{port}"


@asynccontextmanager
async def line_pty(board: FakeBoard) -> AsyncIterator[str]:
    line = Clocked(board)
    ends: list[RawPty] = []
    async with raw_pty(lambda octets: ends[0].say(line.feed(octets))) as pty:
        ends.append(pty)
        yield f"serial://{pty.path}"


class Clocked(FakeLine):
    """The fake board's clock is the loop's."""

    def feed(self, octets: bytes) -> bytes:
        self.board.advance_to(asyncio.get_running_loop().time())
        return super().feed(octets)


@asynccontextmanager
async def tcp_server(connection: Callable[[], Callable[[bytes], bytes | None]], port: int = 0) -> AsyncIterator[int]:
    """A server that answers each read with what the connection's function makes of it; None hangs up."""
    open_now: set[asyncio.StreamWriter] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        answer = connection()
        open_now.add(writer)
        while (octets := await reader.read(4096)) and (reply := answer(octets)) is not None:
            writer.write(reply)
        open_now.discard(writer)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", port)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for writer in open_now:
            writer.close()
        await asyncio.sleep(0.01)
