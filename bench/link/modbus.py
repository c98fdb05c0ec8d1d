"""Modbus as a link: blocks and commands as registers.

A block's first register is its tag. It must name the block that was asked for, and its counter
must have moved since the last read of that block: an answer seen before is no news.

On RTU an answer to a write proves little, for a doubled answer to the write before looks the
same. There the board's own note of the last command is read after each command.
"""

from collections.abc import Sequence
from dataclasses import replace

from pymodbus.constants import ExcCodes

from bench.contract.fields import Block, RawValue
from bench.contract.table import COMMAND, SNAPSHOT, CommandCode, Refusal
from bench.errors import GarbledReply
from bench.link.confirm import named_refusal
from bench.link.modbus_wire import ModbusWire
from bench.link.url import BoardUrl
from bench.link.wired import WiredLink

_HEAD_FIELDS = [field.name for field in SNAPSHOT.header].index("command_result") + 1
_HEAD = replace(SNAPSHOT, header=SNAPSHOT.header[:_HEAD_FIELDS], row=())  # ends with the last command's result


class ModbusLink(WiredLink):
    """A :class:`~bench.link.base.Link` over Modbus RTU or TCP; ``answer_s`` as :class:`ModbusWire` has it."""

    def __init__(self, url: BoardUrl, answer_s: float | None = None) -> None:
        self._wire = ModbusWire(url, answer_s)
        super().__init__(url.text, self._wire)
        self._tags: dict[int, int] = {}

    async def _read(self, block: Block, rows: int, index: int) -> tuple[int, ...]:
        start = block.start(index)
        registers = await self._wire.read(start, block.length(rows), writable=block.writable)
        tag = registers[0]
        if not block.owns(tag):
            self._wire.lose_step()
            raise GarbledReply(f"{self.url}: tag {tag:#06x} is not one of the {block.name} block")
        if self._tags.get(start) == tag:
            self._wire.lose_step()
            del self._tags[start]
            raise GarbledReply(f"{self.url}: the {block.name} came that was read before")
        self._tags[start] = tag
        return registers[1:]

    async def _write(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        code = await self._wire.write(block.start(index) + 1, block.pack(values))
        # Exception 4 to settings has one reason: they are not changed under a channel that is on.
        return {0: Refusal.NONE, ExcCodes.ILLEGAL_VALUE: Refusal.BAD_VALUE}.get(code, Refusal.OUTPUT_ON)

    async def _command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        a, b, c = (*arguments, 0, 0, 0)[:3]
        registers = COMMAND.pack((sequence, key, code, a, b, c))
        exception = await self._wire.write(COMMAND.address + 1, registers)
        if exception == ExcCodes.ILLEGAL_VALUE:
            return Refusal.BAD_VALUE
        if exception == 0 and not self._wire.is_rtu:
            return Refusal.NONE
        return await self._result_of(sequence)

    async def _result_of(self, sequence: int) -> Refusal:
        *_, last, result = _HEAD.unpack(await self._read(_HEAD, 0, 1))
        if last != sequence:
            self._wire.lose_step()
            raise GarbledReply(f"{self.url}: the answer was to command {last}, not {sequence}")
        return named_refusal(int(result), self.url)
