"""Modbus TCP and RTU through pymodbus's server.

Every block answers functions 3 and 4, and function 16 writes. The action has no await in it: the
server takes the transaction number of its reply after the action, so a request that overlapped a
waiting one would get the other's.

Who is asked as another unit: on a serial line nobody answers, since the question is for somebody
else on it, and a broadcast (unit 0) is not carried out, since nobody could be told the outcome. On TCP
nobody else can answer, so exception 11, which is a gateway's for a unit that does not.
"""

import asyncio
import socket
from typing import cast

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.server.base import ModbusBaseServer
from pymodbus.simulator import DataType, SimData, SimDevice

from bench.contract.table import Refusal
from firmware_sim.firmware.description import FIRMWARE, MODEL
from firmware_sim.firmware.memory import IllegalAddress
from firmware_sim.servers.pty import Pty, Wire
from firmware_sim.servers.registers import PacedBoard

UNIT = 1
ANY_OTHER_UNIT = 0  # pymodbus asks this device for whatever unit has none of its own
BITS_PER_BYTE = 11  # start, eight data, parity or second stop, stop
ADDRESSES = 20_000
READS, WRITES = (3, 4, 23), (6, 16, 23)
VENDOR = "Umbilical"
_EXCEPTIONS = {Refusal.NONE: None, Refusal.BAD_VALUE: ExcCodes.ILLEGAL_VALUE}


def _identity() -> ModbusDeviceIdentification:
    """Answers of function 43/14."""
    names = {
        "VendorName": VENDOR,
        "ProductCode": MODEL,
        "MajorMinorRevision": FIRMWARE,
        "ProductName": "bench board",
        "ModelName": MODEL,
    }
    return ModbusDeviceIdentification(info_name=names)  # type: ignore[no-untyped-call]


class ModbusBoard:
    """The board as pymodbus sees it."""

    def __init__(self, board: PacedBoard) -> None:
        self._board = board
        self._mute = False

    def devices(self) -> list[SimDevice]:
        """The devices of a server: the board, and what speaks for all other units."""
        memory = SimData(0, count=ADDRESSES, values=0, datatype=DataType.REGISTERS)
        return [
            SimDevice(id=UNIT, simdata=[memory], action=self._action),
            SimDevice(id=ANY_OTHER_UNIT, simdata=[memory], action=_nobody),
        ]

    def sent(self, sending: bool, data: bytes) -> bytes:
        """A packet on its way: a board that answers nobody sends nothing."""
        return b"" if sending and self._mute else data

    async def _action(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        self._mute = False
        try:
            if values is not None:
                return self._write(function, address, [int(value) for value in values])
            if function not in READS:
                return ExcCodes.ILLEGAL_FUNCTION
            registers[address - start : address - start + count] = self._board.read_registers(address, count)
        except IllegalAddress:
            return ExcCodes.ILLEGAL_ADDRESS
        except TimeoutError:
            self._mute = True
        return None

    def _write(self, function: int, address: int, values: list[int]) -> ExcCodes | None:
        if function not in WRITES:
            return ExcCodes.ILLEGAL_FUNCTION
        return _EXCEPTIONS.get(self._board.write_registers(address, values), ExcCodes.DEVICE_FAILURE)


async def _nobody(*_: object) -> ExcCodes:
    return ExcCodes.GATEWAY_NO_RESPONSE


def _only_ours(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
    """A question on a serial line: none, to the server, if it is for another unit."""
    return pdu if sending or pdu.dev_id == UNIT else cast(ModbusPDU, None)


async def _start(server: ModbusBaseServer, where: str) -> None:
    try:
        await server.serve_forever(background=True)
    except RuntimeError as error:
        raise OSError(f"cannot open {where} for Modbus: in use, or not allowed") from error


class ModbusTcp:
    """Modbus TCP on a port."""

    def __init__(self, board: PacedBoard, host: str, port: int) -> None:
        modbus = ModbusBoard(board)
        self._where = (host, port)
        self._server = ModbusTcpServer(
            modbus.devices(), identity=_identity(), address=self._where, trace_packet=modbus.sent
        )

    async def __aenter__(self) -> tuple[str, int]:
        # pymodbus tells a port that it cannot have to its log only; this tells it as everybody does.
        socket.create_server(self._where).close()
        await _start(self._server, "{}:{}".format(*self._where))
        listener = cast(asyncio.Server, self._server.transport)
        host, port = listener.sockets[0].getsockname()[:2]
        return host, port

    async def __aexit__(self, *_: object) -> None:
        await self._server.shutdown()  # type: ignore[no-untyped-call]


class ModbusRtu:
    """Modbus RTU on a serial device, or on the inner pty of :func:`relay`."""

    def __init__(self, board: PacedBoard, device: str, baud: int) -> None:
        modbus = ModbusBoard(board)
        self._device = device
        self._server = ModbusSerialServer(
            modbus.devices(),
            framer=FramerType.RTU,
            identity=_identity(),
            port=device,
            baudrate=baud,
            trace_packet=modbus.sent,
            trace_pdu=_only_ours,
        )

    async def __aenter__(self) -> str:
        await _start(self._server, self._device)
        return self._device

    async def __aexit__(self, *_: object) -> None:
        await self._server.shutdown()  # type: ignore[no-untyped-call]


async def relay(outer: Pty, inner: Pty, baud: int | None) -> None:
    """Carry bytes between the host's pty and the server's, each at the wire's pace, until cancelled."""
    wire = Wire(baud, BITS_PER_BYTE)

    async def requests() -> None:
        while True:
            data = await outer.read()
            await wire.carry(len(data))
            await inner.write(data)

    async def replies() -> None:
        while True:
            await wire.send(outer, await inner.read())

    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(requests(), name="requests")
        tasks.create_task(replies(), name="replies")
