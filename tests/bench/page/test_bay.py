"""A bay on virtual time, with the real session, safety rules and a simulated trailer; only the network is left out."""

import asyncio
from contextlib import suppress
from pathlib import Path

import pytest

from bench.errors import InputError
from bench.page.bay import Bay, BusyBay
from bench.page.hold import LOST_S
from bench.results import Verdict
from bench.safety import Stage
from tests.bench.page.trailers import answer_yes, bay_with, ended, full_of_air, press, stage, start, until

pytestmark = pytest.mark.virtual_time
LOOK_S = 0.06  # the keeper's, and a command's way


async def applied(bay: Bay, beside: asyncio.TaskGroup) -> "asyncio.Task[None]":
    """Brakes that a finger holds applied; the finger."""
    beside.create_task(answer_yes(bay), name="yes")
    start(bay, kind="brakes")
    finger = beside.create_task(press(bay))
    await until(lambda: stage(bay) is Stage.APPLY)
    await asyncio.sleep(2.0)
    assert stage(bay) is Stage.APPLY
    return finger


async def test_an_inspection_is_in_the_visit_with_its_findings_drawn_in_words() -> None:
    async with bay_with("sim:lamp-out", "tandem-53ft-filament") as bay:
        yes = asyncio.create_task(answer_yes(bay))
        start(bay, kind="inspect", only=["supply", "circuits"])
        await ended(bay)
        yes.cancel()

        assert bay.visit
        told = bay.visit.told[-1]
        assert told["findings"][0]["title"] == "Lamp out"
        assert "along the wire" in told["findings"][0]["place"]
        assert bay.visit.verdict() is Verdict.FAIL


async def test_a_question_waits_for_its_answer_however_long_and_is_answered_once() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        start(bay, kind="inspect", only=["circuits"])
        await until(lambda: bay.asking.shown)
        asked = bay.asking.shown
        await asyncio.sleep(30.0)

        assert bay.asking.shown == asked
        assert asked
        bay.asking.answer(asked["number"], True)
        with pytest.raises(InputError):
            bay.asking.answer(asked["number"], True)
        await ended(bay)
        assert bay.visit
        assert bay.visit.runs[-1].steps[0].verdict is Verdict.PASS


async def test_a_no_leaves_the_step_untested() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        start(bay, kind="inspect", only=["circuits"])
        await until(lambda: bay.asking.shown)
        bay.asking.answer(1, False)
        await ended(bay)

        assert bay.visit
        assert bay.visit.runs[-1].verdict is Verdict.NOT_TESTED


async def test_stop_in_the_middle_of_a_question_ends_the_run_and_nothing_was_on() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        start(bay, kind="walk")
        await until(lambda: bay.asking.shown)

        assert await bay.stop("by a watcher")
        await ended(bay)
        assert bay.asking.shown is None
        assert bay.state()["board"]["connected"]


async def test_stop_switches_a_lit_circuit_off_within_a_tenth_of_a_second() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        yes = asyncio.create_task(answer_yes(bay))
        start(bay, kind="power", only=["stop"])
        await until(lambda: bay._newest and bay._newest.channel(3).current_a > 0.1)
        began_s = asyncio.get_running_loop().time()

        assert await bay.stop("by a watcher")
        assert asyncio.get_running_loop().time() - began_s < 0.1
        await ended(bay)
        await asyncio.sleep(0.2)
        assert bay._newest
        assert not any(channel.current_a > 0.05 for channel in bay._newest.channels)
        assert bay.visit
        assert bay.visit.runs[-1].state == "stopped"
        yes.cancel()


async def test_a_step_is_left_out_with_its_reason_and_the_run_goes_on() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        yes = asyncio.create_task(answer_yes(bay))
        start(bay, kind="inspect", only=["circuits", "all-lamps"])
        await until(lambda: bay.job and bay.job.doing.step and bay.job.doing.progress)
        assert bay.job
        assert bay.job.skip
        assert bay.job.skip.now("not fitted")
        await ended(bay)
        yes.cancel()

        assert bay.visit
        first, second, *_ = bay.visit.runs[-1].steps
        assert (first.verdict, first.reason) == (Verdict.NOT_TESTED, "skipped: not fitted")
        assert second.verdict is Verdict.PASS


async def test_one_thing_at_a_time() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        start(bay, kind="walk")

        with pytest.raises(BusyBay):
            start(bay, kind="walk")
        with pytest.raises(BusyBay):
            bay.begin(None)
        await bay.stop("end")


async def test_a_walk_round_tells_which_circuit_is_lit_since_when() -> None:
    async with bay_with("sim:", "tandem-53ft") as bay:
        yes = asyncio.create_task(answer_yes(bay))
        start(bay, kind="walk", seconds=5, only=["stop", "tail"])
        await until(lambda: bay.job and bay.job.doing.circuit == "tail")
        shown = bay.state()["doing"]
        await ended(bay)
        yes.cancel()

        assert shown["seconds"] == 5
        assert shown["since"] > 0


