"""What the wiggle test sees, and what its retry pulses put into a wire, on the simulated board.

    python -m tools.wiggle_figures                    400 openings a cell, 200 random fault sequences
    python -m tools.wiggle_figures --sequences 10000  the long run

Openings come at random moments of the plant's own clock; one is seen when the board reports BROKE at it.
Intervals are Clopper and Pearson's, 95 %. Every fault sequence plays shorts, opens and loads of random
resistance against one WIGGLE or one DRIVE; heat is added up from the plant's true current, not from what
the firmware thinks of it.
"""

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from random import Random

from scipy.stats import beta  # type: ignore[import-untyped]

from bench.contract.readings import read_events, read_snapshot
from bench.contract.table import (
    BOARD_SETTINGS,
    CHANNEL_SETTINGS,
    COMMAND,
    ENERGY_LIMIT_A2S,
    EVENTS,
    EVENTS_PER_READ,
    SNAPSHOT,
    CommandCode,
    EventKind,
    Fault,
    Refusal,
    Return,
)
from bench.electrical.sampling import seen_probability
from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault, Protection, Scenario
from firmware_sim.port import FeedMode
from firmware_sim.simulator import Simulator

WAYS = {"probed": CommandCode.PROBE, "lit": CommandCode.DRIVE}
OPENINGS_S = (0.00025, 0.0005, 0.001, 0.003)
APART_S = 0.05
KICK_S = 0.1
MINUTE_S = 60
CIRCUIT, PLACE = "stop", "rear-plug.stop"


class Host:
    """The smallest controller of one simulated board: armed, alive, reading events."""

    def __init__(self, simulator: Simulator, channels: int = 8) -> None:
        self.simulator = simulator
        self._channels = channels
        self._sequence = 0

    def command(self, code: CommandCode, *arguments: int) -> Refusal:
        """Give one command."""
        self._sequence += 1
        a, b, c = (*arguments, 0, 0, 0)[:3]
        return self.simulator.write_registers(COMMAND.start() + 1, COMMAND.pack((self._sequence, 7, code, a, b, c)))

    def arm(self, channel: int, protection: Protection) -> None:
        """Claim, settings, watchdog, armed with both returns."""
        self.command(CommandCode.CLAIM)
        self.simulator.write_registers(BOARD_SETTINGS.start() + 1, BOARD_SETTINGS.pack((500, 0, 12_000)))
        self.simulator.write_registers(CHANNEL_SETTINGS.start(channel) + 1, CHANNEL_SETTINGS.pack(_raw(protection)))
        self.command(CommandCode.KICK)
        self.simulator.read_registers(SNAPSHOT.start(), SNAPSHOT.length(self._channels))
        self.command(CommandCode.CLEAR, Fault.RESTARTED)
        if self.command(CommandCode.ARM) or self.command(CommandCode.RETURNS, Return.BOTH):
            raise RuntimeError("the simulated board does not arm")

    def wait(self, seconds: float) -> None:
        """Let board time pass and be alive."""
        end_s = self.simulator.time_s + seconds
        while self.simulator.time_s < end_s - 1e-9:
            self.command(CommandCode.KICK)
            self.simulator.advance_to(min(self.simulator.time_s + KICK_S, end_s))

    def events(self) -> Iterator[tuple[EventKind | int, float]]:
        """Kinds and times (s) of all events not read yet."""
        while True:
            _, *registers = self.simulator.read_registers(EVENTS.start(), EVENTS.length(EVENTS_PER_READ))
            page = read_events(registers, EVENTS_PER_READ).events
            if not page:
                return
            yield from ((event.kind, event.uptime_us * 1e-6) for event in page)
            self.command(CommandCode.ACKNOWLEDGE, page[-1].position + 1)

    def current_a(self, channel: int) -> float:
        """Reading of a channel, mean of 10 ms."""
        _, *registers = self.simulator.read_registers(SNAPSHOT.start(), SNAPSHOT.length(self._channels))
        return read_snapshot(registers, self._channels).channel(channel).current_a


def _raw(protection: Protection) -> tuple[int, ...]:
    p = protection
    milli = (p.start_limit_a, p.start_time_s, p.limit_a, p.limit_time_s)
    rest = (p.retry_pause_s, p.retries / 1000, p.rms_limit_a, p.wiggle_limit_a, p.wiggle_time_s, p.wiggle_period_s)
    return (*(round(value * 1000) for value in milli), round(p.energy_a2s * 100), *(round(v * 1000) for v in rest))


