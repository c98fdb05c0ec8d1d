"""The walk-round on the simulator."""

import asyncio

import pytest

from bench.errors import InputError
from bench.events import Progress
from bench.results import Verdict
from bench.sequences import run_walk
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import inspect_in, on_simulator, walk


def test_each_circuit_is_lit_in_turn_for_its_time_and_watched():
    session = walk("healthy-van", rounds=2, seconds=3.0)

    circuits = [circuit.name for circuit in session.scenario.profile.circuits]
    assert [step.title for step in session.run.steps] == ["Round 1", "Round 2"]
    assert [value.name for value in session.run.steps[0].values] == [f"{name} current" for name in circuits]
    assert session.run.verdict is Verdict.PASS
    stop = [event for event in session.events if isinstance(event, Progress) and event.circuit == "stop"]
    first_round = stop[: len(stop) // 2]
    assert first_round[-1].board_s - first_round[0].board_s == pytest.approx(3.0, abs=0.5)
    session.board.assert_everything_off()


def test_only_the_named_circuits_are_lit():
    session = walk("healthy-van", rounds=1, seconds=1.0, only=["stop", "tail"])

    assert [value.name for value in session.run.steps[0].values] == ["stop current", "tail current"]


def test_an_unknown_circuit_is_refused_with_the_list():
    with pytest.raises(InputError, match="there is no circuit 'brake': the circuits are markers, left-turn, stop"):
        walk("healthy-van", only=["brake"])


def test_it_goes_on_until_stopped_and_closes_the_record():
    session = on_simulator("healthy-van")

    async def main() -> None:
        task = asyncio.get_running_loop().create_task(inspect_in(session, performer=run_walk, seconds=2.0))
        await asyncio.sleep(40.0)
        task.cancel()
        await asyncio.wait({task})

    run_virtual(main())

    assert session.run.state == "stopped"
    assert len(session.run.steps) >= 3
    assert "cut short" in (session.run.steps[-1].reason or "")
    assert session.store.on_at_finish == set()
    session.board.assert_everything_off()


def test_without_a_yes_nothing_is_lit():
    session = walk("healthy-van", rounds=1, answers={})

    assert session.run.verdict is Verdict.NOT_TESTED
    assert session.board.driven() == set()


def test_a_shorted_circuit_trips_is_told_and_the_walk_goes_on():
    session = walk("short-to-ground", rounds=1, seconds=1.0)

    values = {value.name: value for value in session.run.steps[0].values}
    assert values["markers current"].value is None
    assert "switched it off by itself" in (values["markers current"].source or "")
    assert values["tail current"].verdict is Verdict.PASS
    assert session.run.verdict is Verdict.NOT_TESTED
