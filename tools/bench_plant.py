"""How fast and how true the plant is, as a ratio to ngspice on the same inrush.

The reference is ngspice with fine steps. Two ngspice runs are timed against the plant: one at
the board's capture rate (5 kS/s, the recording both are asked for), one with the longest steps
at which ngspice itself stays within 1 % of the reference. The plant is asked for the same
recording. ngspice is timed as a whole process, as anybody would run it; the plant from building
the harness to the last sample, in a running interpreter.

Run with ``python -m tools.bench_plant``.
"""

import resource
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

import numpy as np
from numpy.typing import NDArray

from bench.profiles.model import Joint, Profile, Scenario, Segment
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode, Switches
from tools.random_harness import LampMix, random_profile
from tools.spice import Phase, netlist, read_waves, simulate, used_version

CHANNELS = 6
STOP_S = 0.4
PHASES = (Phase(0.0, 6.0), Phase(0.005, 15.0))
CAPTURE_STEP_S = 2e-4
BLIND_S = 2e-4
COARSE_STEPS_S = (4e-3, 2e-3, 1.5e-3, 1e-3, 7e-4, 5e-4, 3e-4, CAPTURE_STEP_S)
REPEATS = 9
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """One harness and the channel that is switched on."""

    title: str
    scenario: Scenario
    channel: int

    @property
    def pin(self) -> int:
        """Connector pin of the channel."""
        return next(pin for pin, at in self.scenario.profile.channel_of_pin.items() if at == self.channel)


def cases() -> list[Case]:
    """Trailers with bulbs, with LED lamps and with both; heavy and light circuits."""
    chosen: list[tuple[LampMix, int, str]] = [
        ("filament", 3, "bulbs, stop"),
        ("filament", 1, "bulbs, markers"),
        ("mixed", 3, "bulbs and LED lamps, stop"),
        ("led", 5, "LED lamps, tail"),
    ]
    return [Case(title, Scenario(random_profile(Random(3), lamp_mix=mix), spread=0.0), n) for mix, n, title in chosen]


def drive(channel: int, limit_a: float) -> Switches:
    """One channel driven, all others off."""
    feeds = [Feed()] * CHANNELS
    feeds[channel - 1] = Feed(FeedMode.DRIVE, limit_a)
    return Switches(tuple(feeds))


def record(case: Case) -> FloatArray:
    """The inrush as the board's capture takes it: 2000 currents at 5 kS/s."""
    plant = build_plant(case.scenario)
    amps: list[float] = []
    ends = [*(phase.at_s for phase in PHASES[1:]), STOP_S]
    for phase, end_s in zip(PHASES, ends, strict=True):
        plant.switch(drive(case.channel, phase.limit_a))
        amps += plant.advance(end_s, case.channel, round((end_s - phase.at_s) / CAPTURE_STEP_S))[0]
    return np.array(amps)


def soft_start_by_ticks(case: Case) -> None:
    """As the firmware does it: 400 ticks of 1 ms, five samples and all readings in each."""
    plant = build_plant(case.scenario)
    plant.switch(drive(case.channel, PHASES[0].limit_a))
    for tick in range(1, 401):
        if tick == 6:
            plant.switch(drive(case.channel, PHASES[1].limit_a))
        plant.advance(tick * 1e-3, case.channel, samples=5)
        plant.truth()
        plant.quiet_until_s()


@dataclass(frozen=True, slots=True)
class Cost:
    """Least wall and CPU time of several runs; the others measure what else the machine did."""

    wall_s: float
    cpu_s: float

    def __str__(self) -> str:
        return f"{self.wall_s * 1e3:7.1f} ms wall {self.cpu_s * 1e3:7.1f} ms CPU"

    def times(self, other: "Cost") -> str:
        """How many times the other's cost this is."""
        return f"{self.wall_s / other.wall_s:5.1f} x the plant's wall time, {self.cpu_s / other.cpu_s:5.1f} x its CPU"


