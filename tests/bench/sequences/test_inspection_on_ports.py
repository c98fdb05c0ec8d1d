"""An inspection over a real socket on wall time: nothing depends on virtual time."""

import asyncio
from time import monotonic

import pytest

from bench.contract.table import DEFAULT_WATCHDOG_S
from bench.electrical import Conclusion, Diagnosis, first_look
from bench.link import open_link, parse_board_url
from bench.link.board import Board
from bench.profiles import load_scenario
from bench.profiles.model import Measurements
from bench.results import Run, Verdict
from bench.safety import GuardedBoard
from bench.sequences import run_inspection
from firmware_sim.servers import Endpoints, ServeOptions, serve
from firmware_sim.simulator import Simulator
from tests.bench.sequences.sessions import STARTED, YES, MemoryStore

STEPS = ["supply", "look", "cold-pulse"]


def by_rules(measurements: Measurements) -> Conclusion:
    """A diagnosis that takes no time."""
    findings = first_look(measurements)
    return Conclusion(findings, Diagnosis(findings, (), 0.0, False, 1.0, ()))


async def over_a_port(options: ServeOptions, **others: object) -> tuple[Run, float]:
    """The steps before power on a served simulator; the run, and the watchdog time that was chosen."""
    scenario = load_scenario("healthy-bulbs")
    served: asyncio.Future[Endpoints] = asyncio.get_running_loop().create_future()
    async with asyncio.TaskGroup() as tasks:
        server = tasks.create_task(serve(Simulator(scenario), options, ready=served.set_result))
        board = Board(open_link(parse_board_url((await served).urls()[0])))
        async with GuardedBoard(board, scenario.profile) as guard:
            run = await run_inspection(
                guard,
                scenario.profile,
                store=MemoryStore(),
                run_id="r",
                now=lambda: STARTED,
                answers=YES,
                only=STEPS,
                **{"conclude": by_rules, **others},
            )
        await board.close()
        server.cancel()
    return run, guard.watchdog_s


@pytest.mark.parametrize("options", [ServeOptions(tcp=0), ServeOptions(modbus_tcp=0)], ids=["line", "modbus"])
def test_the_look_before_power_over_a_socket(options):
    run, _ = asyncio.run(over_a_port(options))

    assert [step.step for step in run.steps] == [*STEPS, "diagnosis"]
    assert run.verdict is Verdict.PASS
    assert run.findings == ()


def test_a_simulator_that_lives_faster_gets_a_longer_watchdog_and_the_same_verdict():
    run, watchdog_s = asyncio.run(over_a_port(ServeOptions(tcp=0, speed=4.0)))

    assert watchdog_s > 1.0
    assert run.verdict is Verdict.PASS


def test_the_watchdog_is_fed_while_a_slow_diagnosis_weighs_the_readings():
    weighing_s: list[float] = []

    def slow(measurements: Measurements) -> Conclusion:
        began_s = monotonic()
        while monotonic() - began_s < 3 * DEFAULT_WATCHDOG_S:  # as busy as an interpreter can be
            sum(range(1000))
        weighing_s.append(monotonic() - began_s)
        return by_rules(measurements)

    run, watchdog_s = asyncio.run(over_a_port(ServeOptions(tcp=0), conclude=slow))

    assert weighing_s[0] > 2 * watchdog_s
    assert run.state == "complete"
    assert run.verdict is Verdict.PASS
