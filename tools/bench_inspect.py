"""How long people and machines wait: start-up of the command, and a whole inspection on the simulator.

    python -m tools.bench_inspect             every figure
    python -m tools.bench_inspect --runs 20   more runs for the medians

Start-up is told beside an empty Python program of the same run, because a shared machine is fast one
minute and slow the next; the ratio is what stays.
"""

import argparse
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HELP = "import sys; sys.argv = ['umbilical', '--help']; import bench.cli; bench.cli.main()"
PROFILE = "tandem-53ft"
SAID = dict.fromkeys(
    ("clear-to-power", "chocks-set", "glad-hands-seated", "clear-of-brakes", "clear-to-release", "springs-may-apply"),
    True,
)
STROKES = {f"stroke-{axle}-{side}": "1 1/2 in" for axle in ("front", "rear") for side in ("left", "right")}


def command_s(*arguments: str) -> float:
    """Wall seconds of one Python process."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    return time.perf_counter() - began


def start_up(runs: int) -> None:
    """Print the medians of ``umbilical --help`` and of an empty program, taken in turns."""
    empty, helped = [], []
    for _ in range(runs):
        empty.append(command_s("-c", "pass"))
        helped.append(command_s("-c", HELP))
    base_s, help_s = statistics.median(empty), statistics.median(helped)
    print(f"python -c pass     {base_s:7.3f} s  median of {runs}")
    print(f"umbilical --help   {help_s:7.3f} s  median of {runs}, {help_s / base_s:.1f} times as long")


def inspection(scenario: str, runs: int) -> None:
    """Print wall and board seconds of a whole inspection in process, without starting Python."""
    import bench

    async def inspect() -> float:
        async with bench.connect(f"sim:{scenario}", answers={**SAID, **STROKES}) as session:
            return (await session.inspect(PROFILE)).duration_s

    walls, cpus = [], []
    for _ in range(runs):
        began, began_cpu = time.perf_counter(), time.process_time()
        board_s = bench.run_virtual(inspect())
        walls.append(time.perf_counter() - began)
        cpus.append(time.process_time() - began_cpu)
    wall_s, cpu_s = statistics.median(walls), statistics.median(cpus)
    print(f"inspect {PROFILE}, {scenario}: {board_s:.1f} board seconds in {wall_s:.2f} s ({cpu_s:.2f} s CPU), "
          f"median of {runs}, {board_s / wall_s:.0f} times real time")  # fmt: skip


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=9)
    arguments = parser.parse_args()
    start_up(arguments.runs)
    inspection("healthy-tandem", max(1, arguments.runs // 3))
    inspection("healthy-air", max(1, arguments.runs // 3))


if __name__ == "__main__":
    main()
