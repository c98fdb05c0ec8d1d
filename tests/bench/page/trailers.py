"""Bays with simulated trailers, for the tests of this folder."""

import asyncio
from collections.abc import AsyncIterator, Callable
from concurrent.futures import Executor, Future
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.electrical import Conclusion, first_look
from bench.page.bay import Bay
from bench.page.forms import Start
from bench.page.jobs import job_of
from bench.page.visit import Visit
from bench.profiles import load_profile
from bench.profiles.model import Measurements
from bench.safety import Stage

FULL_OF_AIR = """\
title: Sound air brakes, reservoirs full
profile: tandem-53ft
seed: 301
air: {start_psi: 100}
"""
BEAT_S = 0.07


def full_of_air(folder: Path) -> str:
    """Board URL of a trailer whose reservoirs are full, so that nobody waits for them."""
    file = folder / "full-of-air.yaml"
    file.write_text(FULL_OF_AIR)
    return f"sim:{file}"


class Quick(Executor):
    """Says what clear rules say of readings, and doesn't rank: that is the diagnosis' business, and takes its time."""

    def submit(self, work: Any, /, *args: Any, **kwargs: Any) -> "Future[Any]":
        """Do it now."""
        done: Future[Any] = Future()
        first = args[0] if args else None
        done.set_result(Conclusion(first_look(first)) if isinstance(first, Measurements) else work(*args, **kwargs))
        return done


@asynccontextmanager
async def bay_with(url: str, profile: str, record: Path | None = None) -> AsyncIterator[Bay]:
    """A living bay with a trailer checked in."""
    bay = Bay("north", url, record, lambda device: device, Quick())
    life = asyncio.create_task(bay.live())
    try:
        await until(lambda: bay.state()["board"]["connected"])
        bay.begin(Visit(load_profile(profile), "TR-1", "", "A. Fitter", datetime(2026, 1, 12, tzinfo=UTC)))
        yield bay
    finally:
        life.cancel()
        await asyncio.wait({life})


def start(bay: Bay, record: Path | None = None, **run: object) -> None:
    """Ask for a run as a page does."""
    bay.start(job_of(Start.model_validate({"run": run}), bay, record or ""))


async def until(so: Callable[[], object], longest_s: float = 120.0) -> None:
    """Wait until something is so."""
    async with asyncio.timeout(longest_s):
        while not so():  # noqa: ASYNC110 - what is waited for may be anything
            await asyncio.sleep(0.01)


async def answer_yes(bay: Bay) -> None:
    """Say yes to whatever is asked, for ever."""
    while True:
        await asyncio.sleep(0.02)
        if (asked := bay.asking.shown) is not None:
            bay.asking.answer(asked["number"], True)


async def press(bay: Bay, *, finger: bool = True) -> None:
    """Hold, as a page does, for ever."""
    while True:
        bay.hold.beat(finger=finger)
        await asyncio.sleep(BEAT_S)


def stage(bay: Bay) -> Stage | None:
    """Where the air is."""
    return bay.hold.stage


async def ended(bay: Bay) -> None:
    """Wait until nothing is being done any more and what was done is in the visit."""
    await until(lambda: bay.job is None)
    await asyncio.sleep(0.1)
