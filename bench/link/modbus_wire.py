"""Registers over Modbus RTU or TCP: pymodbus, and around it what keeps answers from being mixed up.

Modbus TCP numbers its transactions. Modbus RTU does not, and pymodbus takes whatever answer comes
first: after one timed-out read every later answer would belong to the question before. So on RTU
the wire falls silent after any error, for longer than the slowest answer, and then proves that it
is in step by reading two registers that cannot be confused: the tags of two different blocks.
"""

import asyncio
import logging
import struct
from collections.abc import Awaitable, Sequence

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.constants import ExcCodes
from pymodbus.exceptions import ModbusException, ModbusIOException
from pymodbus.framer import FramerBase
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse

from bench.contract.fields import Block
from bench.contract.table import BOARD_SETTINGS, IDENTITY
from bench.errors import BenchError, GarbledReply, NoBoard, NotOurBoard
from bench.link.url import BoardUrl
from bench.link.wire import BackOff, close_streams, open_streams

# For a board to begin its answer: one may get lost without the board's watchdog running out, though
# on RTU a silence of the same length follows.
TCP_ANSWER_S = 0.4
RTU_ANSWER_S = 0.15
LONGEST_FRAMES = 2 * 256  # bytes of the longest question and the longest answer
RTU_BITS_PER_BYTE = 11  # "Modbus over serial line" 1.02, 2.5.1; with 8N1 ten are sent, so this is on the safe side
LONGEST_SILENCE_S = 5.0

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # our errors say it all, in one line


def between_frames_s(baud: int) -> float:
    """Silence that separates frames: "Modbus over serial line" 1.02, 2.5.1.1, t3.5."""
    return 3.5 * RTU_BITS_PER_BYTE / baud if baud <= 19_200 else 0.001_75


