"""Many simulated boards in one process, each polled at 20 Hz with a run on it, as on a core that does nothing else.

    python -m tools.bench_many                         64 boards
    python -m tools.bench_many --grow --draw many.svg  1 to 128, drawn
    python -m tools.bench_many --wall                  on wall time, beside whatever else the machine does

On every board a walk-round goes on (each circuit lit in turn, guarded, watchdog fed) and somebody polls the
snapshot through the same guarded board, as a page does. A deadline is missed when a snapshot is not there one
period after it was due. What the process takes of one core is told in all and per board.
"""

import argparse
import asyncio
import gc
import math
import os
import statistics
import time
from collections.abc import Coroutine
from contextlib import AsyncExitStack
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from bench.app import Session, connect
from bench.app.session import Alone
from bench.errors import BoardFault, LinkError
from bench.profiles import load_profile
from bench.profiles.model import Profile
from bench.safety import GuardedBoard
from bench.virtual_time import VirtualTimeLoop
from bench.wall_time import run_wall

PROFILE, SCENARIO = "tandem-53ft", "healthy-tandem"
PERIOD_S = 0.05
WARM_UP_S = 3.0
STAGGER_S = 0.1
LIT_S = 10.0  # as the command has it
SIZES = (1, 2, 4, 8, 16, 32, 64, 128)
GOAL_MISSED = 0.001


class OneCoreLoop(VirtualTimeLoop):
    """An event loop on a core of its own: its clock is the CPU time of this process, and idle time is jumped over.

    So the figures are those of a machine that does nothing else, whatever else this one does (but for what
    neighbours take of caches and of the core's other half).
    """

    _worked_s = 0.0

    def time(self) -> float:
        """Seconds since the loop was made, as an undisturbed core would see them at this turn's beginning."""
        return super().time() + self._worked_s

    def _run_once(self) -> None:
        self._worked_s = time.process_time()  # once a turn: asking costs as much as a message
        super()._run_once()  # type: ignore[misc]  # asyncio's own, and not in its stubs


@dataclass(frozen=True, slots=True)
class Figure:
    """What one size gave; times in seconds."""

    boards: int
    polls: int
    missed: int
    trips: int
    core: float
    latest_s: float
    median_s: float

    @property
    def row(self) -> str:
        """For people."""
        return (
            f"{self.boards:6d} {self.polls:8d} {self.missed:7d} {self.missed / self.polls:8.3%} {self.trips:6d} "
            f"{self.core:7.1%} {self.core / self.boards:9.2%} {self.median_s * 1000:7.1f} {self.latest_s * 1000:7.1f}"
        )


HEADING = "boards    polls  missed     share  trips    core per board  median  latest ms"


@dataclass
class Polled:
    """What the poller of one board saw."""

    late_s: list[float]
    silent: int = 0


class Along(Alone):
    """Goes along with a run, to poll through its guarded board as a page does."""

    guard: GuardedBoard

    def opened(self, guard: GuardedBoard) -> None:
        """The run has begun."""
        self.guard = guard


async def poll(guard: GuardedBoard, seconds: float, polled: Polled, first_s: float) -> None:
    """Read the snapshot at 20 Hz; note how late each came, and all as missed once the board has turned itself off."""
    loop = asyncio.get_running_loop()
    due_s = loop.time() + first_s
    end_s = due_s + seconds
    while due_s < end_s:
        await asyncio.sleep(max(due_s - loop.time(), 0.0))
        try:
            await guard.snapshot()
        except (BoardFault, LinkError):
            polled.silent += 1
            due_s = max(due_s, loop.time() - PERIOD_S)
            polled.late_s.append(2 * PERIOD_S)
        else:
            polled.late_s.append(loop.time() - due_s)
        due_s += PERIOD_S


async def walked(session: Session, profile: Profile, number: int) -> None:
    """A walk-round without end; no two begin at once."""
    await asyncio.sleep(number * STAGGER_S)
    try:
        await session.walk(profile, seconds=LIT_S, rounds=None)
    except BoardFault:
        return  # its poller sees it, too, and counts it


