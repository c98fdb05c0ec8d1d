"""Calibration on the simulator: the board reads true afterwards, and says how sure of it it is."""

import asyncio
from dataclasses import replace

import pytest

from bench.app import builder
from bench.app.session import Alone, Session
from bench.contract.table import Capability, Return
from bench.errors import InputError
from bench.keeping import Unrecorded
from bench.link import Board, InProcessLink, parse_board_url
from bench.profiles import load_scenario
from bench.profiles.model import Protection, SenseErrors
from bench.results import Run, Verdict
from bench.sequences import Nobody
from bench.sequences.calibrate import CalibrationPlan
from firmware_sim.simulator import Simulator

pytestmark = pytest.mark.virtual_time

WRONG = SenseErrors(current_gain=0.03, current_offset_a=0.02, voltage_gain=-0.008, voltage_offset_v=0.012)
ANSWERS = {"meter-v": 12.8, "resistor-on-1": True, "clear-to-power": True}
PLAN = CalibrationPlan()


class Bench:
    """A dummy load on a board whose sensors are wrong."""

    def __init__(self, sense: SenseErrors = WRONG) -> None:
        self.simulator = Simulator(replace(load_scenario("dummy-load"), sense=sense))
        self.board = Board(InProcessLink("sim:", self.simulator, asyncio.get_running_loop().time))

    async def session(self, **answers: object) -> Session:
        identity = await self.board.open()
        return Session(
            parse_board_url("sim:"), self.board, identity, Unrecorded(), lambda _: None, lambda _: None, Nobody(),
            ANSWERS | answers, Alone(),
        )  # fmt: skip

    async def lit(self) -> tuple[float, float]:
        """Current and supply voltage that the board reads with the resistor on."""
        board = self.board
        await board.claim()
        await board.set_board(2.0, 1_034_000, 12)
        await board.set_channel(1, Protection())
        await board.kick()
        if faults := (await board.snapshot()).faults:
            await board.clear(faults)
        await board.arm()
        await board.returns(Return.BOTH)
        await board.drive(1)
        seen = await board.wait(0.3)
        await board.off()
        await board.release()
        return seen.channel(1).current_a, seen.supply_v


def verdicts(run: Run) -> list[Verdict]:
    return [step.verdict for step in run.steps]


async def test_a_board_reads_true_after_its_calibration():
    bench = Bench()
    session = await bench.session()
    wrong_a, wrong_v = await bench.lit()

    run = await builder.calibrate(session, PLAN)

    amps, volts = await bench.lit()
    true_a = 12.8 / (10 + 0.02 + 0.005)  # resistor, supply, leads and contacts about
    assert abs(wrong_a - true_a) > 0.05
    assert abs(wrong_v - 12.77) > 0.05
    assert amps == pytest.approx(true_a, rel=0.003)
    assert volts == pytest.approx(12.8 - 0.02 * true_a, abs=0.02)
    assert verdicts(run) == [Verdict.PASS] * 4
    assert run.command == "calibrate"


async def test_the_board_then_states_the_date_and_what_is_left():
    bench = Bench()
    await builder.calibrate(await bench.session(), PLAN)

    identity = await bench.board.open()
    assert len(identity.calibrated) == 10
    assert identity.current_gain_error < 0.005
    assert identity.voltage_gain_error < 0.001


async def test_a_second_calibration_builds_on_the_first():
    bench = Bench()
    session = await bench.session()
    await builder.calibrate(session, PLAN)
    first_a, _ = await bench.lit()
    run = await builder.calibrate(session, PLAN)
    again_a, _ = await bench.lit()

    gain = next(value for step in run.steps for value in step.values if value.name == "voltage gain")
    assert abs(gain.value) < 0.0005, "nothing is left to correct"
    assert again_a == pytest.approx(first_a, rel=0.002)


async def test_every_result_is_in_the_record_with_its_budget():
    run = await builder.calibrate(await Bench().session(), PLAN)

    values = {value.name: value for step in run.steps for value in step.values}
    gain = values["current gain, channel 1"]
    lines = [value for name, value in values.items() if name.startswith("current gain, channel 1: ")]
    combined = sum(line.value**2 for line in lines) ** 0.5
    assert {"type A", "type B"} <= {line.source[:6] for line in lines}
    assert gain.source == f"standard uncertainty {combined:.2g}"


async def test_without_a_meter_nothing_is_kept():
    bench = Bench()
    run = await builder.calibrate(await bench.session(**{"meter-v": True}), PLAN)

    assert verdicts(run) == [Verdict.PASS, Verdict.NOT_TESTED]
    assert (await bench.board.open()).calibrated == ""


@pytest.mark.parametrize(("meter", "reason"), [("twelve", "'twelve' is not a number"), ("1.28", "")])
async def test_a_wrong_meter_reading_keeps_nothing(meter: str, reason: str):
    bench = Bench()
    session = await bench.session(**{"meter-v": meter})
    if reason:
        with pytest.raises(InputError, match=reason):
            await builder.calibrate(session, PLAN)
    else:
        run = await builder.calibrate(session, PLAN)
        assert run.verdict is Verdict.FAIL

    assert (await bench.board.open()).calibrated == ""


async def test_a_resistor_on_another_channel_is_noticed():
    with pytest.raises(InputError, match="is the resistor on it"):
        await builder.calibrate(
            await Bench(replace(WRONG, current_noise_a=0.0)).session(**{"resistor-on-3": True}),
            CalibrationPlan(channels=(3,)),
        )


async def test_a_channel_that_is_not_there_is_refused_before_anything_is_switched():
    with pytest.raises(InputError, match=r"channels 1\.\.8, there is no channel 12"):
        await builder.calibrate(await Bench().session(), CalibrationPlan(channels=(12,)))


async def test_a_board_without_memory_leaves_it_to_the_record(monkeypatch):
    bench = Bench()
    description = bench.simulator.board._hardware.description
    without = replace(description, capabilities=description.capabilities & ~Capability.CALIBRATION)
    bench.simulator.board._firmware.hardware = replace(bench.simulator.board._hardware, description=without)

    run = await builder.calibrate(await bench.session(), PLAN)

    assert verdicts(run) == [Verdict.PASS] * 3 + [Verdict.NOT_TESTED]
    assert "in this record alone" in run.steps[-1].reason
