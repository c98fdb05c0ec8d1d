"""The link to ordinary modules: relays follow the stand-in, and it is told what the inputs say.

Every relay is opened when the connection is made and before it is given up. After each change the
coils are read back: a module that forgot them has lost its power, which is a fault of the board.
"""

import asyncio
from collections.abc import Sequence

from bench.contract.fields import Block, RawValue
from bench.contract.table import SNAPSHOT, CommandCode, Refusal, Return
from bench.errors import GarbledReply, LinkError, NotOurBoard
from bench.link.mapped.standin import Read, StandIn
from bench.link.mapped.wire import ModuleWire
from bench.link.url import BoardUrl
from bench.link.wired import WiredLink
from bench.profiles.board_map import BoardMap, Coil

ROOM_C = 20.0  # where no thermometer is mapped
COLDEST_C, HOTTEST_C = -50.0, 80.0


class MappedLink(WiredLink):
    """A :class:`~bench.link.base.Link` to a relay module and an analogue module."""

    def __init__(self, url: BoardUrl, board_map: BoardMap) -> None:
        self._wire = ModuleWire(url)
        super().__init__(url.text, self._wire)
        self._map = board_map
        self._board = StandIn(board_map)
        self._closed: dict[Coil, bool] = {}  # relays as they were last told
        self._begun_s = 0.0

    async def _be_connected(self) -> None:
        if self._wire.is_connected:
            return
        await super()._be_connected()
        for coil in self._map.coils:  # whatever somebody else left on
            await self._wire.write_coil(coil, False)
            self._closed[coil] = False
        self._board.all_off(self._now_us())

    async def close(self) -> None:
        """Every relay open, then disconnect."""
        if self._is_open and self._wire.is_connected:
            await self._turns.take(self._open_relays)
        await super().close()

    async def _open_relays(self) -> None:
        self._board.all_off(self._now_us())
        try:
            await self._follow()
        except LinkError:
            return  # nobody is left to be told; the session has said that the board was not reached

    # --- exchanges ---

    async def _read(self, block: Block, rows: int, index: int) -> tuple[int, ...]:
        read = await self._look() if block.number == SNAPSHOT.number else None
        try:
            values = self._board.values(block, index, self._now_us(), read)
        except LookupError as error:
            raise NotOurBoard(f"{self.url}: {error}") from error
        return block.pack(values, rows)

    async def _write(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        return self._board.write(block, values, index)

    async def _command(self, sequence: int, key: int, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        a, b, c = (*arguments, 0, 0, 0)[:3]
        refusal = self._board.command((sequence, key, int(code), a, b, c), self._now_us())
        await self._follow()
        if code is CommandCode.PROBE and not refusal:
            await self._probe(lasting=b == 0)
        elif code is CommandCode.DRIVE and not refusal:
            await asyncio.sleep(self._map.settle_s)
        return refusal

    async def _probe(self, *, lasting: bool) -> None:
        """A probe with a time lasts until relay and filter have followed, however short it was asked for."""
        await asyncio.sleep(self._map.settle_s)
        if lasting:
            return
        read = await self._inputs()
        self._board.end_probe(read, self._now_us())
        await self._follow()

    async def _look(self) -> Read:
        """Inputs and relays, judged."""
        read = await self._inputs()
        coils = await self._wire.read_coils(self._map.coils)
        kept = all(coils[coil] == told for coil, told in self._closed.items())
        self._closed |= coils
        self._board.judge(read, kept, self._now_us())
        await self._follow()
        return read

    async def _inputs(self) -> Read:
        board = self._map
        values = await self._wire.read_inputs(board.inputs)
        supply_a = values[board.supply_a] if board.supply_a else sum(values[each] for each in board.current.values())
        current_a = {n: values[each] for n, each in board.current.items()}
        if not current_a:  # the supply's current is that of the one channel that is on
            current_a = dict.fromkeys(self._board.driven, supply_a)
        ambient_c = values[board.ambient_c] if board.ambient_c else ROOM_C
        if not COLDEST_C <= ambient_c <= HOTTEST_C:
            raise GarbledReply(
                f"{self.url}: {ambient_c:.0f} degC is no temperature of a shop: check ambient_c of the map"
            )
        return Read(
            supply_v=values[board.supply_v],
            supply_a=supply_a,
            voltage_v={n: values[each] for n, each in board.voltage.items()},
            current_a=current_a,
            return_a={where: values[each] for where, each in board.return_a.items()},
            ambient_c=ambient_c,
        )

    # --- relays ---

    def _wanted(self) -> dict[Coil, bool]:
        board, standin = self._map, self._board
        wanted = {coil: n in standin.driven for n, coil in board.drive.items()}
        wanted |= {coil: n == standin.probed for n, coil in board.probe.items()}
        bits = {"pin": Return.PIN, "chassis": Return.CHASSIS}
        return wanted | {coil: bool(standin.returns & bits[where]) for where, coil in board.returns.items()}

    async def _follow(self) -> None:
        """Let the relays be as the stand-in wants them: opening first, then closing, then read back.

        Raises:
            GarbledReply: a relay module does not keep what it was told.
        """
        changes = {coil: on for coil, on in self._wanted().items() if self._closed.get(coil) != on}
        for coil in sorted(changes, key=changes.__getitem__):
            self._closed.pop(coil, None)  # unknown until it is confirmed
            await self._wire.write_coil(coil, changes[coil])
            self._closed[coil] = changes[coil]
        if changes:
            seen = await self._wire.read_coils(changes)
            if seen != changes:
                self._closed |= seen
                raise GarbledReply(f"{self.url}: the relay module does not keep what it is told: check its supply")

    def _now_us(self) -> int:
        now_s = asyncio.get_running_loop().time()
        self._begun_s = self._begun_s or now_s
        return round((now_s - self._begun_s) * 1e6)
