"""A simulated board behind real ports: line protocol and Modbus, TCP and serial.

One call: ``await serve(simulator, ServeOptions(tcp=5025), ready=print)`` serves until cancelled.
"""

import os
from asyncio import TaskGroup
from collections.abc import Callable, Coroutine, Iterator
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from firmware_sim.servers.line_server import LineSerialPort, LineServer, talk_on_pty
from firmware_sim.servers.modbus_server import UNIT, ModbusRtu, ModbusTcp, relay
from firmware_sim.servers.pty import opened
from firmware_sim.servers.registers import PacedBoard, Registers

__all__ = ["PTY", "Endpoints", "PacedBoard", "Registers", "ServeOptions", "serve"]

PTY = "pty"
DEFAULT_BAUD = 115_200
LOOPBACK = "127.0.0.1"
Job = Callable[[], Coroutine[Any, Any, None]]


@dataclass(frozen=True, slots=True)
class ServeOptions:
    """What to serve; each of the four may be there or not.

    Attributes:
        tcp, modbus_tcp: port on ``host``, 0 for any free one.
        serial, modbus_rtu: ``PTY`` for a new pseudo terminal, the path of an existing serial
            device, or any other path for a pseudo terminal with a link of that name.
        speed: board seconds in a second.
        baud: of a serial device (115200 if None); a pseudo terminal is paced by it, or not at all.
    """

    tcp: int | None = None
    modbus_tcp: int | None = None
    serial: str | None = None
    modbus_rtu: str | None = None
    host: str = LOOPBACK
    speed: float = 1.0
    baud: int | None = None


@dataclass(frozen=True, slots=True)
class Endpoints:
    """Where the board can be reached."""

    tcp: tuple[str, int] | None = None
    modbus_tcp: tuple[str, int] | None = None
    serial: str | None = None
    modbus_rtu: str | None = None

    def urls(self) -> list[str]:
        """Board URLs."""
        urls = []
        if self.tcp:
            urls.append("tcp://{}:{}".format(*self.tcp))
        if self.serial:
            urls.append(f"serial://{self.serial}")
        if self.modbus_tcp:
            urls.append("modbus-tcp://{}:{}?unit={}".format(*self.modbus_tcp, UNIT))
        if self.modbus_rtu:
            urls.append(f"modbus-rtu://{self.modbus_rtu}?unit={UNIT}")
        return urls


async def serve(
    simulator: Registers, options: ServeOptions, ready: Callable[[Endpoints], None] = lambda _: None
) -> None:
    """Serve a simulated board until cancelled.

    Args:
        simulator: runs from its present time on, on the event loop's clock.
        options: what to serve.
        ready: called once everything is open.

    Raises:
        OSError: a port, device or link cannot be opened; ``filename`` says which.
    """
    board = PacedBoard(simulator, options.speed)
    async with AsyncExitStack() as stack:
        endpoints, jobs = await _open(board, options, stack)
        async with TaskGroup() as tasks:
            for job in (board.run, *jobs):
                tasks.create_task(job())
            ready(endpoints)


async def _open(board: PacedBoard, options: ServeOptions, stack: AsyncExitStack) -> tuple[Endpoints, list[Job]]:
    """Open what the options ask for; return where, and what has to run meanwhile."""
    jobs: list[Job] = []
    at: dict[str, tuple[str, int]] = {}
    if options.tcp is not None:
        with _named(f"TCP port {options.tcp}"):
            at["tcp"] = await stack.enter_async_context(LineServer(board, options.host, options.tcp))
    if options.modbus_tcp is not None:
        with _named(f"TCP port {options.modbus_tcp}"):
            at["modbus_tcp"] = await stack.enter_async_context(ModbusTcp(board, options.host, options.modbus_tcp))
    serial = await _line_port(board, options.serial, options.baud, stack, jobs) if options.serial else None
    rtu = await _rtu_port(board, options.modbus_rtu, options.baud, stack, jobs) if options.modbus_rtu else None
    return Endpoints(at.get("tcp"), at.get("modbus_tcp"), serial, rtu), jobs


@contextmanager
def _named(port: str) -> Iterator[None]:
    """Errors of the system say of which port; asyncio tells only an address, in words of its own."""
    try:
        yield
    except OSError as error:
        raise OSError(error.errno, os.strerror(error.errno or 0), port) from error


def _is_device(where: str) -> bool:
    return where != PTY and Path(where).is_char_device()


def _link(where: str) -> str | None:
    return None if where == PTY else where


async def _line_port(board: PacedBoard, where: str, baud: int | None, stack: AsyncExitStack, jobs: list[Job]) -> str:
    if _is_device(where):
        return await stack.enter_async_context(LineSerialPort(board, where, baud or DEFAULT_BAUD))
    pty = stack.enter_context(opened(_link(where)))
    jobs.append(partial(talk_on_pty, board, pty, baud))
    return _link(where) or pty.path


async def _rtu_port(board: PacedBoard, where: str, baud: int | None, stack: AsyncExitStack, jobs: list[Job]) -> str:
    if _is_device(where):
        return await stack.enter_async_context(ModbusRtu(board, where, baud or DEFAULT_BAUD))
    outer, inner = stack.enter_context(opened(_link(where))), stack.enter_context(opened())
    await stack.enter_async_context(ModbusRtu(board, inner.path, baud or DEFAULT_BAUD))
    jobs.append(partial(relay, outer, inner, baud))
    return _link(where) or outer.path