def cpu_clock() -> float:
    """CPU time of this process and of its finished children."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def cost(work: Callable[[], object]) -> Cost:
    """Run ``work`` several times."""
    walls, cpus = [], []
    for _ in range(REPEATS):
        wall, cpu = time.perf_counter(), cpu_clock()
        work()
        walls.append(time.perf_counter() - wall)
        cpus.append(cpu_clock() - cpu)
    return Cost(min(walls), min(cpus))


def spice_run(case: Case, step_s: float) -> tuple[Cost, FloatArray]:
    """Cost of the whole process with ngspice's default tolerances, and the currents at the capture's instants."""
    text, columns = netlist(
        case.scenario, drive(case.channel, 15.0), STOP_S, phases=PHASES, step_s=step_s, options="reltol=1e-3"
    )
    with tempfile.TemporaryDirectory() as folder:
        deck, out = Path(folder, "deck.cir"), Path(folder, "out.txt")
        deck.write_text(text.replace("@OUT@", str(out)))
        spent = cost(lambda: subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, check=True))
        waves = read_waves(out, columns)
    return spent, at_samples(waves.time_s, waves.pin_a[case.pin])


def at_samples(time_s: FloatArray, amps: FloatArray) -> FloatArray:
    """A wave at the capture's instants."""
    result: FloatArray = np.asarray(np.interp(instants(), time_s, amps), dtype=np.float64)
    return result


def instants() -> FloatArray:
    """Times of the capture's samples."""
    count = round(STOP_S / CAPTURE_STEP_S)
    return np.linspace(CAPTURE_STEP_S, STOP_S, count)


def worst_error(amps: FloatArray, reference: FloatArray) -> float:
    """Largest relative error, leaving out the first 0.2 ms after each change."""
    seen = np.ones(len(amps), dtype=bool)
    for phase in PHASES:
        seen &= np.abs(instants() - phase.at_s) > 1.01 * BLIND_S
    return float(np.abs(amps / reference - 1)[seen].max())


def coarsest(case: Case, reference: FloatArray) -> tuple[float, Cost, float]:
    """Step, cost and error of the fastest ngspice run that stays within 1 %."""
    for step_s in COARSE_STEPS_S:
        spent, amps = spice_run(case, step_s)
        error = worst_error(amps, reference)
        if error <= 0.01:
            break
    return step_s, spent, error


def report(case: Case) -> None:
    """Measure and print one case."""
    fine = simulate(case.scenario, drive(case.channel, 15.0), STOP_S, phases=PHASES, step_s=2e-5)
    reference = at_samples(fine.time_s, fine.pin_a[case.pin])
    plant = cost(lambda: record(case))
    same, same_a = spice_run(case, CAPTURE_STEP_S)
    step_s, coarse, coarse_error = coarsest(case, reference)
    ticks = cost(lambda: soft_start_by_ticks(case))
    print(f"\n{case.title}: {nodes(case.scenario.profile)} nodes, {len(case.scenario.profile.loads)} loads")
    print(f"  plant            {plant}  error {worst_error(record(case), reference):.2%}")
    print(f"  ngspice, 0.2 ms  {same}  error {worst_error(same_a, reference):.2%}  {same.times(plant)}")
    print(f"  ngspice, {step_s * 1e3:.1f} ms  {coarse}  error {coarse_error:.2%}  {coarse.times(plant)}")
    print(f"  400 ticks        {ticks}, {ticks.cpu_s / STOP_S * 1e3:.0f} ms CPU a simulated second")


def report_rest() -> None:
    """CPU time of an hour of steady light."""
    case = cases()[0]
    plant = build_plant(case.scenario)
    plant.switch(drive(case.channel, 15.0))
    plant.advance(60.0)
    start = time.process_time()
    plant.advance(3660.0)
    plant.truth()
    print(f"\nan hour of steady light: {(time.process_time() - start) * 1e3:.2f} ms CPU")


def nodes(profile: Profile) -> int:
    """Number of nodes of the drawn harness."""
    links: list[Segment | Joint] = [*profile.segments, *profile.joints]
    ends = [node for link in links for node in (link.a, link.b)]
    return len({*ends, *(node for load in profile.loads for node in (load.a, load.b))})


def main() -> None:
    """Print the comparison."""
    print(f"400 ms soft-start (6 A, then 15 A), {round(STOP_S / CAPTURE_STEP_S)} samples; reference {used_version()}")
    print("errors against ngspice with 0.02 ms steps and reltol 1e-5")
    for case in cases():
        report(case)
    report_rest()


if __name__ == "__main__":
    main()
