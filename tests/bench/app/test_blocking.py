"""Sessions for code that is not async, and for code on another loop."""

import asyncio
import signal
import threading
from collections.abc import Iterator

import pytest

import bench
from bench.app.blocking import AwaitableSession, BlockingSession
from bench.contract.readings import Snapshot
from bench.errors import InputError
from bench.events import Event, Progress
from bench.results import Run

REST = {"OFF", "HELD_OFF"}


def states(seen: Snapshot) -> set[str]:
    return {channel.state.name for channel in seen.channels}


def test_it_does_what_a_session_does_and_closes() -> None:
    with bench.blocking("sim:lab-door") as session:
        run = session.inspect("machine-door", only=["supply"])
        assert session.identity.serial.startswith("SIM-")

    assert run.verdict == "pass"
    with pytest.raises(RuntimeError):
        session.snapshot()


def test_it_is_what_an_async_session_measures() -> None:
    async def main() -> Run:
        async with bench.connect("sim:lab-door") as session:
            return await session.inspect("machine-door", only=["supply"])

    with bench.blocking("sim:lab-door") as session:
        assert session.inspect("machine-door", only=["supply"]).steps == bench.run_virtual(main()).steps


def test_a_wrong_address_leaves_nothing_open() -> None:
    with pytest.raises(InputError, match="no scenario"), BlockingSession("sim:nowhere"):
        pytest.fail("there is no such scenario")


def test_ctrl_c_switches_everything_off_before_it_is_felt() -> None:
    pressed = threading.Event()

    def press(event: Event) -> None:
        if isinstance(event, Progress) and not pressed.is_set():
            pressed.set()
            signal.raise_signal(signal.SIGINT)

    with bench.blocking("sim:lab-door", tell=press) as session:
        with pytest.raises(KeyboardInterrupt):
            session.walk("machine-door", rounds=None)
        assert states(session.snapshot()) <= REST


async def test_in_async_code_it_says_what_to_use_instead() -> None:
    with pytest.raises(RuntimeError, match=r"bench\.connect"), bench.blocking("sim:lab-door"):
        pytest.fail("it can't run here")


# --- awaited on another loop ---


@pytest.fixture
def told() -> list[Event]:
    return []


@pytest.fixture
def session(told: list[Event]) -> Iterator[AwaitableSession]:
    with bench.blocking("sim:lab-door", tell=told.append) as blocking:
        yield AwaitableSession(blocking)


async def test_awaited_on_another_loop_a_run_keeps_its_own_time(session: AwaitableSession) -> None:
    run = await session.walk("machine-door", only=["sounder"], seconds=20)

    assert run.duration_s > 20


async def test_a_cancelled_call_has_cleaned_up_before_it_raises(session: AwaitableSession, told: list[Event]) -> None:
    walk = asyncio.create_task(session.walk("machine-door", seconds=1e6, rounds=None))
    while not any(isinstance(event, Progress) for event in told):  # noqa: ASYNC110 - told by another thread
        await asyncio.sleep(0.01)
    walk.cancel()
    with pytest.raises(asyncio.CancelledError):
        await walk

    assert states(await session.snapshot()) <= REST
