"""A harness of plain resistances with round numbers, and converters without errors.

Each channel has one load to a common ground that both returns reach with no resistance. What
happens to it by itself is a list of changes at times.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import exp, inf

from bench.contract.table import Return
from firmware_sim.port import Conditions, Feed, FeedMode, Switches, Truth

OPEN_OHM = 1e9
PROBE_OHM, PULSE_OHM, PULL_DOWN_OHM, REFERENCE_OHM = 1000.0, 10.0, 100_000.0, 10.0


@dataclass(frozen=True)
class Lamp:
    """A resistance that grows from cold to hot while it is driven."""

    cold_ohm: float
    hot_ohm: float
    rise_s: float

    def ohm(self, lit_s: float) -> float:
        return self.hot_ohm - (self.hot_ohm - self.cold_ohm) * exp(-lit_s / self.rise_s)


@dataclass
class FakePlant:
    """Fulfils ``firmware_sim.port.Plant``. ``ohm[n]`` loads channel n; a channel without one is open."""

    channels: int = 8
    supply_v: float = 12.8
    ohm: dict[int, float | Lamp] = field(default_factory=dict)
    conditions: Conditions = field(default_factory=Conditions)
    time_s: float = 0.0
    switched: list[tuple[float, Switches]] = field(default_factory=list)
    changes: list[tuple[float, Callable[["FakePlant"], None]]] = field(default_factory=list)
    lit_at: dict[int, float] = field(default_factory=dict)

    def at(self, time_s: float, change: Callable[["FakePlant"], None]) -> None:
        """Let ``change`` happen to the plant at ``time_s``."""
        self.changes.append((time_s, change))
        self.changes.sort(key=lambda entry: entry[0])

    def set_conditions_at(self, time_s: float, **values: object) -> None:
        def change(plant: FakePlant) -> None:
            plant.conditions = replace(plant.conditions, **values)  # type: ignore[arg-type]

        self.at(time_s, change)

    def set_load_at(self, time_s: float, channel: int, ohm: float | Lamp) -> None:
        self.at(time_s, lambda plant: plant.ohm.update({channel: ohm}))

    def set_supply_at(self, time_s: float, volts: float) -> None:
        self.at(time_s, lambda plant: setattr(plant, "supply_v", volts))

    # --- the port ---

    @property
    def switches(self) -> Switches:
        return self.switched[-1][1] if self.switched else Switches((Feed(),) * self.channels, Return.NONE)

    def switch(self, switches: Switches) -> None:
        self.switched.append((self.time_s, switches))
        for number, feed in enumerate(switches.feeds, start=1):
            if feed.mode is FeedMode.DRIVE:
                self.lit_at.setdefault(number, self.time_s)
            else:
                self.lit_at.pop(number, None)

    def advance(
        self, until_s: float, channel: int = 0, samples: int = 0
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        begin_s = self.time_s
        currents, voltages = [], []
        for n in range(1, samples + 1):
            self._move(begin_s + (until_s - begin_s) * n / samples)
            volts, amps, _ = self._pin(channel)
            currents.append(amps)
            voltages.append(volts)
        self._move(until_s)
        return tuple(currents), tuple(voltages)

    def _move(self, until_s: float) -> None:
        while self.changes and self.changes[0][0] <= until_s:
            self.changes.pop(0)[1](self)
        self.time_s = until_s

    def quiet_until_s(self) -> float:
        lamps = (self.ohm.get(n) for n in self.lit_at)
        warming = any(
            isinstance(lamp, Lamp) and self.time_s - lit < 20 * lamp.rise_s
            for lamp, lit in zip(lamps, self.lit_at.values(), strict=True)
        )
        if warming:
            return self.time_s
        return self.changes[0][0] if self.changes else inf

    def board_conditions(self) -> Conditions:
        return self.conditions

    def _load_ohm(self, number: int) -> float:
        if self.switches.returns is Return.NONE:
            return OPEN_OHM
        load = self.ohm.get(number, OPEN_OHM)
        return load.ohm(self.time_s - self.lit_at.get(number, self.time_s)) if isinstance(load, Lamp) else load

    def _pin(self, number: int) -> tuple[float, float, bool]:
        feed = self.switches.feeds[number - 1]
        load = self._load_ohm(number)
        ohm = load * PULL_DOWN_OHM / (load + PULL_DOWN_OHM)
        series = {FeedMode.PROBE: PROBE_OHM, FeedMode.PULSE: PULSE_OHM, FeedMode.DRIVE: 0.0}
        if feed.mode is FeedMode.OFF:
            return 0.0, 0.0, False
        amps = self.supply_v * (feed.level if feed.mode is FeedMode.DRIVE else 1.0) / (series[feed.mode] + ohm)
        if feed.mode is FeedMode.DRIVE and amps > feed.limit_a:
            return feed.limit_a * ohm, feed.limit_a, True
        return amps * ohm, amps, False

    def truth(self) -> Truth:
        pins = [self._pin(number) for number in range(1, self.channels + 1)]
        load_a = sum(amps for _, amps, _ in pins)
        reference_a = self.supply_v / REFERENCE_OHM if self.switches.reference else 0.0
        share = {Return.NONE: (0, 0), Return.PIN: (1, 0), Return.CHASSIS: (0, 1), Return.BOTH: (0.5, 0.5)}
        pin, chassis = share[self.switches.returns]
        return Truth(
            time_s=self.time_s,
            supply_v=self.supply_v,
            supply_a=load_a + reference_a,
            pin_v=tuple(volts for volts, _, _ in pins),
            pin_a=tuple(amps for _, amps, _ in pins),
            limiting=tuple(limiting for _, _, limiting in pins),
            return_pin_a=load_a * pin,
            return_chassis_a=load_a * chassis,
            chassis_sense_v=0.0,
            ground_pin_v=0.0,
            reference_a=reference_a,
        )


class ExactSensors:
    """Fulfils ``firmware_sim.firmware.sensing.Sensing`` without any error."""

    def __init__(self) -> None:
        self._held: dict[str, int] = {}
        self._stuck: frozenset[str] = frozenset()

    def hold(self, stuck: frozenset[str]) -> None:
        self._stuck = stuck

    def _read(self, name: str, raw: int) -> int:
        if name not in self._stuck:
            self._held[name] = raw
        return self._held.get(name, raw)

    def voltage_mv(self, true_v: float, channel: int, samples: int = 1) -> int:  # noqa: ARG002 - the port's signature
        return self._read(f"voltage:{channel}", round(true_v * 1000))

    def current_ma(self, true_a: float, channel: int, samples: int = 1) -> int:  # noqa: ARG002 - the port's signature
        return self._read(f"current:{channel}", round(true_a * 1000))

    def supply_mv(self, true_v: float, samples: int = 1) -> int:  # noqa: ARG002 - the port's signature
        return round(true_v * 1000)

    supply_ma = reference_ma = return_pin_ma = return_chassis_ma = supply_mv
    chassis_sense_mv = ground_pin_mv = supply_mv

    def ambient_decidegc(self, true_c: float) -> int:
        return round(true_c * 10)

    board_decidegc = ambient_decidegc
