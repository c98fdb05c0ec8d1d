"""Endurance: blocks, failures, resuming after an interruption, memory that does not grow."""

import asyncio
import json
from dataclasses import replace

from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault
from bench.profiles.sequence_model import Sequence
from bench.results import Verdict
from bench.sequences.scripted.run import STATE_ATTACHMENT
from tests.bench.sequences.scripted.scripts import Played, play, sequence


def cycling(cycles: int, more: str = "") -> Sequence:
    return sequence(f"""
steps:
  - do: endure
    cycles: {cycles}
    block: 10
    {more}
    steps:
      - {{do: drive, circuits: [sounder, latch]}}
      - {{do: wait, seconds: 0.02}}
      - {{do: measure, quantity: current_a, circuit: sounder, low: 0.1, high: 0.3}}
      - {{do: measure, quantity: current_a, circuit: latch, low: 1.0, high: 1.8}}
      - {{do: off}}
""")


def blocks(played: Played) -> list[str]:
    return [step.title for step in played.run.steps if step.step == "endurance"]


def test_every_block_is_a_step_and_the_sum_speaks_of_all_cycles() -> None:
    played = play(cycling(25))

    assert blocks(played) == ["Cycles 1 to 10", "Cycles 11 to 20", "Cycles 21 to 25"]
    assert played.value("cycles").value == 25
    total = played.step("endurance-sum")
    assert next(value.value for value in total.values if value.name == "latch current_a, measured") == 25
    assert {trace.name for trace in total.traces} == {"sounder current_a in time", "latch current_a in time"}
    assert played.run.verdict is Verdict.PASS


def test_a_circuit_that_fails_in_a_row_is_left_alone_and_the_other_goes_on() -> None:
    worn = replace(load_scenario("lab-door"), faults=(InjectedFault("open", "contact.5", at_s=0.6),))
    played = play(cycling(30), worn)

    failed = int(played.value("sounder failed in cycle").value or 0)
    sounder = sum(code.name == "DRIVE" and channel == 4 for code, channel in played.board.commands)
    latch = sum(code.name == "DRIVE" and channel == 5 for code, channel in played.board.commands)
    assert 2 < failed < 20
    assert (sounder, latch) == (failed + 2, 30)  # three in a row, the first of them is the failure time
    assert played.value("circuits failed").value == 1
    assert played.run.verdict is Verdict.FAIL


def test_it_gives_up_when_enough_have_failed() -> None:
    worn = replace(load_scenario("lab-door"), faults=(InjectedFault("open", "contact.5", at_s=0.5),))
    played = play(cycling(30, "give_up_after: 1"), worn)

    assert (played.value("cycles").value or 0) < 20
    assert played.value("cycles").verdict is Verdict.NOT_TESTED


def test_an_interrupted_loop_goes_on_where_it_stood_and_loses_no_cycle() -> None:
    cut = play(cycling(40), cancel_at_s=1.5, expect=asyncio.CancelledError)
    state = json.loads(json.dumps(cut.attached[STATE_ATTACHMENT]))
    resumed = play(cycling(40), resume=state)

    assert cut.run.state == "stopped"
    assert 0 < state["done"] < 40
    assert f"goes on after {state['done']} cycles" in (resumed.run.steps[0].reason or "")
    assert resumed.value("cycles").value == 40
    assert next(v.value for v in resumed.step("endurance-sum").values if v.name == "latch current_a, measured") == 40


def test_a_resumed_loop_leaves_alone_what_had_failed() -> None:
    worn = replace(load_scenario("lab-door"), faults=(InjectedFault("open", "contact.5", at_s=0.3),))
    cut = play(cycling(40), worn, cancel_at_s=1.0, expect=asyncio.CancelledError)
    resumed = play(cycling(40), resume=cut.attached[STATE_ATTACHMENT])

    assert cut.attached[STATE_ATTACHMENT]["failed"].keys() == {"sounder"}
    assert not any(code.name == "DRIVE" and channel == 4 for code, channel in resumed.board.commands)
    assert resumed.value("circuits failed").value == 1


def test_what_is_kept_does_not_grow_with_the_cycles() -> None:
    few, many = play(cycling(40)), play(cycling(160))

    def size(played: Played) -> int:
        state = dict(played.attached[STATE_ATTACHMENT])
        for tally in state["tallies"].values():
            assert len(tally["course"]["points"]) <= 512
            tally["course"] = None
        return len(json.dumps(state))

    assert size(many) < 1.02 * size(few)
