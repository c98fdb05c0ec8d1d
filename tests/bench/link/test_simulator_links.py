"""Every link to the simulated bench: the controller's side and the board's, which share only the contract."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

import pytest

from bench.contract.readings import Capture, EventPage, Snapshot
from bench.contract.table import ChannelState, EventKind, Fault, Refusal, Return
from bench.errors import BoardFault, BoardRefused
from bench.link import Board, InProcessLink, open_link, parse_board_url
from bench.profiles import load_scenario
from bench.profiles.model import Protection
from firmware_sim.servers import ServeOptions, serve
from firmware_sim.simulator import Simulator

PORTS = {
    "line over TCP": {"tcp": 0},
    "line over serial": {"serial": "pty"},
    "Modbus TCP": {"modbus_tcp": 0},
    "Modbus RTU": {"modbus_rtu": "pty"},
}
CHANNEL = 2


@pytest.fixture(params=PORTS.values(), ids=PORTS.keys())
def port(request):
    return request.param


@dataclass(frozen=True, slots=True)
class Seen:
    """What a short session measured."""

    lit: Snapshot
    shot: Snapshot
    capture: Capture
    events: EventPage
    dark: Snapshot


@asynccontextmanager
async def served(port: dict[str, object], speed: float = 1.0) -> AsyncIterator[Board]:
    """A board behind a real port, opened and claimed."""
    ready: asyncio.Future = asyncio.get_running_loop().create_future()
    simulator = Simulator(load_scenario("healthy-tandem"))
    async with asyncio.TaskGroup() as tasks:
        serving = tasks.create_task(serve(simulator, ServeOptions(speed=speed, **port), ready.set_result))
        board = Board(open_link(parse_board_url((await ready).urls()[0])))
        await board.open()
        yield board
        await board.close()
        serving.cancel()


async def make_ready(board: Board) -> None:
    await board.claim()
    await board.set_board(2.0, 1_034_000, 12)
    await board.set_channel(CHANNEL, Protection())
    await board.kick()
    await board.clear((await board.snapshot()).faults)
    await board.arm()


async def short_session(board: Board) -> Seen:
    await make_ready(board)
    await board.returns(Return.BOTH)
    await board.probe(CHANNEL)
    await board.wait(0.02)
    shot = await board.shot()
    await board.arm_capture(CHANNEL, 5000, 500)
    await board.drive(CHANNEL)
    lit = await board.wait(0.4)
    capture, events = await board.capture(), await board.events()
    await board.off()
    await board.release()
    return Seen(lit, shot, capture, events, await board.wait(0.05))


def check_session(seen: Seen) -> None:
    assert seen.shot.channel(CHANNEL).voltage_v < 12
    assert seen.lit.channel(CHANNEL).state is ChannelState.ON
    assert 0.1 < seen.lit.channel(CHANNEL).current_a < 5
    assert seen.lit.supply_v > seen.lit.channel(CHANNEL).voltage_v > 10
    assert len(seen.capture.current_a) == 500
    assert max(seen.capture.current_a) > 2 * seen.lit.channel(CHANNEL).current_a
    assert EventKind.ARMED in [event.kind for event in seen.events.events]
    assert abs(seen.dark.channel(CHANNEL).current_a) < 0.05
    assert seen.dark.channel(CHANNEL).state is not ChannelState.ON


@pytest.mark.virtual_time
async def test_a_session_in_process():
    simulator = Simulator(load_scenario("healthy-tandem"))
    board = Board(InProcessLink("sim:", simulator, asyncio.get_running_loop().time))
    await board.open()

    check_session(await short_session(board))


async def test_a_session_over_a_real_port(port):
    async with served(port) as board:
        check_session(await short_session(board))


async def test_refusals_are_the_same_over_every_port(port):
    async with served(port) as board:
        await board.claim()
        with pytest.raises(BoardRefused) as unarmed:
            await board.drive(CHANNEL)
        await make_ready(board)
        with pytest.raises(BoardRefused) as no_limits:
            await board.drive(CHANNEL + 1)
        await board.drive(CHANNEL)
        with pytest.raises(BoardRefused) as on:
            await board.set_channel(CHANNEL, Protection())
        await board.safe()

    reasons = [refused.value.reason for refused in (unarmed, no_limits, on)]
    assert reasons == [Refusal.FAULT_LATCHED, Refusal.NO_LIMITS, Refusal.OUTPUT_ON]


async def test_waiting_is_in_board_time_at_any_speed(port):
    async with served(port, speed=50) as board:
        before = await board.snapshot()
        begun_s = asyncio.get_running_loop().time()
        after = await board.wait(20)
        took_s = asyncio.get_running_loop().time() - begun_s

    assert after.uptime_s - before.uptime_s >= 20
    assert took_s < 2


async def test_a_silent_controller_is_turned_off_and_told_so():
    async with served(PORTS["line over serial"], speed=5) as board:
        await make_ready(board)
        await board.drive(CHANNEL)
        seen = await board.wait(2.5)

    assert Fault.HOST_SILENT in seen.faults
    assert seen.channel(CHANNEL).state is not ChannelState.ON


@pytest.mark.virtual_time
async def test_a_restart_in_the_middle_of_a_wait_is_noticed():
    simulator = Simulator(load_scenario("board-restart"))
    board = Board(InProcessLink("sim:", simulator, asyncio.get_running_loop().time))
    await board.open()

    with pytest.raises(BoardFault, match="restarted"):
        await board.wait(3600)
