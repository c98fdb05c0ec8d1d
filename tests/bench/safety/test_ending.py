"""An end from elsewhere reaches whoever waits, and leaves real cancellations alone."""

import asyncio

import pytest

from bench.errors import Stopped
from bench.safety.ending import Ending
from bench.virtual_time import run_virtual


def test_the_innermost_block_gets_the_error_and_may_still_await():
    log: list[str] = []

    async def main() -> None:
        ending = Ending()
        asyncio.get_running_loop().call_later(1.0, ending.because, Stopped("enough"))
        async with ending.interruptible():
            try:
                async with ending.interruptible():
                    await asyncio.sleep(60)
            except Stopped:
                await asyncio.sleep(5)
                log.append(f"tidied up, {asyncio.current_task().cancelling()} cancellations left")
                raise

    with pytest.raises(Stopped):
        run_virtual(main())

    assert log == ["tidied up, 0 cancellations left"]


def test_the_first_error_wins_and_later_blocks_do_not_begin():
    async def main() -> None:
        ending = Ending()
        ending.because(Stopped("first"))
        ending.because(Stopped("second"))
        async with ending.interruptible():
            raise AssertionError("not reached")

    with pytest.raises(Stopped, match="first"):
        run_virtual(main())


def test_a_real_cancellation_passes_through_as_itself():
    async def main() -> None:
        ending = Ending()

        async def body() -> None:
            async with ending.interruptible():
                await asyncio.sleep(60)

        async with asyncio.TaskGroup() as tasks:
            task = tasks.create_task(body())
            await asyncio.sleep(1)
            task.cancel()
        assert task.cancelled()

    run_virtual(main())


def test_a_timeout_of_the_body_stays_a_timeout():
    async def main() -> None:
        async with Ending().interruptible(), asyncio.timeout(1):
            await asyncio.sleep(60)

    with pytest.raises(TimeoutError):
        run_virtual(main())


def test_whoever_ends_it_is_not_interrupted_itself():
    async def main() -> str:
        ending = Ending()
        try:
            async with ending.interruptible():
                ending.because(Stopped("by me"))
                await asyncio.sleep(1)
                return "went on"
        finally:
            assert asyncio.current_task().cancelling() == 0

    assert run_virtual(main()) == "went on"
