"""Inspections from the first caution to the closed record, on the real simulator and virtual time."""

import asyncio
from dataclasses import replace

import pytest

from bench.contract.table import Capability, CommandCode, Fault
from bench.errors import BoardFault, Stopped
from bench.events import RunEnded
from bench.link import Board, InProcessLink
from bench.profiles import load_profile, load_scenario
from bench.results import Verdict
from bench.safety import GuardedBoard
from bench.sequences import STEPS, run_inspection
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import MemoryStore, inspect, inspect_in, inspected, on_simulator

TRAILER = load_profile("tandem-53ft")
ELECTRICAL = tuple(
    step.name
    for step in STEPS
    if step.belongs(TRAILER) and not step.air and not step.on_demand and step.name != "diagnosis"
)
GOAL_S = 3.0  # of bench time, for a 7-pin trailer


@pytest.mark.parametrize("scenario", ["healthy-tandem", "healthy-bulbs", "healthy-van"])
def test_a_sound_seven_pin_trailer_passes_within_three_seconds(scenario):
    session = inspected(scenario)

    assert session.run.verdict is Verdict.PASS
    assert session.run.findings == ()
    assert session.run.state == "complete"
    assert session.run.duration_s <= GOAL_S
    assert tuple(step.step for step in session.run.steps) == ELECTRICAL


@pytest.mark.parametrize("scenario", ["healthy-24v", "healthy-light", "lab-door"])
def test_other_sound_harnesses_pass_too(scenario):
    session = inspected(scenario)

    assert session.run.findings == ()
    assert session.run.verdict is Verdict.PASS


def test_the_demonstrations_clear_faults_show_at_first_look_and_the_shorted_circuit_is_never_driven():
    session = inspected("demo")

    found = {finding.kind: finding.circuits for finding in session.run.findings}
    assert found["short-to-ground"] == ("markers",)
    assert found["lamp-out"] == ("right-turn",)
    assert session.run.verdict is Verdict.FAIL
    markers = session.scenario.profile.channel_of_pin[session.scenario.profile.circuit("markers").pin]
    assert markers not in session.board.driven()
    assert "markers was not driven" in (session.step("circuits").reason or "")


def test_a_board_whose_controller_died_under_load_opens_for_the_next_one():
    session = on_simulator("healthy-tandem")
    profile = session.scenario.profile

    async def die_then_inspect() -> None:
        clock = asyncio.get_running_loop().time
        dead = Board(InProcessLink("sim:", session.board, clock), key=6)
        await dead.open()
        await dead.claim()
        await dead.clear((await dead.snapshot()).faults)
        await dead.set_board(0.5, 0, profile.nominal_v)
        await dead.set_channel(1, profile.protection)
        await dead.kick()
        await dead.arm()
        await dead.drive(1)
        await asyncio.sleep(1.0)  # no kick any more
        assert Fault.HOST_SILENT in (await dead.snapshot()).causes
        await inspect_in(session, only=["self-check"])

    run_virtual(die_then_inspect())

    assert session.run.state == "complete"
    assert session.notices == ["the board reported host silent: read and cleared"]


SHOWN_BY = {
    "open": ("circuits", "open", ("stop",)),
    "short-to-ground": ("cold-pulse", "short-to-ground", ("markers",)),
    "overload": ("circuits", "overload", ("tail",)),
    "cross-connection": ("circuits", "cross-connection", ("right-turn", "tail")),
    "back-feed": ("circuits", "back-feed", ("left-turn", "markers")),
    "high-resistance": ("circuits", "high-resistance", ("stop",)),
    "lamp-out": ("circuits", "lamp-out", ("stop",)),
    "abs-supply": ("circuits", "abs-supply", ("abs",)),
    "short-to-supply": ("look", "short-to-supply", ("right-turn",)),
    "low-supply": ("supply", "low-supply", ()),
}


@pytest.mark.parametrize("scenario", SHOWN_BY)
def test_a_fault_is_found_by_the_step_that_shows_it(scenario):
    session = inspected(scenario)

    step, kind, circuits = SHOWN_BY[scenario]
    shown = [(finding.kind, tuple(sorted(finding.circuits))) for finding in session.step(step).findings]
    assert (kind, tuple(sorted(circuits))) in shown
    assert session.step(step).verdict is session.run.findings[0].verdict
    assert session.run.verdict is not Verdict.PASS
    told = [(finding.kind, finding.circuits) for finding in session.run.findings]
    assert len(told) == len(set(told)), "nothing is told twice"


@pytest.mark.parametrize(
    ("scenario", "kind"), [("ground-high-resistance", "ground-high-resistance"), ("bond-open", "ground-open")]
)
def test_a_bad_ground_is_the_ground_steps_finding_and_no_circuits_fault(scenario, kind):
    session = inspected(scenario)

    assert [finding.kind for finding in session.step("ground-return").findings] == [kind]
    assert session.step("circuits").verdict is Verdict.PASS
    assert session.step("ground-return").verdict is Verdict.FAIL


def test_a_live_circuit_is_not_driven():
    session = inspected("short-to-supply")

    live = session.scenario.profile.channel_of_pin[session.scenario.profile.circuit("right-turn").pin]
    assert live not in session.board.driven()
    assert "something else feeds it" in (session.step("circuits").reason or "")


