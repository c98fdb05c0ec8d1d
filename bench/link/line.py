"""The line protocol as a link: blocks and commands over a checked line."""

from collections.abc import Sequence
from functools import partial

from bench.contract import line
from bench.contract.fields import Block, RawValue
from bench.contract.table import CAPTURE_PAGE, COMMAND_BY_CODE, CommandCode, Refusal
from bench.errors import GarbledReply, NoBoard
from bench.link.confirm import write_confirmed
from bench.link.exchange import Turns, try_again
from bench.link.line_wire import LineWire
from bench.link.url import BoardUrl


class LineLink:
    """A :class:`~bench.link.base.Link` over a serial port or TCP."""

    def __init__(self, url: BoardUrl) -> None:
        self.url = url.text
        self._wire = LineWire(url)
        self._turns = Turns()
        self._is_open = False
        self._key: int | None = None  # claimed with
        self._key_is_known = False  # to the board, on this connection

    async def open(self) -> None:
        """Connect, turn checking on and see that it works."""
        self._is_open = True
        await self._turns.take(self._be_connected)

    async def read(self, block: Block, rows: int = 0, index: int = 1) -> tuple[int, ...]:
        """Registers of a block without its tag."""
        return await self._turns.take(partial(try_again, self._be_connected, partial(self._read, block, rows, index)))

    async def write(self, block: Block, values: Sequence[RawValue], index: int = 1) -> Refusal:
        """Write settings and read them back."""
        return await write_confirmed(self, self._put, block, values, index)

    async def command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        """Give one command, once."""
        return await self._turns.take(partial(self._command, sequence, key, code, arguments))

    async def close(self) -> None:
        """Disconnect."""
        self._is_open = False
        await self._turns.take(self._wire.disconnect)

    async def _be_connected(self) -> None:
        if not self._is_open:
            raise NoBoard(f"{self.url}: the link is closed")
        if not self._wire.is_connected:
            self._key_is_known = False
            await self._wire.connect()

    async def _read(self, block: Block, rows: int, index: int) -> tuple[int, ...]:
        payload = await self._wire.converse(self._wire.next_tag(), line.query_text(block, index))
        try:
            if block.name == CAPTURE_PAGE.name:
                return block.pack(line.page_values(index - 1, payload), rows)
            return block.pack(line.block_values(block, rows, payload), rows)
        except ValueError as error:
            self._wire.lose_step()
            raise GarbledReply(f"{self.url}: {error}", payload[:60]) from error

    async def _put(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        text = line.setting_text(block, values, index)

        async def tell() -> Refusal:
            return await self._tell(self._wire.next_tag(), text)

        return await self._turns.take(partial(try_again, self._be_connected, tell))

    async def _command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        await self._be_connected()
        await self._make_key_known(code)
        refusal = await self._tell(sequence, line.command_text(code, arguments, key))
        if code is CommandCode.CLAIM and not refusal:
            self._key, self._key_is_known = key, True
        if code is CommandCode.RELEASE and not refusal:
            self._key = None
        return refusal

    async def _make_key_known(self, code: CommandCode) -> None:
        """On a new connection the board must learn again whose line this is; it refuses by itself if it is not."""
        if self._key is None or self._key_is_known or COMMAND_BY_CODE[code].anyone:
            return
        await self._tell(self._wire.next_tag(), line.command_text(CommandCode.CLAIM, (), self._key))
        self._key_is_known = True

    async def _tell(self, tag: int, text: str) -> Refusal:
        payload = await self._wire.converse(tag, line.and_what_became_of_it(text))
        try:
            return line.refusal(payload)
        except ValueError as error:
            self._wire.lose_step()
            raise GarbledReply(f"{self.url}: {error}", payload[:60]) from error