async def test_what_failed_is_tested_again_and_stays_open_when_nothing_was_repaired(tmp_path: Path) -> None:
    record = tmp_path / "records.sqlite"
    async with bay_with("sim:lamp-out", "tandem-53ft-filament", record) as bay:
        yes = asyncio.create_task(answer_yes(bay))
        start(bay, record, kind="inspect", only=["supply", "circuits"])
        await ended(bay)
        start(bay, record, kind="retest")
        await ended(bay)
        yes.cancel()

        assert bay.visit
        assert [run.command for run in bay.visit.runs] == ["inspect", "retest"]
        assert bay.visit.closed == set()


async def test_a_board_that_is_not_there_is_said_and_looked_for_again() -> None:
    bay = Bay("south", "tcp://127.0.0.1:1", None, lambda device: device)
    life = asyncio.create_task(bay.live())
    await asyncio.sleep(10.0)
    state = bay.state()
    life.cancel()
    await asyncio.wait({life})

    assert not state["board"]["connected"]
    assert "127.0.0.1:1" in state["board"]["why"]


# --- hold to apply ---


async def test_nothing_moves_before_somebody_holds(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay:
        yes = asyncio.create_task(answer_yes(bay))
        start(bay, kind="brakes")
        await until(lambda: bay.hold.wanted is Stage.CHARGE)
        await asyncio.sleep(5.0)

        assert stage(bay) is Stage.ARMED
        await bay.stop("end")
        yes.cancel()


async def test_brakes_are_released_a_quarter_of_a_second_after_the_last_heartbeat(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay, asyncio.TaskGroup() as beside:
        finger = await applied(bay, beside)
        lost_s = asyncio.get_running_loop().time()
        finger.cancel()  # the tab is closed, the network gone, the phone dead: all of them are silence
        await until(lambda: stage(bay) is Stage.RELEASE)

        assert asyncio.get_running_loop().time() - lost_s < LOST_S + LOOK_S
        assert not bay.hold.held
        await bay.stop("end")
        raise_cancel(beside)


async def test_letting_go_releases_at_once_and_holding_applies_again(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay, asyncio.TaskGroup() as beside:
        finger = await applied(bay, beside)
        finger.cancel()
        lost_s = asyncio.get_running_loop().time()
        bay.hold.let_go()
        await until(lambda: stage(bay) is Stage.RELEASE)
        assert asyncio.get_running_loop().time() - lost_s < LOOK_S
        await until(lambda: bay.hold.wanted is Stage.APPLY)

        beside.create_task(press(bay), name="again")
        await until(lambda: stage(bay) is Stage.APPLY)
        await bay.stop("end")
        raise_cancel(beside)


async def test_strokes_that_were_measured_after_the_brakes_were_let_go_are_no_result(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay, asyncio.TaskGroup() as beside:
        start(bay, kind="inspect", part="air", only=["air-sensors", "stroke"])
        finger = beside.create_task(press(bay))
        while bay.job is not None and not ((asked := bay.asking.shown) and asked["key"].startswith("stroke-")):
            if asked is not None:
                bay.asking.answer(asked["number"], True)
            await asyncio.sleep(0.05)
        finger.cancel()  # neither finger nor device: the phone is dead
        await until(lambda: stage(bay) is Stage.RELEASE)
        while bay.job is not None:
            if (asked := bay.asking.shown) is not None:
                bay.asking.answer(asked["number"], "41 mm" if asked["key"].startswith("stroke-") else True)
            await asyncio.sleep(0.05)
        await asyncio.sleep(0.1)

        assert bay.visit
        stroke = bay.visit.runs[-1].steps[-1]
        assert stroke.verdict is not Verdict.PASS
        assert "nobody held the control" in (stroke.reason or "")


async def test_a_device_alone_does_not_hold_what_moves(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay, asyncio.TaskGroup() as beside:
        beside.create_task(answer_yes(bay))
        start(bay, kind="brakes")
        beside.create_task(press(bay, finger=False))
        await until(lambda: bay.hold.wanted is Stage.CHARGE)
        await asyncio.sleep(5.0)

        assert stage(bay) is Stage.ARMED
        assert not bay.hold.held
        await bay.stop("end")
        raise_cancel(beside)


async def test_another_holder_of_control_does_not_inherit_the_finger(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay, asyncio.TaskGroup() as beside:
        bay.take("a")
        finger = await applied(bay, beside)
        finger.cancel()
        bay.give("a", "b")
        await until(lambda: stage(bay) is Stage.RELEASE)

        assert bay.controls("b")
        await bay.stop("end")
        raise_cancel(beside)


async def test_stop_exhausts_the_brakes_while_a_finger_still_holds(tmp_path: Path) -> None:
    async with bay_with(full_of_air(tmp_path), "tandem-53ft") as bay, asyncio.TaskGroup() as beside:
        await applied(bay, beside)

        assert await bay.stop("by a watcher")
        assert bay._newest
        await ended(bay)
        await asyncio.sleep(0.2)
        assert bay._newest.valves == 0
        raise_cancel(beside)


def raise_cancel(beside: asyncio.TaskGroup) -> None:
    """End what goes on beside the test."""
    with suppress(AttributeError):
        for task in set(beside._tasks):
            task.cancel()
