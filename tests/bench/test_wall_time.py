"""The loop with fine timers does all that an ordinary one does; how fine they are, tools/bench_link.py measures."""

import asyncio
import signal
import socket
import threading

import pytest

from bench.wall_time import fine_loop, run_wall


def test_a_sleeper_wakes_up_when_its_time_has_come_and_not_before() -> None:
    async def slept_s(seconds: float) -> float:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        await asyncio.sleep(seconds)
        return loop.time() - began_s

    for seconds in (0.0004, 0.00175, 0.01):
        assert run_wall(slept_s(seconds)) >= seconds


def test_a_loop_that_waits_uses_no_processor() -> None:
    rounds = 0
    loop = fine_loop()
    run_once = loop._run_once  # type: ignore[attr-defined]

    def counted() -> None:
        nonlocal rounds
        rounds += 1
        run_once()

    loop._run_once = counted  # type: ignore[attr-defined]
    try:
        loop.run_until_complete(asyncio.sleep(0.05))
    finally:
        loop.close()

    assert rounds < 10


def test_bytes_that_arrive_end_a_wait_at_once() -> None:
    async def main() -> bytes:
        here, there = socket.socketpair()
        reader, writer = await asyncio.open_connection(sock=here)
        asyncio.get_running_loop().call_later(0.001, there.send, b"news")
        try:
            async with asyncio.timeout(30):
                return await reader.read(4)
        finally:
            there.close()
            writer.close()
            await writer.wait_closed()

    assert run_wall(main()) == b"news"


def test_another_thread_ends_a_wait() -> None:
    async def main() -> None:
        done = asyncio.Event()
        loop = asyncio.get_running_loop()
        thread = threading.Timer(0.005, loop.call_soon_threadsafe, [done.set])
        thread.start()
        async with asyncio.timeout(30):
            await done.wait()
        thread.join()

    run_wall(main())


def test_a_signal_ends_a_wait() -> None:
    async def main() -> None:
        told = asyncio.Event()
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGUSR1, told.set)
        loop.call_later(0.001, signal.raise_signal, signal.SIGUSR1)
        async with asyncio.timeout(30):
            await told.wait()
        loop.remove_signal_handler(signal.SIGUSR1)

    run_wall(main())


def test_an_error_of_the_work_is_the_runs_error() -> None:
    async def main() -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run_wall(main())
