"""A plain Modbus server that plays a relay module and analogue modules before a harness.

It knows no contract and no map: coils close relays, registers say 0..10 V as 0..65535, and in between stand dividers
of 1:4 and shunts of 5 milliohm with a gain of 100, wired as the notes of the shipped maps say.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from bench.contract.table import Return
from bench.profiles.model import Scenario
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode, Switches, Truth

RELAYS, VOLTS, AMPS = 1, 2, 3  # units
FULL, FULL_V = 65_535, 10.0
FUSE_A, FUSE_HOLDS_S = 10.0, 0.25
RELAY_A = 500.0  # a relay limits nothing


@dataclass
class Modules:
    """The modules on a harness.

    Attributes:
        sixteen: sixteen relays with probes and a current a channel; otherwise eight, and the supply's current alone.
        relays: which are closed.
        stuck: relays that never close.
        writes: every coil write, in order.
    """

    scenario: Scenario
    sixteen: bool = True
    stuck: set[int] = field(default_factory=set)
    writes: list[tuple[int, bool]] = field(default_factory=list)
    blown: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.plant = build_plant(self.scenario)
        self.channels = len(self.plant.truth().pin_v)
        self.relays = [False] * (16 if self.sixteen else 8)
        self._closed_s: dict[int, float] = {}
        self._begun_s: float | None = None

    # --- electricity ---

    def live(self) -> Truth:
        now_s = asyncio.get_running_loop().time()
        self._begun_s = self._begun_s or now_s
        self.plant.advance(max(now_s - self._begun_s, self.plant.time_s))
        truth = self.plant.truth()
        for n, closed_s in self._closed_s.items():
            if truth.pin_a[n - 1] > FUSE_A and self.plant.time_s - closed_s > FUSE_HOLDS_S:
                self.blown.add(n)
                self._switch()
                return self.plant.truth()
        return truth

    def set(self, coil: int, on: bool) -> None:
        self.live()
        self.writes.append((coil, on))
        self.relays[coil] = on and coil not in self.stuck
        self._switch()

    def lose_power(self) -> None:
        """The relay module restarts: every relay opens."""
        self.relays = [False] * len(self.relays)
        self._switch()

    def _switch(self) -> None:
        most = 7 if self.sixteen else 6
        driven = {n for n in range(1, most + 1) if self.relays[n - 1] and n not in self.blown}
        probed = {n for n in range(1, most + 1) if self.sixteen and self.relays[n + 6]}
        returns = Return(self.relays[-2] * Return.PIN | self.relays[-1] * Return.CHASSIS)
        feeds = tuple(
            Feed(FeedMode.DRIVE, RELAY_A) if n in driven else Feed(FeedMode.PROBE) if n in probed else Feed()
            for n in range(1, self.channels + 1)
        )
        self._closed_s = {n: self._closed_s.get(n, self.plant.time_s) for n in driven}
        self.plant.switch(Switches(feeds, returns))

    def register(self, unit: int, address: int) -> int:
        truth = self.live()
        pin_v, pin_a = [*truth.pin_v, 0.0][:7], [*truth.pin_a, 0.0][:7]  # seven channels before six pins
        if not self.sixteen:
            values = [self._volts(truth.supply_v), self._amps(truth.supply_a), *map(self._volts, pin_v[:6])]
        elif unit == VOLTS:
            values = [self._volts(each) for each in (truth.supply_v, *pin_v)]
        else:
            values = [*map(self._amps, pin_a), round((20.0 + 100) * 100)]
        return values[address] if address < len(values) else 0

    @staticmethod
    def _volts(volts: float) -> int:
        return min(max(round(volts / 4 / FULL_V * FULL), 0), FULL)

    @staticmethod
    def _amps(amps: float) -> int:
        return min(max(round(amps * 0.005 * 100 / FULL_V * FULL), 0), FULL)

    # --- Modbus ---

    def devices(self) -> list[SimDevice]:
        def words(count: int) -> list[SimData]:
            return [SimData(0, count=count, values=0, datatype=DataType.REGISTERS)]

        units = (VOLTS, AMPS) if self.sixteen else (VOLTS,)
        inputs = [SimDevice(id=unit, simdata=words(8), action=self._inputs_of(unit)) for unit in units]
        return [SimDevice(id=RELAYS, simdata=words(1), use_bit_addressing=True, action=self._coils), *inputs]

    async def _coils(self, function, _start, address, _count, registers, values):
        if function not in (1, 5, 15):
            return ExcCodes.ILLEGAL_FUNCTION
        if values is None:
            registers[0] = sum(on << n for n, on in enumerate(self.relays))
            return None
        if address + len(values) > len(self.relays):
            return ExcCodes.ILLEGAL_ADDRESS
        for n, on in enumerate(values):
            self.set(address + n, bool(on))
        return None

    def _inputs_of(self, unit: int):
        async def action(function, start, address, count, registers, values):
            if function != 4 or values is not None:
                return ExcCodes.ILLEGAL_FUNCTION
            for n in range(address, address + count):
                registers[n - start] = self.register(unit, n)
            return None

        return action


@asynccontextmanager
async def served(modules: Modules) -> AsyncIterator[int]:
    """The modules on a free loopback port."""
    server = ModbusTcpServer(modules.devices(), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    try:
        yield server.transport.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()