# --- what is seen ---


@dataclass(frozen=True, slots=True)
class Seen:
    """Openings of one length: how many, how many were seen, and the largest error of a time stamp (s)."""

    way: str
    opening_s: float
    openings: int
    seen: int
    largest_error_s: float


def watch_openings(way: str, opening_s: float, openings: int, seed: int) -> Seen:
    """Let a contact open ``openings`` times at random moments while it is watched."""
    rng = Random(f"{seed} {way} {opening_s}")
    starts_s = [2.0 + APART_S * n + rng.uniform(0, APART_S / 2) for n in range(openings)]
    faults = tuple(InjectedFault("open", PLACE, at_s=start, until_s=start + opening_s) for start in starts_s)
    scenario = replace(load_scenario("healthy-bulbs"), faults=faults, seed=seed)
    channel = scenario.profile.channel_of_pin[scenario.profile.circuit(CIRCUIT).pin]
    host = Host(Simulator(scenario))
    host.arm(channel, scenario.profile.protection)
    host.command(WAYS[way], channel, 1000 if way == "lit" else 0)
    host.wait(1.5)
    host.command(CommandCode.EXTREMES)
    edges: dict[EventKind, list[float]] = {EventKind.BROKE: [], EventKind.MADE: []}
    while host.simulator.time_s < starts_s[-1] + 2 * APART_S:
        host.wait(KICK_S)
        for kind, at_s in host.events():
            if isinstance(kind, EventKind) and kind in edges:
                edges[kind].append(at_s)
    return _matched(way, opening_s, starts_s, edges)


def _matched(way: str, opening_s: float, starts_s: Sequence[float], edges: dict[EventKind, list[float]]) -> Seen:
    errors_s: list[float] = []
    for start_s in starts_s:
        broke = [at for at in edges[EventKind.BROKE] if abs(at - start_s) < APART_S / 4]
        if broke:
            made = [at for at in edges[EventKind.MADE] if abs(at - start_s - opening_s) < APART_S / 4]
            errors_s += [max(abs(broke[0] - start_s), abs(made[0] - start_s - opening_s))]
    return Seen(way, opening_s, len(starts_s), len(errors_s), max(errors_s, default=0.0))


def interval(hits: int, trials: int) -> tuple[float, float]:
    """95 % interval of a share (Clopper and Pearson)."""
    low = float(beta.ppf(0.025, hits, trials - hits + 1)) if hits else 0.0
    high = float(beta.ppf(0.975, hits + 1, trials - hits)) if hits < trials else 1.0
    return low, high


# --- what goes into a fault ---


@dataclass(frozen=True, slots=True)
class Heat:
    """What one fault sequence got: worst try (A2s) and worst rolling minute (A rms), from true currents."""

    try_a2s: float
    rms_a: float


def random_faults(rng: Random, seconds: float) -> tuple[InjectedFault, ...]:
    """Shorts, overloads and openings of the stop circuit, of random size, at random times."""
    kinds = [rng.choice(("short-to-ground", "overload", "open")) for _ in range(rng.randint(1, 6))]
    return tuple(_random_fault(kind, rng, seconds) for kind in kinds)


def _random_fault(kind: str, rng: Random, seconds: float) -> InjectedFault:
    at_s = rng.uniform(0, seconds)
    until_s = at_s + rng.expovariate(1.0) + 0.001
    chatter_hz = rng.choice((None, None, rng.uniform(1, 100)))
    if kind == "open":
        return InjectedFault("open", PLACE, at_s=at_s, until_s=until_s, chatter_hz=chatter_hz)
    ohm = 10 ** rng.uniform(-2.5, 0.5)
    kind_of = "short-to-ground" if kind == "short-to-ground" else "overload"
    place = "main.rear.stop" if kind == "short-to-ground" else "stop.left"
    return InjectedFault(kind_of, place, ohm=ohm, at_s=at_s, until_s=until_s, chatter_hz=chatter_hz)  # type: ignore[arg-type]


