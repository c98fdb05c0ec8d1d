"""How fast the simulated firmware acts, in board time, and what it costs, in computing time.

    python -m tools.bench_firmware               every figure
    python -m tools.bench_firmware --causes 50   more moments for each cause

Board time runs from the moment at which a cause is there, or a trip's condition is met, to the moment
at which the switches are open. Computing time is told beside a reference loop of the same run, because
a shared machine is fast one minute and slow the next; the ratio is what stays.
"""

import argparse
import time
from collections.abc import Callable, Sequence
from itertools import count
from random import Random
from statistics import median

from bench.contract.table import (
    BOARD_SETTINGS,
    CHANNEL_SETTINGS,
    COMMAND,
    SNAPSHOT,
    TICK_S,
    CommandCode,
    Fault,
    Refusal,
    Return,
)
from bench.profiles import load_profile
from bench.profiles.model import InjectedFault, Scenario
from firmware_sim.firmware import Board
from firmware_sim.plant import build_plant
from firmware_sim.port import Conditions, FeedMode, Plant, Switches, Truth
from firmware_sim.sensors import Sensors

PROFILE = "tandem-53ft-filament"
CHANNELS = 8
BOARD_12V = (500, 0, 12_000)
CHANNEL_18AWG = (6000, 5, 15_000, 250, 6000, 1000, 0, 6000, 5000, 5, 100)
KEY = 1
SHORT_DECISION_S = 0.018
REFERENCE = range(1000)


class WatchedPlant:
    """A plant that remembers when a channel was last switched off, and can be made to stand still."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.off_s: dict[int, float] = {}
        self.still: Truth | None = None
        self.time_s = plant.time_s

    def switch(self, switches: Switches) -> None:
        """Pass on, and note what is off."""
        for number, feed in enumerate(switches.feeds, start=1):
            if feed.mode is FeedMode.OFF:
                self.off_s.setdefault(number, self.time_s)
            else:
                self.off_s.pop(number, None)
        if not self.still:
            self.plant.switch(switches)

    def advance(
        self, until_s: float, channel: int = 0, samples: int = 0
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Pass on, or pretend."""
        self.time_s = until_s
        if self.still:
            return (0.0,) * samples, (0.0,) * samples
        return self.plant.advance(until_s, channel, samples)

    def truth(self) -> Truth:
        """Pass on, or always the same."""
        return self.still or self.plant.truth()

    def quiet_until_s(self) -> float:
        """Pass on; a plant that stands still pretends to change."""
        return self.time_s if self.still else self.plant.quiet_until_s()

    def board_conditions(self) -> Conditions:
        """Pass on, or fair weather."""
        return Conditions() if self.still else self.plant.board_conditions()

    def stand_still(self) -> None:
        """Cost nothing from now on."""
        self.still = self.plant.truth()


class Host:
    """Just enough of a controller."""

    def __init__(self, *faults: InjectedFault) -> None:
        profile = load_profile(PROFILE)
        scenario = Scenario(profile, faults=faults)
        self.plant = WatchedPlant(build_plant(scenario))
        sensors = Sensors(scenario.sense, CHANNELS, scenario.seed, profile.nominal_v)
        self.board = Board(self.plant, sensors, channels=CHANNELS)
        self._sequences = count(1)
        self._make_ready()

    def _make_ready(self) -> None:
        self.command(CommandCode.CLAIM)
        self.board.write_registers(BOARD_SETTINGS.start() + 1, BOARD_SETTINGS.pack(BOARD_12V))
        for number in range(1, CHANNELS + 1):
            self.board.write_registers(CHANNEL_SETTINGS.start(number) + 1, CHANNEL_SETTINGS.pack(CHANNEL_18AWG))
        self.command(CommandCode.KICK)
        self.read_snapshot()
        self.command(CommandCode.CLEAR, Fault.RESTARTED)
        self.command(CommandCode.ARM)
        self.command(CommandCode.RETURNS, Return.BOTH)

    def command(self, code: CommandCode, *arguments: int) -> None:
        """Give a command that must be carried out."""
        a, b, c = (*arguments, 0, 0, 0)[:3]
        registers = COMMAND.pack((next(self._sequences), KEY, code, a, b, c))
        refusal = self.board.write_registers(COMMAND.start() + 1, registers)
        if refusal is not Refusal.NONE:
            raise SystemExit(f"{code.name} refused: {refusal.name}")

    def read_snapshot(self) -> None:
        """Latch a snapshot."""
        self.board.read_registers(SNAPSHOT.start(), SNAPSHOT.length(CHANNELS))

    def wait(self, seconds: float, *, kicking: bool = True) -> None:
        """Let board time pass, with a kick every 0.1 s."""
        now_s = self.board.time_s
        end_s = now_s + seconds
        while now_s < end_s:
            if kicking:
                self.command(CommandCode.KICK)
            now_s = min(end_s, now_s + 0.1)
            self.board.advance_to(now_s)


