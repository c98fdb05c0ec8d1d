"""Kill a process that writes a record, at random moments, many times; look what is left.

    python -m tools.kill_campaign            20 times
    python -m tools.kill_campaign --n 1000   a campaign; a failure prints its seed
    python -m tools.kill_campaign --n 1 --seed 417

What must hold each time: every step that the store acknowledged is there, whole and in order; at most one more,
which was stored and not yet told; the hash chain is sound; and the next run closes the cut one as interrupted.
"""

import argparse
import multiprocessing
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

from bench.records import Store
from tools.kill_writer import NEXT, RUN, numbered_step, write_until_killed

CONTEXT = multiprocessing.get_context("forkserver")
CONTEXT.set_forkserver_preload(["tools.kill_writer"])


def acknowledged_before_the_kill(path: Path, chance: random.Random) -> list[int]:
    """Let a process write, kill it a little later, and give the numbers of the steps it was told are stored."""
    told, tell = CONTEXT.Pipe(duplex=False)
    child = CONTEXT.Process(target=write_until_killed, args=(str(path), tell))
    child.start()
    tell.close()
    first = [told.recv() for _ in range(chance.randrange(1, 12))]
    time.sleep(chance.uniform(0, 0.004))
    child.kill()
    rest = list(_until_it_died(told))
    child.join()
    told.close()
    child.close()
    return first + rest


def _until_it_died(told: Connection) -> Iterator[int]:
    try:
        while True:
            yield told.recv()
    except EOFError:
        return


def wrong(path: Path, acknowledged: list[int]) -> list[str]:
    """What does not hold in the database that a killed process left; one line each."""
    with Store(path) as store:
        steps = store.load(RUN.id).steps
        found = [f"chain: {problem}" for problem in store.verify()]
        if acknowledged != list(range(len(acknowledged))):
            found.append("steps were acknowledged out of order")
        if len(steps) - len(acknowledged) not in (0, 1):
            found.append(f"{len(acknowledged)} steps were acknowledged, {len(steps)} are there")
        if steps != tuple(numbered_step(number) for number in range(len(steps))):
            found.append("a step is not as it was written")
        store.begin(NEXT)
        cut = store.load(RUN.id)
        if (cut.state, cut.duration_s) != ("interrupted", float(len(steps))):
            found.append(f"the cut run is {cut.state} after {cut.duration_s} s")
    return found


def kill_once(seed: int) -> list[str]:
    """One kill in a folder of its own; what does not hold."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.sqlite"
        return wrong(path, acknowledged_before_the_kill(path, random.Random(seed)))


def main() -> int:
    """Run a campaign; 1 when something was lost."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0, help="of the first kill; the others follow")
    asked = parser.parse_args()
    failed = 0
    for seed in range(asked.seed, asked.seed + asked.n):
        for problem in kill_once(seed):
            failed += 1
            print(f"seed {seed}: {problem}")
    print(f"{asked.n} kills, {failed} problems")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
