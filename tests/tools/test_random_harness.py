"""Random harnesses are whole, the same for the same seed, and what was asked for."""

from random import Random

import pytest

from bench.profiles.model import CHASSIS, ControlUnit, Filament, Led, Profile, pin_node
from tools.random_harness import CIRCUITS, random_profile


def nodes(what: Profile) -> set[str]:
    parts = (*what.segments, *what.joints, *what.loads)
    return {node for part in parts for node in (part.a, part.b)}


def reached(what: Profile, start: str) -> set[str]:
    seen, todo = set(), [start]
    while todo:
        node = todo.pop()
        seen.add(node)
        links = [(link.a, link.b) for link in (*what.segments, *what.joints)]
        ends = [b if a == node else a for a, b in links if node in (a, b)]
        todo += [end for end in ends if end not in seen]
    return seen


@pytest.mark.parametrize("seed", range(10))
def test_every_load_is_wired_to_its_pin_and_to_ground(seed: int) -> None:
    what = random_profile(Random(seed))
    ground = reached(what, pin_node(1))

    assert 50 <= len(nodes(what)) <= 75
    assert all(load.b in ground for load in what.loads)
    assert all(load.a in reached(what, pin_node(what.circuit(load.circuit).pin)) for load in what.loads)
    assert not ground & {load.a for load in what.loads}


def test_names_are_unique() -> None:
    what = random_profile(Random(3))
    names = [part.name for part in (*what.segments, *what.joints, *what.loads)]

    assert len(names) == len(set(names))


def test_the_same_generator_state_gives_the_same_harness() -> None:
    assert random_profile(Random(1)) == random_profile(Random(1))
    assert random_profile(Random(1)) != random_profile(Random(2))


@pytest.mark.parametrize(("mix", "kind"), [("filament", Filament), ("led", Led)])
def test_the_mix_is_what_was_asked_for(mix: str, kind: type) -> None:
    what = random_profile(Random(4), lamp_mix=mix)  # type: ignore[arg-type]

    assert all(isinstance(load.type, (kind, ControlUnit)) for load in what.loads)


def test_without_a_bond_the_frame_is_not_part_of_the_circuit() -> None:
    assert CHASSIS in nodes(random_profile(Random(5)))
    assert CHASSIS not in nodes(random_profile(Random(5), bonded=False))


def test_only_the_circuits_asked_for_are_there() -> None:
    what = random_profile(Random(6), circuits=("stop", "abs"))

    assert {load.circuit for load in what.loads} == {"stop", "abs"}
    assert len(random_profile(Random(6)).circuits) == len(CIRCUITS)


def test_twenty_four_volts_reaches_the_lamps() -> None:
    what = random_profile(Random(7), nominal_v=24, lamp_mix="filament")

    assert {load.type.rated_v for load in what.loads if isinstance(load.type, Filament)} == {28.0}