def put_into(scenario: Scenario, code: CommandCode, seconds: float) -> Heat:
    """Exercise or drive the stop circuit for so long, and again after each trip; add up true currents each tick."""
    channel = scenario.profile.channel_of_pin[scenario.profile.circuit(CIRCUIT).pin]
    host = Host(Simulator(scenario))
    host.arm(channel, scenario.profile.protection)
    meter = _Meter(host.simulator, channel)
    end_s = host.simulator.time_s + seconds
    while host.simulator.time_s < end_s:
        host.command(CommandCode.OFF, 1 << channel - 1)
        host.command(code, channel, 1000)  # refused while its wire must cool
        meter.begin_try()
        host.command(CommandCode.KICK)
        meter.run(0.4)
    return Heat(meter.worst_try_a2s, meter.worst_rms_a)


class _Meter:
    """Adds up I2t from the plant's truth, tick by tick, apart from the firmware."""

    def __init__(self, simulator: Simulator, channel: int) -> None:
        self._simulator = simulator
        self._index = channel - 1
        self._try_a2s = 0.0
        self._seconds: dict[int, float] = {}
        self.worst_try_a2s = 0.0
        self.worst_rms_a = 0.0

    def begin_try(self) -> None:
        """A command begins a new try; the one before was cut short by it."""
        self._try_a2s = 0.0

    def run(self, seconds: float) -> None:
        """Let board time pass, measuring."""
        start_s = self._simulator.time_s
        for tick in range(1, round(seconds * 1000) + 1):
            self._simulator.advance_to(start_s + tick * 1e-3)
            self._add()

    def _add(self) -> None:
        plant = self._simulator.board._hardware.plant
        driven = plant._switches.feeds[self._index].mode is FeedMode.DRIVE  # type: ignore[attr-defined]
        truth = plant.truth()
        heat_a2s = truth.pin_a[self._index] ** 2 * 1e-3
        second = int(truth.time_s)
        self._seconds[second] = self._seconds.get(second, 0.0) + heat_a2s
        self._try_a2s = self._try_a2s + heat_a2s if driven and truth.limiting[self._index] else 0.0
        self.worst_try_a2s = max(self.worst_try_a2s, self._try_a2s)
        minute_a2s = sum(heat for at, heat in self._seconds.items() if at > second - MINUTE_S)
        self.worst_rms_a = max(self.worst_rms_a, (minute_a2s / MINUTE_S) ** 0.5)


@cache
def _sound() -> Scenario:
    return load_scenario("healthy-bulbs")


def heat_of(seed: int, seconds: float) -> Heat:
    """One random fault sequence under one random command."""
    rng = Random(f"heat {seed}")
    scenario = replace(_sound(), faults=random_faults(rng, seconds), seed=seed)
    return put_into(scenario, rng.choice((CommandCode.WIGGLE, CommandCode.DRIVE)), seconds)


# --- the tables ---


def _line(found: Seen) -> str:
    low, high = interval(found.seen, found.openings)
    theory = seen_probability(found.opening_s)
    return (
        f"{found.way:<8} {found.opening_s * 1000:5.2f} ms  {found.seen:5d} of {found.openings:<5d} "
        f"{found.seen / found.openings:7.2%} ({low:6.2%} to {high:6.2%})  theory {theory:4.0%}  "
        f"largest error {found.largest_error_s * 1000:.2f} ms"
    )


def main() -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--openings", type=int, default=400, help="a cell")
    parser.add_argument("--sequences", type=int, default=200, help="random fault sequences")
    parser.add_argument("--seconds", type=float, default=3.0, help="of each sequence")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for way in WAYS:
        for opening_s in OPENINGS_S:
            print(_line(watch_openings(way, opening_s, options.openings, options.seed)), flush=True)
    heats = [heat_of(options.seed + number, options.seconds) for number in range(options.sequences)]
    limit = Protection()
    worst_a2s, worst_a = max((h.try_a2s for h in heats), default=0.0), max((h.rms_a for h in heats), default=0.0)
    print(
        f"{len(heats)} fault sequences of {options.seconds:g} s: worst try {worst_a2s:.1f} A2s "
        f"(limit {ENERGY_LIMIT_A2S:g}), worst rolling minute {worst_a:.2f} A rms "
        f"(limit {limit.rms_limit_a:g})"
    )
    over = sum(heat.try_a2s > ENERGY_LIMIT_A2S or heat.rms_a > limit.rms_limit_a for heat in heats)
    return 1 if over else 0


if __name__ == "__main__":
    sys.exit(main())
