import asyncio
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.virtual_time import DeadlockError, VirtualTimeLoop, run_virtual


def now_s() -> float:
    return asyncio.get_running_loop().time()


@pytest.mark.virtual_time
async def test_the_marker_puts_a_test_on_virtual_time():
    await asyncio.sleep(3600)

    assert isinstance(asyncio.get_running_loop(), VirtualTimeLoop)
    assert now_s() == pytest.approx(3600)


async def test_without_the_marker_a_test_runs_on_wall_time():
    assert not isinstance(asyncio.get_running_loop(), VirtualTimeLoop)


@given(st.lists(st.floats(0, 1e5), min_size=1, max_size=30))
def test_sleepers_wake_in_order_of_their_times_and_at_them(delays_s):
    woken = []

    async def sleeper(delay_s):
        await asyncio.sleep(delay_s)
        woken.append((now_s(), delay_s))

    async def main():
        await asyncio.gather(*map(sleeper, delays_s))

    run_virtual(main())

    assert [delay for _, delay in woken] == sorted(delays_s)
    assert all(at == pytest.approx(delay, abs=1e-6) for at, delay in woken)


def test_a_hundred_hertz_sampler_takes_exactly_its_samples():
    async def main():
        samples = 0
        while now_s() < 25 - 1e-6:
            await asyncio.sleep(0.01)
            samples += 1
        return samples

    assert run_virtual(main()) == 2500


def test_waiting_for_nothing_is_reported_as_a_deadlock():
    async def main():
        await asyncio.sleep(2)
        await asyncio.Event().wait()

    with pytest.raises(DeadlockError, match="at 2 s"):
        run_virtual(main())


def test_a_timeout_ends_a_wait_at_its_time():
    async def main():
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(7):
                await asyncio.Event().wait()
        return now_s()

    assert run_virtual(main()) == pytest.approx(7)


def test_time_stands_while_a_thread_works_even_with_timers_pending():
    async def main():
        async with asyncio.timeout(0.001):
            await asyncio.to_thread(time.sleep, 0.05)
        return now_s()

    assert run_virtual(main()) == 0


def test_a_failing_thread_does_not_stop_the_clock_for_good():
    async def main():
        with pytest.raises(ZeroDivisionError):
            await asyncio.to_thread(lambda: 1 / 0)
        await asyncio.sleep(5)
        return now_s()

    assert run_virtual(main()) == pytest.approx(5)


def test_sockets_inside_the_process_cost_no_virtual_time():
    async def echo(reader, writer):
        writer.write(await reader.readline())
        await writer.drain()
        writer.close()

    async def main():
        async with await asyncio.start_server(echo, "127.0.0.1", 0) as server:
            reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
            writer.write(b"ping\n")
            answer = await reader.readline()
            writer.close()
            await writer.wait_closed()
        return answer, now_s()

    assert run_virtual(main()) == (b"ping\n", 0)
