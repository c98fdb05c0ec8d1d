"""What the air steps of one run tell each other."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from bench.air.place import LeakTest, Test
from bench.results import Trace


@dataclass
class AirMemory:
    """Filled as the steps go on.

    Attributes:
        distrust: why the pressure sensors must not be relied on; then nothing is charged.
        cannot_apply: why the brakes can't be applied from this bench.
        unusable: numbers of other inputs that must not be relied on.
        filled_s: board clock when the supply's fill valve last closed.
        supply_pa: the last supply reading with the supply closed: the reservoir follows it up, and pulls it down.
        tests: leak tests that came to a decision.
        located: the leak tests have been turned into findings.
        charge: the first charging, from an empty line.
        first_fill: coupling pressures of a charge from drained reservoirs, from the valve's opening to its closing.
        volume_m3: behind the supply coupling, once metered.
        weather: board clock and temperature of the air around, once a second while air steps looked.
    """

    distrust: str | None = None
    cannot_apply: str | None = None
    unusable: set[int] = field(default_factory=set)
    filled_s: float | None = None
    supply_pa: float | None = None
    tests: dict[Test, LeakTest] = field(default_factory=dict)
    located: bool = False
    charge: Trace | None = None
    first_fill: "Track | None" = None
    volume_m3: float | None = None
    weather: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=300))

    def note_weather(self, uptime_s: float, ambient_c: float) -> None:
        """Remember how warm the air around is."""
        if not self.weather or uptime_s - self.weather[-1][0] >= 1.0:
            self.weather.append((uptime_s, ambient_c))


@dataclass
class Track:
    """Readings at instants, as a recording with even steps."""

    time_s: list[float] = field(default_factory=list)
    pressure_pa: list[float] = field(default_factory=list)

    def add(self, time_s: float, pressure_pa: float) -> None:
        """Take one."""
        self.time_s.append(time_s)
        self.pressure_pa.append(pressure_pa)

    def trace(self, name: str, column: str, **others: Sequence[float]) -> Trace:
        """The recording; ``others`` are columns beside it, such as a fit."""
        span_s = self.time_s[-1] - self.time_s[0]
        dt_s = span_s / max(len(self.time_s) - 1, 1) or 1.0
        columns = {column: tuple(self.pressure_pa)} | {key: tuple(values) for key, values in others.items()}
        return Trace(name, self.time_s[0], dt_s, columns)
