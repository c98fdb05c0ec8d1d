"""Coils and registers of several modules on one Modbus line or connection."""

from collections.abc import Iterable, Sequence

from pymodbus.constants import ExcCodes

from bench.errors import BenchError, NoBoard, NotOurBoard
from bench.link.modbus_wire import ModbusWire
from bench.profiles.board_map import Coil, Input

MOST_AT_ONCE = 32  # addresses read in one piece; small modules take no more


class ModuleWire(ModbusWire):
    """One connection at a time to whatever units are behind it."""

    async def read_inputs(self, inputs: Iterable[Input]) -> dict[Input, float]:
        """Value of each input, in its quantity's unit."""
        values: dict[Input, float] = {}
        groups: dict[tuple[int, str], list[Input]] = {}
        for each in inputs:
            groups.setdefault((each.unit or self._url.unit, each.table), []).append(each)
        for (unit, table), members in groups.items():
            for first, count in _runs(sorted({each.address for each in members})):
                raw = await self._registers(unit, table, first, count)
                values |= {
                    each: each.value(raw[each.address - first])
                    for each in members
                    if first <= each.address < first + count
                }
        return values

    async def read_coils(self, coils: Iterable[Coil]) -> dict[Coil, bool]:
        """Whether each relay is told to be closed."""
        states: dict[Coil, bool] = {}
        units: dict[int, list[Coil]] = {}
        for each in coils:
            units.setdefault(each.unit or self._url.unit, []).append(each)
        for unit, members in units.items():
            for first, count in _runs(sorted({each.address for each in members})):
                bits = await self._bits(unit, first, count)
                states |= {
                    each: bits[each.address - first] for each in members if first <= each.address < first + count
                }
        return states

    async def write_coil(self, coil: Coil, on: bool) -> None:
        """Close or open one relay (function 5)."""
        unit = coil.unit or self._url.unit
        await self._ready()
        client = self._connected_client()
        response = await self._exchange(client.write_coil(coil.address, on, device_id=unit))
        self._check_module(response.isError(), response.exception_code, unit, f"coil {coil.address}")

    async def _registers(self, unit: int, table: str, first: int, count: int) -> Sequence[int]:
        await self._ready()
        client = self._connected_client()
        ask = client.read_holding_registers if table == "holding" else client.read_input_registers
        response = await self._exchange(ask(first, count=count, device_id=unit))
        self._check_module(response.isError(), response.exception_code, unit, f"{table} register {first}")
        if len(response.registers) != count:
            raise self._out_of_step(f"{len(response.registers)} registers came, not {count}")
        return response.registers

    async def _bits(self, unit: int, first: int, count: int) -> Sequence[bool]:
        await self._ready()
        response = await self._exchange(self._connected_client().read_coils(first, count=count, device_id=unit))
        self._check_module(response.isError(), response.exception_code, unit, f"coil {first}")
        if len(response.bits) < count:
            raise self._out_of_step(f"{len(response.bits)} coils came, not {count}")
        return response.bits

    def _check_module(self, wrong: bool, code: int, unit: int, what: str) -> None:
        if wrong:
            raise self._module_complaint(code, unit, what)

    def _module_complaint(self, code: int, unit: int, what: str) -> BenchError:
        if code in (ExcCodes.ILLEGAL_FUNCTION, ExcCodes.ILLEGAL_ADDRESS):
            return NotOurBoard(f"{self._url.text}: unit {unit} has no {what}: check the map {self._url.map}")
        return NoBoard(f"{self._url.text}: unit {unit} does not answer for {what} (Modbus exception {code})")

    async def _ready(self) -> None:
        if self.is_rtu:
            await self._get_ready()

    async def _get_in_step(self) -> None:
        """These modules mark no answer: silence is all that tells one from the next."""
        await self._fall_silent()
        self._in_step = True


def _runs(addresses: Sequence[int]) -> Iterable[tuple[int, int]]:
    """First address and length of pieces that hold them all, none longer than a module takes."""
    begin = previous = addresses[0]
    for address in addresses[1:]:
        if address != previous + 1 or address - begin >= MOST_AT_ONCE:
            yield begin, previous - begin + 1
            begin = address
        previous = address
    yield begin, previous - begin + 1
