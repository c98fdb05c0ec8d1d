"""The same under pytest-asyncio: methods are awaited, a simulated board stays in virtual time."""

import asyncio
import time

import pytest

pytestmark = [pytest.mark.asyncio, pytest.mark.umbilical(scenario="lab-door")]


async def test_a_walk_of_a_minute_takes_no_minute(umbilical_session):
    began_s = time.monotonic()
    run = await umbilical_session.walk("machine-door", only=["light"], seconds=60)

    assert run.duration_s > 60
    assert time.monotonic() - began_s < 30


async def test_a_cancelled_run_has_switched_everything_off(umbilical_session):
    walk = asyncio.ensure_future(umbilical_session.walk("machine-door", seconds=1e6, rounds=None))
    await asyncio.sleep(0.3)
    walk.cancel()
    with pytest.raises(asyncio.CancelledError):
        await walk

    seen = await umbilical_session.snapshot()
    assert {channel.state.name for channel in seen.channels} <= {"OFF", "HELD_OFF"}
