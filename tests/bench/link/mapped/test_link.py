"""Ordinary modules as a board: against a plain Modbus server that plays them before a simulated harness."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bench.app import Session, connect
from bench.contract.table import Capability, ChannelState, CommandCode, EventKind, Fault, Refusal, Return, TripReason
from bench.errors import BoardFault, BoardRefused, InputError, NotOurBoard, PermitDenied
from bench.link import Board, open_link, parse_board_url
from bench.profiles import data_root, load_profile, load_scenario
from bench.profiles.model import InjectedFault, Protection, Scenario
from bench.results import Run, Verdict
from bench.safety import GuardedBoard
from tests.bench.link.mapped.modules import Modules, served

STEPS = ["self-check", "supply", "look", "cold-pulse", "circuits", "ground-return", "all-lamps"]


@pytest.fixture
def maps(tmp_path: Path) -> dict[bool, str]:
    """The shipped maps, but for the pull-down that the simulated harness's board has."""
    found = {}
    for sixteen, name in ((True, "relays-16-inputs-16"), (False, "relays-8-inputs-8")):
        text = (data_root() / "boards" / f"{name}.yaml").read_text(encoding="utf-8")
        path = tmp_path / f"{name}.yaml"
        path.write_text(text.replace("pull_down_ohm: 40000", "pull_down_ohm: 100000"), encoding="utf-8")
        found[sixteen] = str(path)
    return found


def trailer(*faults: InjectedFault) -> Scenario:
    return replace(load_scenario("healthy-tandem"), faults=faults)


@asynccontextmanager
async def opened(modules: Modules, board_map: str) -> AsyncIterator[Board]:
    async with served(modules) as port:
        board = Board(open_link(parse_board_url(f"modbus-tcp://127.0.0.1:{port}?map={board_map}")))
        await board.open()
        try:
            yield board
        finally:
            await board.close()


@asynccontextmanager
async def session(modules: Modules, board_map: str) -> AsyncIterator[Session]:
    async with served(modules) as port:
        url = f"modbus-tcp://127.0.0.1:{port}?map={board_map}"
        async with connect(url, answers={"clear-to-power": True}) as each:
            yield each


async def ready(board: Board) -> None:
    await board.claim()
    await board.set_board(0.5, 0, 12)
    await board.set_channel(3, Protection())
    await board.arm()


def verdicts(run: Run) -> dict[str, Verdict]:
    return {step.step: step.verdict for step in run.steps}


async def test_a_sound_trailer_passes_what_such_a_bench_can_test_and_the_rest_is_told(maps):
    modules = Modules(trailer())
    async with session(modules, maps[True]) as each:
        run = await each.inspect(load_profile("tandem-53ft"), only=STEPS)

    steps = {step.step: step for step in run.steps}
    assert {name for name, verdict in verdicts(run).items() if verdict is Verdict.FAIL} == set()
    assert steps["circuits"].verdict is Verdict.PASS
    assert "fuses instead of a current limit" in steps["circuits"].reason
    assert steps["look"].verdict is Verdict.PASS
    assert steps["cold-pulse"].reason == "the board has no cold pulse"
    assert steps["all-lamps"].reason == "the board has no current limit"
    assert steps["ground-return"].reason == "the board has no current limit, return switches"
    assert not any(modules.relays)


async def test_the_least_bench_takes_the_supplys_current_for_that_of_the_one_channel_that_is_on(maps):
    modules = Modules(trailer(), sixteen=False)
    async with opened(modules, maps[False]) as board:
        await ready(board)
        dark = await board.snapshot()
        await board.drive(3)
        seen = await board.wait(0.2)
        truth = modules.plant.truth()

        assert board.identity.capabilities == Capability.FIXED_FUSE
        assert all(channel.current_a == 0 for channel in dark.channels)
        assert seen.channel(3).current_a == pytest.approx(truth.supply_a, abs=0.01)
        assert seen.channel(4).current_a == 0
        assert all(modules.relays[-2:]), "both returns are closed while armed"


async def test_an_open_wire_and_a_short_are_found(maps):
    faults = (InjectedFault("open", "contact.stop"), InjectedFault("short-to-ground", "main.front.tail", ohm=0.05))
    modules = Modules(trailer(*faults))
    async with session(modules, maps[True]) as each:
        run = await each.inspect(load_profile("tandem-53ft"), only=["supply", "look", "circuits"])

    found = {(finding.kind, circuit) for finding in run.findings for circuit in finding.circuits}
    assert {kind for kind, _ in found} >= {"open"}
    assert run.verdict is Verdict.FAIL
    assert not any(modules.relays)


async def test_identity_says_what_the_map_says(maps):
    async with opened(Modules(trailer()), maps[True]) as board:
        identity = board.identity

    assert identity.channels == 7
    assert identity.capabilities == Capability.PROBE | Capability.FIXED_FUSE
    assert (identity.probe_ohm, identity.largest_current_a, identity.pull_down_ohm) == (1000, 10, 100_000)


