import asyncio
import json

import pytest

from bench.page.fanout import Fanout

pytestmark = pytest.mark.virtual_time


async def test_a_new_watcher_is_told_everything_first() -> None:
    fanout = Fanout({"state": lambda: {"n": 1}, "visit": lambda: {"visit": None}})

    with fanout.watcher() as watcher:
        messages = watcher.messages()
        told = [json.loads(await anext(messages)) for _ in range(2)]

    assert told == [{"t": "state", "n": 1}, {"t": "visit", "visit": None}]
    assert fanout.watching == 0


async def test_a_slow_watcher_gets_what_is_newest_and_nothing_piles_up() -> None:
    made = []

    def make() -> dict[str, int]:
        made.append(len(made))
        return {"n": len(made)}

    fanout = Fanout({"state": make})
    with fanout.watcher() as slow:
        for _ in range(1000):
            fanout.changed("state")
            await asyncio.sleep(0.1)
        told = json.loads(await anext(slow.messages()))

        assert told["n"] == len(made) == 1001
        assert len(slow._newest) == 0


async def test_changes_that_come_together_are_told_once() -> None:
    made = []
    fanout = Fanout({"state": lambda: made.append(1) or {}})
    with fanout.watcher():
        for _ in range(50):
            fanout.changed("state")
        await asyncio.sleep(1.0)

    assert len(made) == 2  # at the beginning, and for all fifty


async def test_readings_are_told_at_most_twenty_times_a_second_and_to_nobody_when_nobody_watches() -> None:
    fanout = Fanout({})
    made = []

    def reading() -> dict[str, int]:
        made.append(1)
        return {"u": len(made)}

    fanout.live(reading)
    assert made == []
    with fanout.watcher():
        for _ in range(1000):
            fanout.live(reading)
            await asyncio.sleep(0.001)

    assert 18 <= len(made) <= 26
