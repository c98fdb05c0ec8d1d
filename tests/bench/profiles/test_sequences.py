"""Sequence files: every mistake is said with its line and what would be right."""

from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import load_sequence, sequence_names
from bench.profiles.sequence_model import Drive, Endure, ForEach, Given, Measure, every_step

HEAD = "title: made for a test\nprofile: machine-door\nparameters: {n: {value: 2, low: 1, high: 5}}\nsteps:\n"


def written(tmp_path: Path, steps: str) -> Path:
    file = tmp_path / "mine.yaml"
    file.write_text(HEAD + steps)
    return file


@pytest.mark.parametrize("name", sequence_names())
def test_a_sequence_that_comes_along_is_sound(name: str) -> None:
    assert every_step(load_sequence(name).steps)


@pytest.mark.parametrize(
    ("steps", "line", "said"),
    [
        ("  - {do: drve, circuits: [lock]}", 5, "'do' cannot be 'drve': did you mean 'drive'?"),
        ("  - {circuits: [lock]}", 5, "'do' is missing"),
        ("  - {do: drive, circuits: [lok]}", 5, "the profile has no circuit 'lok': did you mean 'lock'?"),
        ("  - {do: drive, circuits: [lock], lvel: 1}", 5, "unknown key 'lvel' in 'steps.0': did you mean 'level'?"),
        ("  - {do: drive, circuits: [lock], level: 1.5}", 5, "'level' must be at most 1, not 1.5"),
        ("  - {do: drive, circuits: [lock], level: {parameter: n}}", 5, "parameter 'n' gives 2"),
        ("  - {do: drive, circuits: [{parameter: n}]}", 5, "no for-each loop around this gives 'n'"),
        ("  - {do: wait}", 5, "a wait is for 'seconds' or 'until' something"),
        ("  - {do: wait, seconds: {parameter: m}}", 5, "there is no parameter 'm'"),
        ("  - {do: wait, until: {quantity: supply_v, above: 1}}", 5, "nothing is waited for without end"),
        ("  - {do: measure, quantity: current_a}", 5, "add 'circuit: NAME'"),
        ("  - {do: measure, quantity: supply_v, circuit: lock}", 5, "'circuit' says nothing here"),
        ("  - {do: measure, quantity: supply_v, limit: supply-lo-v}", 5, "did you mean 'supply-low-v'?"),
        ("  - {do: measure, quantity: supply_v, limit: drawing}", 5, "judges current_a and settled_a only"),
        ("  - {do: measure, quantity: supply_v, limit: supply-low-v, low: 2}", 5, "not both"),
        (
            "  - {do: measure, quantity: supply_v}\n  - {do: when, condition: {value: suply_v, above: 1}, then: []}",
            6,
            "no step keeps a value 'suply_v': did you mean 'supply_v'?",
        ),
        ("  - do: when\n    condition: {answer: ready, equals: yes}\n    then: []", 6, "no step asks 'ready'"),
        ("  - do: when\n    condition: {value: x}\n    then: []", 6, "needs 'above', 'below' or both"),
        ("  - do: when\n    condition: {quantity: probe_ohm, circuit: lock, above: 1}\n    then: []", 6, "of its own"),
        ("  - do: repeat\n    times: 0\n    steps: []", 6, "'times' must be at least 1, not 0"),
        (
            "  - do: repeat\n    times: 2\n    steps:\n      - {do: endure, cycles: 2, steps: []}",
            8,
            "can't stand inside",
        ),
        ("  - {do: endure, cycles: 2, steps: []}\n  - {do: endure, cycles: 2, steps: []}", 6, "has one 'endure'"),
        ("  - {do: for-each, name: n, values: [1], steps: []}", 5, "'n' is a parameter already"),
        (
            "  - {do: for-each, name: c, values: [a], steps: [{do: off, circuits: [{parameter: c}]}]}",
            5,
            "no circuit 'a'",
        ),
        (
            "  - {do: for-each, name: c, values: [lock], steps: [{do: wait, seconds: {parameter: c}}]}",
            5,
            "gives 'lock'",
        ),
    ],
)
def test_a_mistake_is_told_with_its_line(tmp_path: Path, steps: str, line: int, said: str) -> None:
    with pytest.raises(InputError) as refused:
        load_sequence(written(tmp_path, steps))

    assert str(refused.value).splitlines()[0].startswith(f"{tmp_path / 'mine.yaml'}:{line}: ")
    assert said in str(refused.value)


@pytest.mark.parametrize(
    ("given", "said"), [({"m": 1.0}, "no parameter 'm'"), ({"n": 6.0}, "at least 1 and at most 5, not 6")]
)
def test_a_parameter_must_exist_and_be_within_its_bounds(tmp_path: Path, given: dict[str, float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        load_sequence(written(tmp_path, "  - {do: off}"), given)


def test_forms_become_dataclasses_with_parameters_left_open(tmp_path: Path) -> None:
    steps = "  - do: for-each\n    name: c\n    values: [lock, light]\n    steps:\n"
    loop = load_sequence(written(tmp_path, f"{steps}      - {{do: drive, circuits: [{{parameter: c}}]}}\n"), {"n": 3})

    assert loop.steps == (ForEach("c", ("lock", "light"), (Drive((Given("c"),)),)),)
    assert loop.given == {"n": 3}


def test_the_endurance_example_is_ten_thousand_cycles_by_itself() -> None:
    sequence = load_sequence("door-endurance")
    endure = next(step for step in sequence.steps if isinstance(step, Endure))

    assert sequence.given["cycles"] == 10_000
    assert sum(isinstance(step, Measure) for step in endure.steps) == 4
