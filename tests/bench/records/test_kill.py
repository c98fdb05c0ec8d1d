"""A process that writes a run is killed at random moments; nothing it was told is stored may be lost."""

import multiprocessing
import random
import time
from collections.abc import Iterator
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from bench.records import Store
from tests.bench.records.writer import RUN, numbered_step, write_until_killed

CONTEXT = multiprocessing.get_context("forkserver")
CONTEXT.set_forkserver_preload(["bench.records", "tests.bench.records.writer"])


def until_it_died(told: Connection) -> Iterator[int]:
    try:
        while True:
            yield told.recv()
    except EOFError:
        return


def acknowledged_before_the_kill(path: Path, chance: random.Random) -> list[int]:
    told, tell = CONTEXT.Pipe(duplex=False)
    child = CONTEXT.Process(target=write_until_killed, args=(str(path), tell))
    child.start()
    tell.close()
    first = [told.recv() for _ in range(chance.randrange(1, 12))]
    time.sleep(chance.uniform(0, 0.004))
    child.kill()
    rest = list(until_it_died(told))
    child.join()
    told.close()
    child.close()
    return first + rest


@pytest.mark.parametrize("seed", range(20))
def test_no_acknowledged_step_is_lost_when_the_writer_is_killed(tmp_path: Path, seed: int):
    path = tmp_path / "records.sqlite"
    acknowledged = acknowledged_before_the_kill(path, random.Random(seed))
    with Store(path) as store:
        steps = store.load("last").steps

        assert acknowledged == list(range(len(acknowledged)))
        assert len(steps) - len(acknowledged) in (0, 1)  # the newest may be stored and not yet told
        assert steps == tuple(numbered_step(number) for number in range(len(steps)))
        assert store.verify() == []


def test_a_killed_run_is_closed_as_interrupted_by_the_next_run(tmp_path: Path):
    path = tmp_path / "records.sqlite"
    acknowledged_before_the_kill(path, random.Random(0))
    with Store(path) as store:
        store.begin(replace(RUN, id="20260112-150000-aaaa"))
        cut = store.load(RUN.id)

        assert cut.state == "interrupted"
        assert cut.duration_s == float(len(cut.steps))
        assert store.load("last").state == "running"
        assert store.verify() == []