async def test_readings_are_what_stands_behind_dividers_and_shunts(maps):
    modules = Modules(trailer())
    async with opened(modules, maps[True]) as board:
        await ready(board)
        await board.drive(3)
        seen = await board.wait(0.2)
        truth = modules.plant.truth()

    assert seen.supply_v == pytest.approx(truth.supply_v, abs=0.01)
    assert seen.channel(3).current_a == pytest.approx(truth.pin_a[2], abs=0.01)
    assert seen.channel(3).state is ChannelState.ON
    assert seen.ambient_c == pytest.approx(20.0, abs=0.1)
    assert seen.returns is Return.BOTH


async def test_relays_left_on_by_somebody_else_are_opened_before_anything(maps):
    modules = Modules(trailer())
    modules.relays[4] = True
    async with opened(modules, maps[True]):
        assert not any(modules.relays)


async def test_every_relay_is_open_when_the_link_is_closed(maps):
    modules = Modules(trailer())
    async with opened(modules, maps[True]) as board:
        await ready(board)
        await board.drive(3)
        assert modules.relays[2]
        assert all(modules.relays[-2:])

    assert not any(modules.relays)


async def test_one_output_at_a_time(maps):
    async with opened(Modules(trailer()), maps[True]) as board:
        await ready(board)
        await board.set_channel(4, Protection())
        await board.drive(3)
        with pytest.raises(BoardRefused) as refused:
            await board.drive(4)

    assert refused.value.reason is Refusal.BUSY


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        (CommandCode.PULSE, Refusal.NOT_CAPABLE),
        (CommandCode.WIGGLE, Refusal.NOT_CAPABLE),
        (CommandCode.DRIVE, Refusal.NO_LIMITS),
    ],
)
async def test_what_the_modules_cannot_do_is_refused_with_the_reason(maps, command, reason):
    async with opened(Modules(trailer()), maps[True]) as board:
        await ready(board)
        calls = {
            CommandCode.PULSE: lambda: board.pulse(2),
            CommandCode.WIGGLE: lambda: board.wiggle(2),
            CommandCode.DRIVE: lambda: board.drive(2),
        }
        with pytest.raises(BoardRefused) as refused:
            await calls[command]()

    assert refused.value.reason is reason


async def test_a_fuse_that_blows_trips_its_channel(maps):
    modules = Modules(trailer())
    async with opened(modules, maps[True]) as board:
        await ready(board)
        await board.drive(3)
        modules.blown.add(3)
        modules._switch()
        seen = await board.snapshot()
        after = await board.snapshot()
        events = (await board.events()).events

    assert ChannelState.TRIPPED in (seen.channel(3).state, after.channel(3).state)
    assert (EventKind.TRIP, TripReason.LIMIT_TIME) in [(event.kind, event.value) for event in events]
    assert not modules.relays[2]


async def test_a_relay_that_does_not_close_trips_its_channel(maps):
    modules = Modules(trailer(), stuck={2})
    async with opened(modules, maps[True]) as board:
        await ready(board)
        await board.drive(3)
        seen = await board.snapshot()

        assert seen.channel(3).state is ChannelState.TRIPPED
        assert not any(modules.relays[:14])


async def test_a_module_that_loses_its_power_ends_the_session(maps):
    modules = Modules(trailer())
    async with served(modules) as port:
        board = Board(open_link(parse_board_url(f"modbus-tcp://127.0.0.1:{port}?map={maps[True]}")))

        async def lose_it() -> None:
            async with GuardedBoard(board, load_profile("tandem-53ft")) as guard:
                await guard.drive(3)
                modules.lose_power()
                await asyncio.sleep(0.5)

        with pytest.raises(BoardFault) as fault:
            await lose_it()
        await board.close()

    assert Fault.RESTARTED in fault.value.faults
    assert not any(modules.relays)


async def test_without_a_watchdog_somebody_must_stand_beside_it(maps):
    async with served(Modules(trailer())) as port:
        board = Board(open_link(parse_board_url(f"modbus-tcp://127.0.0.1:{port}?map={maps[True]}")))
        with pytest.raises(PermitDenied, match="somebody must stand beside it"):
            async with GuardedBoard(board, load_profile("tandem-53ft"), attended=False):
                pass
        await board.close()


async def test_fuses_larger_than_the_wires_bear_are_refused(maps):
    profile = load_profile("tandem-53ft")
    thin = replace(profile, protection=replace(profile.protection, limit_a=8.0))
    async with served(Modules(trailer())) as port:
        board = Board(open_link(parse_board_url(f"modbus-tcp://127.0.0.1:{port}?map={maps[True]}")))
        with pytest.raises(PermitDenied, match="fuses are 10 A, but the profile allows its wires 8 A"):
            async with GuardedBoard(board, thin):
                pass
        await board.close()


@pytest.fixture
def wrong_map(maps) -> str:
    path = Path(maps[True])
    path.write_text(path.read_text().replace("unit: 1, coil: 15", "unit: 1, coil: 40"))
    return str(path)


async def test_a_map_of_other_modules_is_named(wrong_map):
    with pytest.raises(NotOurBoard, match="unit 1 has no coil 40: check the map"):
        async with opened(Modules(trailer()), wrong_map):
            pass


async def test_a_map_that_is_not_there_is_named():
    with pytest.raises(InputError, match="no board map 'relays-9'"):
        open_link(parse_board_url("modbus-tcp://127.0.0.1:1502?map=relays-9"))
