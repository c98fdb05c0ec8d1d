"""What ten thousand endurance cycles on the simulated door harness cost: time, memory as it goes, size of the record.

    python -m tools.bench_endurance [--cycles N]

The loop runs in a process of its own, whose memory is read from outside ten times on the way; beside it stand the same
cycles by hand, on the bare board without sequence, record or guard, in the same run.
"""

import argparse
import asyncio
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench.contract.table import Return
from bench.link import Board, InProcessLink
from bench.profiles import load_scenario
from bench.virtual_time import run_virtual
from firmware_sim.simulator import Simulator

SCENARIO = "lab-door-wear"
COMMAND = "import sys; from bench.cli import run; sys.exit(run(sys.argv[1:]))"
LOOKS_EVERY_S = 1.0
BARE_CYCLES = 300


def endured(cycles: int, folder: Path) -> tuple[float, list[float], Path, dict[str, object]]:
    """Run the shipped endurance sequence: seconds, resident MB as it went, its database, its document."""
    record = folder / "records.sqlite"
    words = ["run", "door-endurance", "--set", f"cycles={cycles}", "--board", f"sim:{SCENARIO}"]
    command = [sys.executable, "-c", COMMAND, *words, "--record", str(record), "--json"]
    began = time.perf_counter()
    with (folder / "out.json").open("w") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL)
        resident_mb = list(_watched(process))
    return time.perf_counter() - began, resident_mb, record, json.loads((folder / "out.json").read_text())


def _watched(process: subprocess.Popen[bytes]) -> Iterator[float]:
    """Resident memory while the process lives."""
    status = Path(f"/proc/{process.pid}/status")
    while process.poll() is None:
        time.sleep(LOOKS_EVERY_S)
        try:
            lines = status.read_text().splitlines()
        except (FileNotFoundError, ProcessLookupError):
            return
        yield from (int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def bare_s(cycles: int) -> float:
    """The same switching and reading on the bare board: seconds a cycle."""

    async def main() -> float:
        scenario = load_scenario(SCENARIO)
        simulator = Simulator(scenario)
        board = Board(InProcessLink("sim:", simulator, asyncio.get_running_loop().time))
        identity = await board.open()
        await board.claim()
        for channel in range(1, identity.channels + 1):
            await board.set_channel(channel, scenario.profile.protection)
        await board.set_board(2.0, 1_000_000, 12)
        await board.clear((await board.snapshot()).faults)
        await board.kick()
        await board.arm()
        await board.returns(Return.BOTH)
        began = time.perf_counter()
        for _ in range(cycles):
            await _bare_cycle(board)
        return (time.perf_counter() - began) / cycles

    return run_virtual(main())


async def _bare_cycle(board: Board) -> None:
    await board.kick()
    await board.drive(4)
    await board.drive(5)
    await board.wait(0.03)
    await board.snapshot()
    await board.snapshot()
    await board.off()
    for channel in (6, 7):
        await board.probe(channel)
        await board.wait(0.005)
        await board.shot()
    await board.wait(0.02)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cycles", type=int, default=10_000)
    cycles = parser.parse_args().cycles
    with tempfile.TemporaryDirectory() as name:
        took_s, resident_mb, record, document = endured(cycles, Path(name))
        size_mb = record.stat().st_size / 1e6
    bare = bare_s(BARE_CYCLES)
    quarters = [resident_mb[min(len(resident_mb) * n // 4, len(resident_mb) - 1)] for n in range(1, 4)]
    steps = document["steps"]
    print(f"{cycles} cycles: {took_s:.0f} s, {document['duration_s']} board seconds, verdict {document['verdict']}")
    print(f"a cycle: {1000 * took_s / cycles:.1f} ms; bare board, same exchanges: {1000 * bare:.1f} ms")
    print(f"ratio {took_s / cycles / bare:.2f}")
    print(f"resident MB at a quarter, half, three quarters: {', '.join(f'{mb:.1f}' for mb in quarters)}")
    print(f"record: {size_mb:.1f} MB, {len(steps) if isinstance(steps, list) else 0} steps")


if __name__ == "__main__":
    main()
