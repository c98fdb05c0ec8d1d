"""Several simulated boards as one bench: one matrix, one clock, one way out."""

import asyncio
from collections.abc import Callable, Collection, Coroutine
from pathlib import Path
from typing import Any, TypeVar

import pytest

import bench
from bench.contract.readings import Snapshot
from bench.contract.table import Capability, ChannelState, EventKind, Mode, Return
from bench.errors import BoardFault, InputError, LinkError, Stopped
from bench.link import Board, InProcessLink, JoinedBoard, parse_board_url
from bench.profiles import load_scenario
from bench.safety import GuardedBoard
from bench.virtual_time import run_virtual
from firmware_sim.joined import JoinedSimulator
from tools.trunk import PAIR_OHM, write_trunk

T = TypeVar("T")
PINS = 36  # three boards: 16, 16 and 4 channels
REST = {ChannelState.OFF, ChannelState.HELD_OFF}


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_trunk(tmp_path_factory.mktemp("trunk"), PINS)


class Bench:
    """A joined board and what it is made of."""

    def __init__(self, scenario: Path) -> None:
        self.profile = load_scenario(scenario).profile
        self.simulator = JoinedSimulator(load_scenario(scenario))
        clock = asyncio.get_running_loop().time
        self.links = [InProcessLink("sim:", each, clock) for each in self.simulator.boards]
        self.board = JoinedBoard([Board(link) for link in self.links])


def on_bench(scenario: Path, work: Callable[[Bench], Coroutine[Any, Any, T]]) -> T:
    async def main() -> T:
        return await work(Bench(scenario))

    return run_virtual(main())


async def driving(bench_: Bench, channels: Collection[int], meanwhile: Callable[[GuardedBoard], object]) -> None:
    """A session that drives channels and then waits for whatever ends it."""
    async with GuardedBoard(bench_.board, bench_.profile) as guard:
        for channel in channels:
            await guard.drive(channel)
        meanwhile(guard)
        await guard.wait(60)


def states(seen: Snapshot) -> set[ChannelState]:
    return {channel.state for channel in seen.channels}


def test_three_boards_look_like_one(scenario: Path) -> None:
    async def work(bench_: Bench) -> None:
        identity = await bench_.board.open()
        seen = await bench_.board.snapshot()

        assert identity.channels == len(seen.channels) == PINS
        assert Capability.COLD_PULSE not in identity.capabilities
        assert identity.serial.count("+") == 2
        assert bench_.board.uncertain_s < 0.003

    on_bench(scenario, work)