class ModbusWire:
    """One connection at a time to the unit at ``url``. Not for two callers at once.

    Args:
        answer_s: how long the board may take to begin its answer; the standard time when None.
    """

    def __init__(self, url: BoardUrl, answer_s: float | None = None) -> None:
        self._url = url
        self.is_rtu = bool(url.path)
        on_the_line_s = LONGEST_FRAMES * RTU_BITS_PER_BYTE / url.baud if self.is_rtu else 0.0
        self._answer_s = on_the_line_s + (answer_s or (RTU_ANSWER_S if self.is_rtu else TCP_ANSWER_S))
        self._gap_s = between_frames_s(url.baud)
        self._back_off = BackOff()
        self._client: AsyncModbusSerialClient | AsyncModbusTcpClient | None = None
        self._in_step = False
        self._heard_s = 0.0

    @property
    def is_connected(self) -> bool:
        """Whether there is a connection, as far as anyone knows."""
        return self._client is not None and self._client.connected

    async def connect(self) -> None:
        """Open the port, for this program alone, or the connection.

        Raises:
            NoBoard: with the reason and what to do.
        """
        await self.disconnect()
        await self._back_off.wait()
        self._client = self._new_client()
        if not await self._client.connect():
            self._back_off.failed()
            await self.disconnect()
            await self._explain()
        self._back_off.succeeded()
        self._in_step = False  # a port may hold bytes from before

    async def disconnect(self) -> None:
        """Let go of the connection, if there is one."""
        client, self._client = self._client, None
        if client is not None:
            client.close()
            await asyncio.sleep(0)  # the socket closes in the loop's next round

    def _new_client(self) -> AsyncModbusSerialClient | AsyncModbusTcpClient:
        client: AsyncModbusSerialClient | AsyncModbusTcpClient
        if self.is_rtu:
            client = AsyncModbusSerialClient(
                self._url.path,
                baudrate=self._url.baud,
                timeout=self._answer_s,
                retries=0,
                reconnect_delay=0,
                trace_packet=self._note_bytes,
            )
        else:
            client = AsyncModbusTcpClient(
                self._url.host, port=self._url.port, timeout=self._answer_s, retries=0, reconnect_delay=0
            )
        client.register(_InputRegisters)
        client.register(_HoldingRegisters)
        _forgive(client.ctx.framer)
        return client

    async def _explain(self) -> None:
        """Connect by hand, for pymodbus does not say why it could not."""
        await close_streams(await open_streams(self._url))
        raise NoBoard(f"{self._url.text}: the connection failed, but would work now; try again")

    def _note_bytes(self, sending: bool, octets: bytes) -> bytes:
        if not sending:
            self._heard_s = _now_s()
        return octets

    # --- exchanges ---

    async def read(self, address: int, count: int, *, writable: bool) -> tuple[int, ...]:
        """Registers, with function 3 where they can be written and 4 where not.

        Raises:
            LinkError: no answer that can be trusted.
            NotOurBoard: the device has no such registers.
        """
        if self.is_rtu:
            await self._get_ready()
        return await self._read(address, count, writable=writable)

    async def write(self, address: int, values: Sequence[int]) -> int:
        """Write registers with function 16; return the exception code, 0 when done."""
        if self.is_rtu:
            await self._get_ready()
        client = self._connected_client()
        response = await self._exchange(client.write_registers(address, list(values), device_id=self._url.unit))
        if response.exception_code in (ExcCodes.ILLEGAL_VALUE, ExcCodes.DEVICE_FAILURE):
            return response.exception_code
        self._check(response, 16)
        if (response.address, response.count) != (address, len(values)):
            raise self._out_of_step(f"{response.count} registers at {response.address} were written")
        return 0

    def _connected_client(self) -> AsyncModbusSerialClient | AsyncModbusTcpClient:
        if self._client is None or not self._client.connected:
            raise NoBoard(f"{self._url.text}: the connection broke; check the cable and that the board is on")
        return self._client

    async def _read(self, address: int, count: int, *, writable: bool) -> tuple[int, ...]:
        client = self._connected_client()
        ask = client.read_holding_registers if writable else client.read_input_registers
        response = await self._exchange(ask(address, count=count, device_id=self._url.unit))
        self._check(response, 3 if writable else 4)
        if len(response.registers) != count:
            raise self._out_of_step(f"{len(response.registers)} registers came, not {count}")
        return tuple(response.registers)

    async def _exchange(self, question: Awaitable[ModbusPDU]) -> ModbusPDU:
        in_step, self._in_step = self._in_step, False
        try:
            response = await question
        except ModbusException as error:
            raise self._silence() from error
        self._in_step = in_step
        return response

    def _check(self, response: ModbusPDU, function: int) -> None:
        if response.isError():
            raise self._complaint(response.exception_code)
        if response.function_code != function:
            raise self._out_of_step(f"function {response.function_code} was answered, not {function}")

    # --- staying in step ---

    def lose_step(self) -> None:
        """Something about the last answer was wrong: start afresh before the next question."""
        self._in_step = False

    async def _get_ready(self) -> None:
        if not self._in_step:
            await self._get_in_step()
        await _sleep_until(self._heard_s + self._gap_s)

    async def _get_in_step(self) -> None:
        await self._fall_silent()
        for block in (IDENTITY, BOARD_SETTINGS):
            await _sleep_until(self._heard_s + self._gap_s)
            await self._read_tag(block)
        self._in_step = True

    async def _read_tag(self, block: Block) -> None:
        (tag,) = await self._read(block.address, 1, writable=block.writable)
        if not block.owns(tag):
            raise self._out_of_step(f"tag {tag:#06x} is not one of the {block.name} block")

    async def _fall_silent(self) -> None:
        """Ask nothing until nothing more can come."""
        begun_s = _now_s()
        while (silent_at_s := max(begun_s, self._heard_s) + self._answer_s) > _now_s():
            if _now_s() > begun_s + LONGEST_SILENCE_S:
                raise GarbledReply(f"{self._url.text}: the line is never silent; is another controller on it?")
            await _sleep_until(silent_at_s)

    # --- what went wrong ---

    def _out_of_step(self, why: str) -> GarbledReply:
        self.lose_step()
        return GarbledReply(f"{self._url.text}: an answer to another question: {why}")

    def _silence(self) -> NoBoard:
        if self.is_rtu:
            where = f"no valid answer from unit {self._url.unit} at {self._url.baud} baud"
            return NoBoard(f"{self._url.text}: {where}; check baud=, unit=, the cable and that the board is on")
        where = f"no answer from unit {self._url.unit} within {self._answer_s:g} s"
        return NoBoard(f"{self._url.text}: {where}; check unit=, the network and that the board is on")

    def _complaint(self, code: int) -> BenchError:
        if code in (ExcCodes.ILLEGAL_FUNCTION, ExcCodes.ILLEGAL_ADDRESS):
            return NotOurBoard(
                f"{self._url.text}: the device has no such registers; it is not a board of this contract"
            )
        if code in (ExcCodes.DEVICE_FAILURE, ExcCodes.GATEWAY_PATH_UNAVIABLE, ExcCodes.GATEWAY_NO_RESPONSE):
            return NoBoard(
                f"{self._url.text}: no board is unit {self._url.unit} (Modbus exception {code}); check unit="
            )
        return GarbledReply(f"{self._url.text}: the board cannot answer now (Modbus exception {code})")


class _InputRegisters(ReadInputRegistersResponse):
    """An answer decoded in one piece: pymodbus does it register by register, and writes each out for a log."""

    registers: Sequence[int]

    def decode(self, data: bytes) -> None:
        """Take the registers out of an answer."""
        if data[0] != len(data) - 1 or data[0] % 2:
            raise ModbusIOException(f"{data[0]} bytes announced, {len(data) - 1} came")
        self.registers = struct.unpack_from(f">{data[0] // 2}H", data, 1)

    def __str__(self) -> str:
        return f"{len(self.registers)} registers"


class _HoldingRegisters(_InputRegisters):
    """The same for function 3."""

    function_code = ReadHoldingRegistersResponse.function_code


def _forgive(framer: FramerBase) -> None:
    """Drop bytes that cannot be decoded; pymodbus would log a traceback and close a TCP connection."""
    decode = framer.handleFrame

    def decode_or_drop(data: bytes, exp_devid: int, exp_tid: int) -> tuple[int, ModbusPDU | None]:
        try:
            return decode(data, exp_devid, exp_tid)
        except ModbusException:
            return len(data), None

    framer.handleFrame = decode_or_drop  # type: ignore[method-assign]


async def _sleep_until(time_s: float) -> None:
    pause_s = time_s - _now_s()
    if pause_s > 0:
        await asyncio.sleep(pause_s)


def _now_s() -> float:
    return asyncio.get_running_loop().time()
