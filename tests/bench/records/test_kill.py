"""A process that writes a run is killed at random moments; nothing it was told is stored may be lost."""

from pathlib import Path

import pytest

from bench.records import Store
from tools.kill_campaign import kill_once, wrong
from tools.kill_writer import RUN, numbered_step


@pytest.mark.parametrize("seed", range(20))
def test_no_acknowledged_step_is_lost_and_the_cut_run_is_closed_by_the_next(seed: int):
    assert kill_once(seed) == []


def test_a_campaign_sees_a_step_that_was_lost_and_one_that_differs(tmp_path: Path):
    path = tmp_path / "records.sqlite"
    with Store(path) as store:
        store.begin(RUN)
        store.add_step(RUN.id, numbered_step(0))
        store.add_step(RUN.id, numbered_step(7))
        store.finish(RUN.id, "interrupted", 2.0)

    assert wrong(path, [0, 1, 2]) == ["3 steps were acknowledged, 2 are there", "a step is not as it was written"]
