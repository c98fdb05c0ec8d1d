"""The line protocol on TCP, on a pty, and on a real serial port."""

import asyncio
from typing import cast

import serial_asyncio_fast

from firmware_sim.servers.line.session import LineSession
from firmware_sim.servers.pty import Pty, Wire
from firmware_sim.servers.registers import PacedBoard

BITS_PER_BYTE = 10  # start, eight data, stop


class LineProtocol(asyncio.Protocol):
    """One connection; a host that does not read its replies is not read from either."""

    def __init__(self, board: PacedBoard, open_connections: set[asyncio.Transport]) -> None:
        self._session = LineSession(board)
        self._open = open_connections
        self._transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A host has connected."""
        self._transport = cast(asyncio.Transport, transport)
        self._open.add(self._transport)

    def data_received(self, data: bytes) -> None:
        """Bytes from the host."""
        if reply := self._session.feed(data):
            self._transport.write(reply)

    def pause_writing(self) -> None:
        """Replies pile up."""
        self._transport.pause_reading()

    def resume_writing(self) -> None:
        """Replies have gone out."""
        self._transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        """The host is gone; its claim ends by the watchdog."""
        self._open.discard(self._transport)


class LineServer:
    """Line protocol on a TCP port."""

    def __init__(self, board: PacedBoard, host: str, port: int) -> None:
        self._board = board
        self._host, self._port = host, port
        self._connections: set[asyncio.Transport] = set()

    async def __aenter__(self) -> tuple[str, int]:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(
            lambda: LineProtocol(self._board, self._connections), self._host, self._port
        )
        host, port = self._server.sockets[0].getsockname()[:2]
        return host, port

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for connection in list(self._connections):
            connection.abort()
        await self._server.wait_closed()


class LineSerialPort:
    """Line protocol on an existing serial device."""

    def __init__(self, board: PacedBoard, device: str, baud: int) -> None:
        self._board = board
        self._device, self._baud = device, baud

    async def __aenter__(self) -> str:
        loop = asyncio.get_running_loop()
        self._transport, _ = await serial_asyncio_fast.create_serial_connection(
            loop, lambda: LineProtocol(self._board, set()), self._device, baudrate=self._baud
        )
        return self._device

    async def __aexit__(self, *_: object) -> None:
        self._transport.abort()
        await asyncio.sleep(0)


async def talk_on_pty(board: PacedBoard, pty: Pty, baud: int | None) -> None:
    """Line protocol on a pty until cancelled; each opening of the port is a new connection."""
    wire = Wire(baud, BITS_PER_BYTE)
    session = LineSession(board)
    while True:
        data = await pty.read()
        if not data:
            session = LineSession(board)
            continue
        await wire.carry(len(data))
        await wire.send(pty, session.feed(data))
