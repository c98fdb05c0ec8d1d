"""What a bench of several boards costs: the cross matrix of a harness of many pins, all boards simulated.

    python -m tools.bench_joined [--pins N]

Board seconds are what a real bench would take but for its wire; the same harness probed pin by pin without drawing,
limits and record stands beside it, in the same run. Numerical libraries use one thread, as on a machine that has more
to do.
"""

import argparse
import asyncio
import os
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import bench
from bench.link import Board, InProcessLink, JoinedBoard
from bench.safety import GuardedBoard
from bench.virtual_time import run_virtual
from firmware_sim.joined import JoinedSimulator
from tools.trunk import write_trunk


def matrix(scenario: Path) -> tuple[float, float, str]:
    """A whole inspection of the matrix: wall seconds, board seconds of the step, verdict."""
    began = time.perf_counter()
    with bench.blocking(f"sim:{scenario}") as session:
        run = session.inspect(scenario.parent / "trunk.yaml", only=["matrix"])
    step = next(step for step in run.steps if step.step == "matrix")
    return time.perf_counter() - began, step.duration_s, step.verdict.value


def probed(scenario: Path) -> tuple[float, float]:
    """Every pin probed through the guarded board alone: wall seconds, and how well the clocks are known, in s."""

    async def main() -> tuple[float, float]:
        loaded = bench.load_scenario(scenario)
        links = [
            InProcessLink("sim:", each, asyncio.get_running_loop().time) for each in JoinedSimulator(loaded).boards
        ]
        board = JoinedBoard([Board(link) for link in links])
        began = time.perf_counter()
        async with GuardedBoard(board, loaded.profile) as guard:
            for channel in range(1, guard.identity.channels + 1):
                await guard.probe(channel)
        return time.perf_counter() - began, board.uncertain_s

    return run_virtual(main())


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--pins", type=int, default=128)
    pins = parser.parse_args().pins
    with tempfile.TemporaryDirectory() as name:
        scenario = write_trunk(Path(name), pins)
        whole_s, board_s, verdict = matrix(scenario)
        bare_s, uncertain_s = probed(scenario)
    print(f"matrix of {pins} pins: {board_s:.1f} board seconds in {whole_s:.1f} s, {verdict}")
    print(f"probes alone: {bare_s:.1f} s; ratio {whole_s / bare_s:.1f}")
    print(f"clocks of the boards known to ± {1000 * uncertain_s:.1f} ms")


if __name__ == "__main__":
    main()