# --- board time ---


def reaction_s(fault: InjectedFault, condition_s: float, channel: int = 1) -> float:
    """Board seconds from ``condition_s`` until the channel was off."""
    host = Host(fault)
    host.command(CommandCode.DRIVE, channel, 1000)
    host.wait(condition_s + 0.06, kicking=False)
    return host.plant.off_s[channel] - condition_s


def silence_s(_moment_s: float) -> float:
    """Board seconds from the end of the watchdog time until a channel was off."""
    host = Host()
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.6, kicking=False)
    return host.plant.off_s[1] - BOARD_12V[0] / 1000


def causes() -> dict[str, Callable[[float], float]]:
    """Name of each cause, and how long the board took when it came at a moment."""
    pin = next(pin for pin, channel in load_profile(PROFILE).channel_of_pin.items() if channel == 1)

    def board_fault(what: str) -> Callable[[float], float]:
        return lambda at_s: reaction_s(InjectedFault("board-fault", what, at_s=at_s), at_s)

    def short(at_s: float) -> float:
        # Ohmic for 16 ms from the second tick at the limit on: that is the trip's condition.
        fault = InjectedFault("short-to-ground", f"pin.{pin}", ohm=0.02, at_s=at_s)
        first_tick_s = (int(at_s / TICK_S) + 1) * TICK_S
        return reaction_s(fault, first_tick_s + SHORT_DECISION_S - TICK_S)

    def sag(at_s: float) -> float:
        return reaction_s(InjectedFault("low-supply", "supply", volts=8.0, at_s=at_s), at_s)

    return {
        "emergency stop": board_fault("emergency-stop"),
        "board hot": board_fault("hot"),
        "supply low": sag,
        "host silent": silence_s,
        "short, from the decision on": short,
    }


def tell_reactions(moments: int) -> None:
    """Print the longest and the median reaction to each cause."""
    print(f"board time from cause to off, {moments} moments between ticks each; allowed {TICK_S * 1e3:g} ms")
    for name, react in causes().items():
        random = Random(name)
        took_ms = [react(0.3 + 0.05 * random.random()) * 1e3 for _ in range(moments)]
        print(f"  {name:28} longest {max(took_ms):6.3f} ms   median {median(took_ms):6.3f} ms")


# --- computing time ---


def cost_s(work: Callable[[], object], runs: int = 5) -> float:
    """Median seconds of some work."""
    took = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return median(took)


def lit(channels: Sequence[int]) -> Host:
    """A host whose channels are lit and warm."""
    host = Host()
    for channel in channels:
        host.command(CommandCode.DRIVE, channel, 1000)
        host.wait(0.3)
    return host


def tell_costs() -> None:
    """Print what a tick, a snapshot and a quiet minute cost."""
    reference_s = cost_s(lambda: [sum(REFERENCE) for _ in range(1000)]) / 1000
    print(f"computing time; reference: sum(range({len(REFERENCE)})), {reference_s * 1e6:.1f} us")

    def tell(name: str, seconds: float, unit: str = "us") -> None:
        factor = {"us": 1e6, "ms": 1e3}[unit]
        print(f"  {name:44} {seconds * factor:8.1f} {unit}   {seconds / reference_s:8.1f} references")

    host = lit((1, 2))
    tell("active tick, plant included, switching on", _switching_on_s() / 300)
    host.plant.stand_still()
    tell("active tick, firmware alone, two lamps lit", cost_s(lambda: host.wait(1.0)) / 1000)
    tell("snapshot, converters included", cost_s(host.read_snapshot, 500))
    settled = lit((1, 2))
    settled.wait(60.0)
    tell("quiet minute, two lamps lit, ten kicks a second", cost_s(lambda: settled.wait(60.0), 3), "ms")
    idle = Host()
    idle.command(CommandCode.RELEASE)
    tell("quiet minute, everything off", cost_s(lambda: idle.wait(60.0, kicking=False), 3), "ms")


def _switching_on_s() -> float:
    host = Host()

    def switch_on() -> None:
        host.command(CommandCode.OFF, 0xFFFF)
        host.command(CommandCode.DRIVE, 1, 1000)
        host.wait(0.3)

    return cost_s(switch_on)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--causes", type=int, default=20, metavar="N", help="moments for each cause")
    tell_reactions(parser.parse_args().causes)
    tell_costs()


if __name__ == "__main__":
    main()