def test_a_second_inspection_waits_for_cold_filaments_and_takes_no_charge_for_a_live_pin():
    session = on_simulator("healthy-bulbs")

    async def twice(guard: GuardedBoard, *args: object, **options: object) -> object:
        await run_inspection(guard, *args, **options)
        session.store = MemoryStore(session.board.on)
        return await run_inspection(guard, *args, **{**options, "store": session.store})

    run_virtual(inspect_in(session, performer=twice))

    assert session.run.verdict is Verdict.PASS
    assert session.step("cold-pulse").duration_s > 5.0
    assert len(session.board.driven()) == len(session.scenario.profile.circuits)


def test_the_same_seed_gives_the_same_record():
    first, second = inspected("demo"), inspect("demo")

    assert first.run == second.run


def test_outputs_are_off_before_the_record_is_closed_and_stay_off():
    session = inspected("healthy-bulbs")

    assert session.store.on_at_finish == set()
    session.board.assert_everything_off()
    assert session.board.commands[-1][0] is CommandCode.RELEASE


@pytest.mark.parametrize(
    ("lacks", "untested", "narrowed"),
    [
        (Capability.PROBE, {"look"}, {}),
        (Capability.COLD_PULSE, {"cold-pulse"}, {}),
        (Capability.CURRENT_LIMIT, {"circuits", "ground-return", "all-lamps"}, {}),
        (Capability.RETURN_SWITCHES, {"ground-return"}, {"look": "can't open its returns"}),
        (Capability.REFERENCE_RESISTOR, set(), {"supply": "no reference resistor", "self-check": "no reference"}),
        (Capability.CAPTURE | Capability.CHASSIS_SENSE, set(), {}),
    ],
)
def test_what_the_board_lacks_is_said_and_the_rest_is_done(lacks, untested, narrowed):
    session = inspect("healthy-bulbs", lacks=lacks)

    assert {step.step for step in session.run.steps if step.verdict is Verdict.NOT_TESTED} == untested
    assert all("the board has no" in (session.step(name).reason or "") for name in untested)
    assert all(reason in (session.step(name).reason or "") for name, reason in narrowed.items())
    assert session.run.findings == ()


def test_an_emergency_stop_closes_the_record_as_failed_with_its_partial_step():
    session = on_simulator("board-fault")

    with pytest.raises(BoardFault, match="emergency stop"):
        run_virtual(inspect_in(session))

    assert session.run.state == "failed"
    assert "emergency stop" in (session.run.reason or "")
    assert "cut short" in (session.run.steps[-1].reason or "")
    assert session.run.verdict is Verdict.NOT_TESTED
    assert session.store.on_at_finish == set()
    assert isinstance(session.events[-1], RunEnded)
    session.board.assert_everything_off()


def test_a_board_that_restarts_in_the_middle_ends_the_run():
    session = on_simulator("board-restart")

    with pytest.raises(BoardFault) as fault:
        run_virtual(inspect_in(session))

    assert Fault.RESTARTED in fault.value.faults
    assert session.run.state == "failed"
    session.board.assert_everything_off()


def test_a_stop_from_elsewhere_closes_the_record_as_stopped():
    session = on_simulator("healthy-bulbs")

    async def stopped_inspection(guard: GuardedBoard, *args: object, **options: object) -> object:
        async with asyncio.TaskGroup() as tasks:

            async def press() -> None:
                await asyncio.sleep(1.0)
                await guard.stop("somebody came too near")

            tasks.create_task(press())
            return await run_inspection(guard, *args, **options)

    with pytest.raises(BaseExceptionGroup) as group:
        run_virtual(inspect_in(session, performer=stopped_inspection))

    assert group.group_contains(Stopped, match="somebody came too near")
    assert session.run.state == "stopped"
    assert session.store.on_at_finish == set()
    session.board.assert_everything_off()


def test_cancelled_anywhere_the_simulated_board_ends_with_everything_off_and_a_closed_record():
    whole = inspected("lab-door").board.exchanges
    for at in range(5, whole, whole // 16):
        session = on_simulator("lab-door")

        async def cancelled(session=session, at=at) -> None:
            task = asyncio.get_running_loop().create_task(inspect_in(session))
            session.board.before_exchange = {at: task.cancel, at + 1: task.cancel}
            await asyncio.wait({task})

        run_virtual(cancelled())

        session.board.assert_everything_off()
        if session.store.run is not None:
            assert session.run.state == "stopped", f"cancelled at exchange {at}"
            assert session.store.on_at_finish == set()


def test_a_link_that_dies_leaves_switching_off_to_the_boards_watchdog():
    scenario = load_scenario("healthy-bulbs")
    session = on_simulator(replace(scenario, faults=()))

    def hang() -> None:
        def silent(*_: object) -> None:
            raise TimeoutError("no answer")

        session.board.read_registers = silent
        session.board.write_registers = silent

    session.board.before_exchange = {500: hang}
    with pytest.raises(Exception, match="answer"):
        run_virtual(inspect_in(session))

    assert session.run.state == "failed"
    assert any("its watchdog turns everything off" in notice for notice in session.notices)
    del session.board.read_registers, session.board.write_registers
    session.board.after(0.6)
    session.board.assert_everything_off()


def test_a_current_sensor_that_is_stuck_from_the_start_stays_where_it_is():
    session = inspect("board-stuck", only=["look", "circuits"])
    stuck = next(value for value in session.step("circuits").values if value.name == "stop current")
    others = [value for value in session.step("circuits").values if value.name == "tail current"]

    assert abs(stuck.value) < 0.05
    assert others[0].value > 0.2
