"""The same steps as plain async Python."""

from collections.abc import Mapping
from typing import Any

import pytest

from bench.errors import InputError
from bench.results import Value, Verdict
from bench.sequences.scripted import Script, Steps, endure
from tests.bench.sequences.scripted.scripts import play, sequence


def test_a_script_measures_what_a_sequence_of_the_same_steps_measures() -> None:
    async def script(steps: Steps) -> None:
        await steps.clear_to_power()
        await steps.drive("lock")
        await steps.wait(0.3)
        await steps.measure("current_a", "lock", low=2.5, high=4.0)
        await steps.off("lock")

    as_file = sequence("""
steps:
  - {do: drive, circuits: [lock]}
  - {do: wait, seconds: 0.3}
  - {do: measure, quantity: current_a, circuit: lock, low: 2.5, high: 4.0}
  - {do: off, circuits: [lock]}
""")

    assert play(script).run.steps[0].values == play(as_file).run.steps[0].values


def test_a_script_branches_on_what_it_measured_and_keeps_its_own_values() -> None:
    async def script(steps: Steps) -> None:
        async with steps.section("look", "Look"):
            resistance = await steps.measure("probe_ohm", "lock")
            await steps.keep(Value("twice", 2 * (resistance.value or 0.0), "ohm", high=1.0, verdict=Verdict.FAIL))
        if steps.verdict is Verdict.FAIL:
            steps.stop("fail", "that is enough")

    played = play(script)
    assert [step.step for step in played.run.steps] == ["look", "script"]
    assert played.run.steps[1].reason == "that is enough"
    assert played.run.verdict is Verdict.FAIL


def test_a_circuit_that_there_is_not_is_named_with_those_there_are() -> None:
    async def script(steps: Steps) -> None:
        await steps.drive("lok")

    played = play(script, expect=InputError)
    assert "the circuits are lock, heater" in str(played.error)
    assert played.run.state == "failed"


def test_settling_and_recording_without_a_switch_on_are_told_apart() -> None:
    async def script(steps: Steps) -> None:
        async with steps.record("lock", "nothing happens"):
            pass
        async with steps.record("lock", "switched on", samples=50):
            await steps.drive("lock")
        await steps.measure("settled_a", "lock")

    played = play(script)
    (step,) = played.run.steps
    assert [trace.name for trace in step.traces] == ["switched on"]
    assert len(step.traces[0].columns["current_a"]) == 50
    assert "was not switched on" in (step.reason or "")
    assert step.values[0].value == pytest.approx(3.2, rel=0.2)


def test_endurance_in_python_is_that_of_a_sequence_and_goes_on_from_its_state() -> None:
    states: list[Mapping[str, Any]] = []

    async def save(state: Mapping[str, Any]) -> None:
        states.append(state)

    def script(cycles: int, state: Mapping[str, Any] | None) -> Script:
        async def run(steps: Steps) -> None:
            async def cycle() -> None:
                await steps.drive("latch")
                await steps.wait(0.02)
                await steps.measure("current_a", "latch", low=1.0, high=1.8)
                await steps.off()

            await endure(steps, cycles, cycle, block=10, state=state, save=save)

        return run

    first = play(script(20, None))
    assert [step.title for step in first.run.steps] == ["Cycles 1 to 10", "Cycles 11 to 20", "20 cycles"]

    second = play(script(30, states[-1]))
    assert [step.title for step in second.run.steps] == ["Cycles 21 to 30", "30 cycles"]
    assert next(v.value for v in second.step("endurance-sum").values if v.name == "latch current_a, measured") == 30
