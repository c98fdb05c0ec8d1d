"""The line protocol as a link: blocks and commands over a checked line."""

from collections.abc import Sequence

from bench.contract import line
from bench.contract.fields import Block, RawValue
from bench.contract.table import CAPTURE_PAGE, COMMAND_BY_CODE, CommandCode, Refusal
from bench.errors import GarbledReply
from bench.link.line_wire import LineWire
from bench.link.url import BoardUrl
from bench.link.wired import WiredLink


class LineLink(WiredLink):
    """A :class:`~bench.link.base.Link` over a serial port or TCP."""

    def __init__(self, url: BoardUrl) -> None:
        self._wire = LineWire(url)
        super().__init__(url.text, self._wire)
        self._key: int | None = None  # claimed with
        self._key_is_known = False  # to the board, on this connection

    async def _be_connected(self) -> None:
        if not self._wire.is_connected:
            self._key_is_known = False
        await super()._be_connected()

    async def _read(self, block: Block, rows: int, index: int) -> tuple[int, ...]:
        payload = await self._wire.converse(self._wire.next_tag(), line.query_text(block, index))
        try:
            if block.name == CAPTURE_PAGE.name:
                return block.pack(line.page_values(index - 1, payload), rows)
            return block.pack(line.block_values(block, rows, payload), rows)
        except ValueError as error:
            self._wire.lose_step()
            raise GarbledReply(f"{self.url}: {error}", payload[:60]) from error

    async def _write(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        return await self._tell(self._wire.next_tag(), line.setting_text(block, values, index))

    async def _command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
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
