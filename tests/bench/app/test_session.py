"""Sessions as scripts and tests make them: everything wired, on virtual time."""

import asyncio
from pathlib import Path

import pytest

import bench
from bench import app
from bench.contract.readings import Snapshot
from bench.contract.table import ChannelState, Mode
from bench.errors import BoardFault, InputError, NoBoard, PermitDenied
from bench.events import Event, Progress, RunEnded, RunStarted, StepEnded
from bench.profiles import load_profile
from bench.results import Run, Verdict
from bench.sequences import Nobody, Prepared
from bench.virtual_time import run_virtual

PROFILE = "tandem-53ft"
STEPS = ["supply", "circuits", "diagnosis"]  # the last concludes of itself


def scenario(tmp_path: Path, more: str) -> str:
    """URL of a simulated board that plays ``more`` on the LED tandem."""
    file = tmp_path / "scenario.yaml"
    file.write_text(f"title: made for a test\nprofile: {PROFILE}\nseed: 3\n{more}")
    return f"sim:{file}"


def inspected(url: str, **how: object) -> Run:
    async def main() -> Run:
        async with bench.connect(url, **how) as session:  # type: ignore[arg-type]
            return await session.inspect(PROFILE, only=["supply", "circuits"])

    return run_virtual(main())


def test_the_package_offers_what_scripts_need_and_loads_it_late() -> None:
    assert bench.connect is app.connect
    assert bench.run_virtual is run_virtual
    with pytest.raises(AttributeError, match="nothing_like_it"):
        _ = bench.nothing_like_it  # type: ignore[attr-defined]


def test_a_session_tells_everything_in_order_and_returns_the_run() -> None:
    told: list[Event] = []
    run = inspected("sim:", tell=told.append)

    assert run.verdict is Verdict.PASS
    assert isinstance(told[0], RunStarted)
    assert [event.result.step for event in told if isinstance(event, StepEnded)] == STEPS
    assert told[-1] == RunEnded(run)


def test_the_same_seed_gives_the_same_run_to_the_last_digit() -> None:
    assert inspected("sim:").steps == inspected("sim:").steps


def test_a_loaded_profile_will_do_as_well_as_its_name() -> None:
    async def main() -> Run:
        async with app.connect("sim:") as session:
            return await session.inspect(load_profile(PROFILE), only=["supply"])

    assert run_virtual(main()).profile == PROFILE


def test_runs_follow_one_another_in_one_session_and_are_kept(tmp_path: Path) -> None:
    file = tmp_path / "records.sqlite"

    async def main() -> tuple[str, str]:
        async with app.connect("sim:", record=file) as session:
            first = await session.inspect(PROFILE, only=["supply"])
            second = await session.walk(PROFILE, only=["stop"], seconds=1)
            return first.id, second.id

    ids = run_virtual(main())
    with app.open_records(file) as store:
        assert {run.id for run in store.runs()} == set(ids)


def test_the_board_is_off_and_free_when_a_listener_fails_in_the_middle_of_a_run() -> None:
    def fail(event: Event) -> None:
        if isinstance(event, Progress):
            raise ZeroDivisionError

    async def main() -> Snapshot:
        async with app.connect("sim:", tell=fail) as session:
            with pytest.raises(ZeroDivisionError):
                await session.inspect(PROFILE)
            return await session.snapshot()

    seen = run_virtual(main())
    assert {channel.state for channel in seen.channels} <= {ChannelState.OFF, ChannelState.HELD_OFF}
    assert Mode.CLAIMED not in seen.mode


def test_a_self_test_finds_a_sound_board_sound() -> None:
    async def main() -> app.SelfTest:
        async with app.connect("sim:") as session:
            return await session.self_test()

    result = run_virtual(main())
    assert result.passed
    assert result.supply_v == pytest.approx(12.8, abs=0.1)


@pytest.mark.parametrize(("url", "error"), [("nonsense", InputError), ("sim:nowhere", InputError)])
def test_a_wrong_url_is_refused(url: str, error: type[Exception]) -> None:
    with pytest.raises(error):
        inspected(url)


def test_a_board_that_is_not_there_is_said_on_the_way_in() -> None:
    async def main() -> None:
        async with app.connect("tcp://127.0.0.1:9"):
            pytest.fail("there is no such board")

    with pytest.raises(NoBoard):
        asyncio.run(main())


# --- who answers ---


def test_a_simulated_trailer_has_nobody_near_it_unless_its_scenario_says_so(tmp_path: Path) -> None:
    assert inspected(scenario(tmp_path, "")).verdict is Verdict.PASS

    refused = inspected(scenario(tmp_path, "operator: {clear-to-power: no}"))
    assert refused.verdict is Verdict.NOT_TESTED
    assert "clear-to-power" in (refused.steps[1].reason or "")


def test_without_an_answer_what_depends_on_it_is_not_tested() -> None:
    assert inspected("sim:", operator=Nobody()).steps[1].verdict is Verdict.NOT_TESTED
    assert inspected("sim:", operator=Nobody(), answers={"clear-to-power": True}).verdict is Verdict.PASS


STOP_THAT_IS_OVER = "faults:\n  - {kind: board-fault, place: emergency-stop, at_s: 0.0, until_s: 0.5}\n"


def after_the_stop(url: str, answer: bool) -> Run:
    async def main() -> Run:
        async with app.connect(url, operator=Prepared({"fault-understood": answer, "clear-to-power": True})) as session:
            await asyncio.sleep(1.0)
            return await session.inspect(PROFILE, only=["supply"])

    return run_virtual(main())


def test_a_fault_that_is_over_is_cleared_only_when_somebody_says_it_is_understood(tmp_path: Path) -> None:
    url = scenario(tmp_path, STOP_THAT_IS_OVER)

    assert after_the_stop(url, answer=True).verdict is Verdict.PASS
    with pytest.raises(PermitDenied, match="emergency stop"):
        after_the_stop(url, answer=False)


def test_a_fault_that_is_there_stops_everything(tmp_path: Path) -> None:
    stuck = STOP_THAT_IS_OVER.replace("until_s: 0.5", "until_s: 500")
    with pytest.raises(BoardFault, match="emergency stop"):
        after_the_stop(scenario(tmp_path, stuck), answer=True)