async def measure(boards: int, seconds: float) -> Figure:
    """Connect to all of them, let the runs begin, then poll for so long."""
    profile = load_profile(PROFILE)
    polled = [Polled([]) for _ in range(boards)]
    async with AsyncExitStack() as stack:
        board = f"sim:{SCENARIO}"
        along = [Along() for _ in range(boards)]
        sessions = [
            await stack.enter_async_context(connect(board, answers={"clear-to-power": True}, companion=each))
            for each in along
        ]
        async with asyncio.TaskGroup() as runs:
            walking = [runs.create_task(walked(each, profile, n)) for n, each in enumerate(sessions)]
            await asyncio.sleep(WARM_UP_S + boards * STAGGER_S)
            gc.collect()
            gc.freeze()  # as a server does once everything is loaded: a collection of all of it takes 0.1 s
            loop = asyncio.get_running_loop()
            begun_cpu_s, begun_s = time.process_time(), loop.time()
            async with asyncio.TaskGroup() as tasks:
                for n, (run, each) in enumerate(zip(along, polled, strict=True)):
                    tasks.create_task(poll(run.guard, seconds, each, n / boards * PERIOD_S))
            core = (time.process_time() - begun_cpu_s) / (loop.time() - begun_s)
            gc.unfreeze()
            for walk in walking:
                walk.cancel()
    late_s = [late for each in polled for late in each.late_s]
    return Figure(
        boards=boards,
        polls=len(late_s),
        missed=sum(late > PERIOD_S for late in late_s),
        trips=sum(bool(each.silent) for each in polled),
        core=core,
        latest_s=max(late_s),
        median_s=statistics.median(late_s),
    )


# --- the drawing ---

WIDE, HIGH, EDGE = 640, 360, 50


def drawing(figures: list[Figure]) -> str:
    """Share of a core over boards, both on logarithmic axes, as SVG."""
    highest = max(max(figure.core for figure in figures), 1.0)
    lowest = min(figure.core for figure in figures)

    def place(boards: int, core: float) -> tuple[float, float]:
        x = EDGE + (WIDE - 2 * EDGE) * math.log2(boards) / max(math.log2(figures[-1].boards), 1)
        y = HIGH - EDGE - (HIGH - 2 * EDGE) * math.log(core / lowest) / max(math.log(highest / lowest), 1e-9)
        return round(x, 1), round(y, 1)

    points = [place(figure.boards, figure.core) for figure in figures]
    lines = [f'<line x1="{a}" y1="{b}" x2="{c}" y2="{d}" stroke="#136"/>' for (a, b), (c, d) in pairwise(points)]
    dots = [
        f'<circle cx="{x}" cy="{y}" r="4" fill="{"#136" if figure.missed <= GOAL_MISSED * figure.polls else "#c40"}"/>'
        f'<text x="{x}" y="{y - 10}" text-anchor="middle">{figure.core:.0%}</text>'
        f'<text x="{x}" y="{HIGH - EDGE + 20}" text-anchor="middle">{figure.boards}</text>'
        for figure, (x, y) in zip(figures, points, strict=True)
    ]
    title = "Share of one core over boards in one process; red: more than 0.1 % of 20 Hz deadlines missed"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDE}" height="{HIGH}" font-family="sans-serif" '
        'font-size="11">'
        f'<rect width="100%" height="100%" fill="white"/><text x="{EDGE}" y="20">{title}</text>'
        f"{''.join(lines)}{''.join(dots)}</svg>\n"
    )


def taken(work: Coroutine[Any, Any, Figure], *, wall: bool) -> Figure:
    """Run ``work`` on wall time, or as on a core of its own."""
    if wall:
        return run_wall(work)
    with asyncio.Runner(loop_factory=OneCoreLoop) as runner:
        return runner.run(work)


def main() -> None:
    """Print a row a size; draw them when asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=64)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--grow", action="store_true", help="1 to 128 boards")
    parser.add_argument("--draw", type=Path, help="write the growth here as SVG")
    parser.add_argument("--wall", action="store_true", help="on wall time, with whatever else the machine does")
    given = parser.parse_args()
    if given.wall:
        print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(HEADING)
    figures = []
    for boards in SIZES if given.grow else (given.boards,):
        figures.append(taken(measure(boards, given.seconds), wall=given.wall))
        print(figures[-1].row, flush=True)
    if given.draw:
        given.draw.write_text(drawing(figures), encoding="utf-8")


if __name__ == "__main__":
    main()
