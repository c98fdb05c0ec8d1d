"""A simulated board behind real ports: line protocol and Modbus, TCP and serial.

One call: ``await serve(simulator, ServeOptions(tcp=5025), ready=print)`` serves until cancelled.
"""

from asyncio import TaskGroup
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

from firmware_sim.servers.line_server import LineSerialPort, LineServer, talk_on_pty
from firmware_sim.servers.modbus_server import UNIT, ModbusRtu, ModbusTcp, relay
from firmware_sim.servers.pty import opened
from firmware_sim.servers.registers import PacedBoard, Registers

__all__ = ["PTY", "Endpoints", "PacedBoard", "Registers", "ServeOptions", "serve"]

PTY = "pty"
DEFAULT_BAUD = 115_200
LOOPBACK = "127.0.0.1"


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
        OSError: a port, device or link cannot be opened.
    """
    board = PacedBoard(simulator, options.speed)
    async with AsyncExitStack() as stack, TaskGroup() as tasks:
        tcp = options.tcp
        tcp_at = await stack.enter_async_context(LineServer(board, options.host, tcp)) if tcp is not None else None
        port = options.modbus_tcp
        modbus_at = await stack.enter_async_context(ModbusTcp(board, options.host, port)) if port is not None else None
        serial = await _line_port(board, options, stack, tasks) if options.serial else None
        rtu = await _rtu_port(board, options, stack, tasks) if options.modbus_rtu else None
        tasks.create_task(board.run(), name="board time")
        ready(Endpoints(tcp_at, modbus_at, serial, rtu))


def _is_device(where: str) -> bool:
    return where != PTY and Path(where).is_char_device()


def _link(where: str) -> str | None:
    return None if where == PTY else where


async def _line_port(board: PacedBoard, options: ServeOptions, stack: AsyncExitStack, tasks: TaskGroup) -> str:
    where = options.serial or PTY
    if _is_device(where):
        return await stack.enter_async_context(LineSerialPort(board, where, options.baud or DEFAULT_BAUD))
    pty = stack.enter_context(opened(_link(where)))
    tasks.create_task(talk_on_pty(board, pty, options.baud), name="line on pty")
    return _link(where) or pty.path


async def _rtu_port(board: PacedBoard, options: ServeOptions, stack: AsyncExitStack, tasks: TaskGroup) -> str:
    where, baud = options.modbus_rtu or PTY, options.baud or DEFAULT_BAUD
    if _is_device(where):
        return await stack.enter_async_context(ModbusRtu(board, where, baud))
    outer, inner = stack.enter_context(opened(_link(where))), stack.enter_context(opened())
    await stack.enter_async_context(ModbusRtu(board, inner.path, baud))
    tasks.create_task(relay(outer, inner, options.baud), name="RTU relay")
    return _link(where) or outer.path
