"""What a plan foretells, beside what the simulated board was then told to do."""

import pytest

from bench.profiles import load_sequence
from bench.sequences.scripted import plan
from tests.bench.sequences.scripted.scripts import play, sequence

NESTED = """
steps:
  - do: repeat
    times: 3
    every_s: 0.5
    steps:
      - {do: drive, circuits: [lock]}
      - do: for-each
        name: wait
        values: [0.1, 0.2]
        steps:
          - {do: wait, seconds: {parameter: wait}}
          - {do: measure, quantity: probe_ohm, circuit: row-a}
      - {do: off}
  - {do: drive, circuits: [lock, light]}
  - do: repeat
    times: 4
    steps: [{do: wait, seconds: 1}]
"""


def test_loops_are_multiplied_out_and_what_stays_on_counts() -> None:
    ahead = plan(sequence(NESTED))
    uses = {each.circuit: each.use for each in ahead.switched}

    assert uses["lock"].driven == 4
    assert uses["lock"].on_s == pytest.approx(3 * (0.1 + 0.2 + 2 * 0.005) + 4)
    assert uses["light"].on_s == pytest.approx(4)
    assert uses["row-a"].probes == 6
    assert ahead.duration_s == pytest.approx(3 * 0.5 + 4)
    assert ahead.together == 2


@pytest.mark.parametrize("what", [sequence(NESTED), load_sequence("lock-motor")], ids=["nested", "lock-motor"])
def test_the_board_is_switched_as_often_as_the_plan_says(what: object) -> None:
    ahead = plan(what)  # type: ignore[arg-type]
    commands = [code.name for code, _ in play(what).board.commands]  # type: ignore[arg-type]

    assert commands.count("DRIVE") == sum(each.use.driven for each in ahead.switched)
    assert commands.count("PROBE") == sum(each.use.probes for each in ahead.switched)


def test_a_million_cycles_are_planned_without_being_counted_through() -> None:
    ahead = plan(load_sequence("door-endurance", {"cycles": 1_000_000}))
    uses = {each.circuit: each.use for each in ahead.switched}

    assert uses["latch"].driven == 1_000_000
    assert uses["latch"].on_s == pytest.approx(1e6 * (0.03 + 2 * 0.012))


def test_what_is_not_to_be_known_is_said_and_the_longer_way_counts() -> None:
    ahead = plan(
        sequence("""
steps:
  - {do: measure, quantity: supply_v}
  - do: when
    condition: {value: supply_v, above: 10}
    then: [{do: wait, seconds: 1}]
    otherwise: [{do: wait, seconds: 5}]
""")
    )

    assert ahead.duration_s == pytest.approx(5.012)
    assert any("branch" in text for text in ahead.open)
    assert ahead.lines[1] == (0, "when supply_v is above 10")
    assert ahead.switched == ()