def test_a_probe_on_one_board_is_seen_by_the_others(scenario: Path) -> None:
    async def work(bench_: Bench) -> Snapshot:
        async with GuardedBoard(bench_.board, bench_.profile) as guard:
            await guard.returns(Return.BOTH)
            return await guard.probe(2)

    shot = on_bench(scenario, work)
    behind_ohm = PAIR_OHM * 2 * PAIR_OHM / (3 * PAIR_OHM)
    assert shot.channel(2).voltage_v == pytest.approx(shot.supply_v * behind_ohm / (1000 + behind_ohm), rel=0.05)
    assert shot.channel(2 + PINS // 2).voltage_v == pytest.approx(shot.channel(2).voltage_v / 2, rel=0.05)
    others = [shot.channel(n).voltage_v for n in range(1, PINS + 1) if n not in (2, 2 + PINS // 2)]
    assert max(others) < 0.02


def test_a_crossing_between_two_boards_is_found_by_a_usual_inspection(tmp_path: Path) -> None:
    crossed = "[{kind: cross-connection, place: wire.2, other: wire.35, ohm: 1}]"
    file = write_trunk(tmp_path, PINS, crossed)
    with bench.blocking(f"sim:{file}") as session:
        run = session.inspect(tmp_path / "trunk.yaml", only=["supply", "matrix"])

    failed = {value.name for step in run.steps for value in step.values if value.verdict == "fail"}
    assert {"pin 2 on other pins", "pin 35 on other pins"} <= failed
    assert not any(name.startswith(("pin 1 ", "pin 3 ", "pin 34 ", "pin 36 ")) for name in failed)


def test_channels_are_driven_switched_off_and_recorded_by_their_own_board(scenario: Path) -> None:
    async def work(bench_: Bench) -> None:
        events = []
        async with GuardedBoard(bench_.board, bench_.profile, on_event=events.append) as guard:
            await guard.arm_capture(20, 1000, 50)
            for channel in (1, 20, 36):
                await guard.drive(channel)
            on = await guard.wait(0.1)
            capture = await guard.capture()
            await guard.off([1, 36])
            half = await guard.wait(0.05)
            await guard.read_events()

        assert {n for n in range(1, PINS + 1) if on.channel(n).state is ChannelState.ON} == {1, 20, 36}
        assert {n for n in range(1, PINS + 1) if half.channel(n).state is ChannelState.ON} == {20}
        assert (capture.channel, len(capture.current_a)) == (20, 50)
        changed = {event.index for event in events if event.kind is EventKind.CHANNEL_STATE}
        assert changed == {1, 20, 36}
        assert [event.position for event in events] == list(range(events[0].position, events[0].position + len(events)))
        assert states(await bench_.board.snapshot()) <= REST

    on_bench(scenario, work)


def test_one_board_with_an_emergency_stop_turns_all_off(tmp_path: Path) -> None:
    stop = "[{kind: board-fault, place: emergency-stop, at_s: 1.0}]"
    file = write_trunk(tmp_path, PINS, stop)

    async def work(bench_: Bench) -> Snapshot:
        with pytest.raises(BoardFault):
            await driving(bench_, (1, 36), lambda _: None)
        return await bench_.board.snapshot()

    assert states(on_bench(file, work)) <= REST


def test_a_board_that_is_lost_leaves_none_of_the_others_on(scenario: Path) -> None:
    async def work(bench_: Bench) -> tuple[list[Snapshot], Snapshot]:
        lost = bench_.links[1]
        with pytest.raises(LinkError):
            await driving(bench_, (1, 20, 36), lambda _: asyncio.ensure_future(lost.close()))
        reached = [await _seen(bench_.links[n]) for n in (0, 2)]
        await lost.open()
        await asyncio.sleep(2.0)  # its own watchdog has run out by then
        return reached, await _seen(lost)

    reached, lost = on_bench(scenario, work)
    assert all(states(seen) <= REST and Mode.ARMED not in seen.mode for seen in [*reached, lost])


async def _seen(link: InProcessLink) -> Snapshot:
    board = Board(link)
    await board.open()
    return await board.snapshot()


def test_a_stopped_session_leaves_every_board_off_and_free(scenario: Path) -> None:
    def stop_soon(guard: GuardedBoard) -> None:
        asyncio.get_running_loop().call_later(1.0, lambda: asyncio.ensure_future(guard.stop("enough")))

    async def work(bench_: Bench) -> Snapshot:
        with pytest.raises(Stopped):
            await driving(bench_, (17,), stop_soon)
        return await bench_.board.snapshot()

    seen = on_bench(scenario, work)
    assert states(seen) <= REST
    assert Mode.CLAIMED not in seen.mode


def test_a_bench_has_no_more_pins_than_it_may_and_no_cold_pulse(scenario: Path) -> None:
    async def work(bench_: Bench) -> None:
        await bench_.board.open()
        with pytest.raises(InputError, match="no cold pulse"):
            await bench_.board.pulse(1)
        with pytest.raises(InputError, match=r"channels 1\.\.36"):
            await bench_.board.drive(37)
        too_many = JoinedBoard([Board(link) for link in bench_.links * 4])
        with pytest.raises(InputError, match="144 pins"):
            await too_many.open()

    on_bench(scenario, work)


# --- addresses ---


def test_addresses_with_commas_are_several_boards() -> None:
    where = parse_board_url("tcp://10.0.0.1:5025,modbus-tcp://10.0.0.2:502?unit=3")

    assert [(each.scheme, each.host, each.unit) for each in where.joined] == [
        ("tcp", "10.0.0.1", 1),
        ("modbus-tcp", "10.0.0.2", 3),
    ]
    assert parse_board_url("sim:a,b.yaml").joined == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tcp://a:1,sim:", "can't be joined"),
        ("tcp://a:1,tcp://a:1", "named twice"),
        ("tcp://a:1,", "start with one of"),
        ("tcp://a:1,tcp://b", "which port"),
    ],
)
def test_a_wrong_part_is_told(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_board_url(text)
