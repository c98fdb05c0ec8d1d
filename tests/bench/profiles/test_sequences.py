"""Sequence files: every mistake is said with its line and what would be right."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.errors import InputError
from bench.profiles import load_sequence, sequence_names
from bench.profiles.sequence_model import Drive, Endure, ForEach, Given, Measure, Sequence, every_step
from bench.profiles.sequences import sequence_of
from bench.profiles.source import Document
from bench.sequences.scripted import plan

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


# --- anything at all ---

DO = st.sampled_from([
    "drive", "off", "returns", "wait", "measure", "record", "ask", "tell", "repeat", "for-each", "when", "section",
    "endure", "inspect", "stop",
])  # fmt: skip
NUMBER = st.one_of(st.integers(0, 3), st.floats(0, 1), st.just({"parameter": "n"}), st.just({"parameter": "c"}))
CIRCUIT = st.one_of(st.sampled_from(["lock", "light", "lok"]), st.just({"parameter": "c"}), st.none())
NAME = st.sampled_from(["a", "c", "n", "lock current_a", "supply_v", ""])
QUANTITY = st.sampled_from(["current_a", "probe_ohm", "supply_v", "nothing"])
CONDITION = st.recursive(
    st.fixed_dictionaries(
        {},
        optional={
            "value": NAME,
            "quantity": QUANTITY,
            "circuit": CIRCUIT,
            "above": NUMBER,
            "below": NUMBER,
            "verdict_of": NAME,
            "verdict": st.sampled_from(["pass", "fail"]),
            "answer": NAME,
            "equals": st.sampled_from([True, 1.0, "x"]),
        },
    ),
    lambda inner: st.one_of(
        st.fixed_dictionaries({"every": st.lists(inner, max_size=2)}), st.fixed_dictionaries({"unless": inner})
    ),
    max_leaves=3,
)
FIELDS = {
    "circuits": st.lists(CIRCUIT, max_size=2),
    "circuit": CIRCUIT,
    "level": NUMBER,
    "seconds": NUMBER,
    "until": CONDITION,
    "at_most_s": NUMBER,
    "name": NAME,
    "quantity": QUANTITY,
    "low": NUMBER,
    "limit": st.sampled_from(["drawing", "supply-low-v", "x"]),
    "times": NUMBER,
    "cycles": NUMBER,
    "values": st.lists(st.sampled_from([1.0, "lock", "lok"]), max_size=2),
    "condition": CONDITION,
    "closed": st.sampled_from(["both", "x"]),
    "key": NAME,
    "text": NAME,
    "title": NAME,
    "names": st.lists(NAME, max_size=1),
    "verdict": st.sampled_from(["pass", "x"]),
    "reason": NAME,
}


def filled(inner: st.SearchStrategy[list[object]]) -> st.SearchStrategy[list[object]]:
    """Lists of steps with the keys they want, right or wrong, and inner steps wherever some may stand."""
    fields = {**FIELDS, "steps": inner, "then": inner, "otherwise": inner}

    def step(do: str) -> st.SearchStrategy[dict[str, object]]:
        return st.fixed_dictionaries({"do": st.just(do), **{key: fields[key] for key in WANTED.get(do, ())}})

    return st.lists(DO.flatmap(step), max_size=3)


WANTED = {
    "returns": ("closed",),
    "tell": ("text",),
    "drive": ("circuits", "level"),
    "wait": ("until", "at_most_s", "name"),
    "measure": ("quantity", "circuit", "name"),
    "record": ("circuit", "name", "steps"),
    "ask": ("key", "text"),
    "repeat": ("times", "steps"),
    "for-each": ("name", "values", "steps"),
    "when": ("condition", "then", "otherwise"),
    "section": ("name", "title", "steps"),
    "endure": ("cycles", "steps"),
    "inspect": ("names",),
    "stop": ("verdict", "reason"),
}
STEPS = st.recursive(st.just([]), filled, max_leaves=6)


def read(steps: list[object]) -> Sequence | str:
    """The sequence of these steps, or why it is refused."""
    data = {"title": "t", "profile": "machine-door", "parameters": {"n": {"value": 2.0}}, "steps": steps}
    try:
        return sequence_of(Document(Path("any.yaml"), "any.yaml", data, dict))
    except InputError as error:
        return str(error)


@settings(max_examples=100)
@given(STEPS)
def test_whatever_stands_in_a_file_is_a_sequence_or_a_refusal(steps: list[object]) -> None:
    found = read(steps)

    if isinstance(found, str):
        assert found.startswith("any.yaml")
    else:
        assert plan(found).duration_s >= 0
