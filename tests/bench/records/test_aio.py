import asyncio
import threading
from pathlib import Path

import pytest

from bench.errors import RecordError
from bench.records import AsyncStore, Store
from tests.bench.records.made_runs import small_run, small_step

pytestmark = pytest.mark.virtual_time


async def test_a_run_is_stored_from_async_code_and_takes_no_virtual_time(tmp_path: Path):
    async with AsyncStore(Store(tmp_path / "records.sqlite")) as records:
        await records.begin(small_run())
        await records.add_step(small_run().id, small_step())
        await records.finish(small_run().id, "complete", 3.0)
        loaded = await records.call(records.store.load, "last")

    assert (loaded.state, loaded.steps) == ("complete", (small_step(),))
    assert asyncio.get_running_loop().time() == 0


async def test_all_calls_run_in_one_thread_of_their_own(tmp_path: Path):
    async with AsyncStore(Store(tmp_path / "records.sqlite")) as records:
        idents = await asyncio.gather(*(records.call(threading.get_ident) for _ in range(5)))

    assert len({*idents, threading.get_ident()}) == 2


async def test_errors_come_back_to_the_caller(tmp_path: Path):
    async with AsyncStore(Store(tmp_path / "records.sqlite")) as records:
        with pytest.raises(RecordError, match="no record"):
            await records.add_step("nobody", small_step())


async def test_a_step_that_was_on_its_way_is_stored_although_its_awaiter_was_cancelled(tmp_path: Path):
    async with AsyncStore(Store(tmp_path / "records.sqlite")) as records:
        await records.begin(small_run())
        async with asyncio.TaskGroup() as tasks:
            writing = tasks.create_task(records.add_step(small_run().id, small_step()))
            await asyncio.sleep(0)
            writing.cancel()
    with Store(tmp_path / "records.sqlite") as store:
        assert store.load("last").steps == (small_step(),)
