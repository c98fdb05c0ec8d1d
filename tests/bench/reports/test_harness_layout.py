"""The layout's promises, on random trailers and on networks that are no tree at all."""

from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.profiles import load_profile, profile_names
from bench.profiles.model import CHASSIS, Joint, Load, Profile, Resistor, Segment, pin_node
from bench.reports.harness_layout import ROW, WIDTH, Lane, lay_out
from bench.reports.harness_tree import harness_trees
from tools.random_harness import random_profile

trailers = st.integers(0, 10_000).map(lambda seed: random_profile(Random(seed)))


@st.composite
def networks(draw: st.DrawFn) -> Profile:
    """Any wires, joints and loads between any nodes, loops and loose ends included."""
    nodes = st.sampled_from([pin_node(1), pin_node(2), pin_node(4), CHASSIS, *(f"n{number}" for number in range(8))])
    pairs = draw(st.lists(st.tuples(nodes, nodes), max_size=14))
    ends = draw(st.lists(st.tuples(nodes, nodes), max_size=6))
    lengths = st.sampled_from([0.01, 0.5, 1.0, 7.0])
    segments = tuple(Segment(f"s{no}", a, b, draw(lengths), 1.0) for no, (a, b) in enumerate(pairs[::2]))
    joints = tuple(Joint(f"j{no}", a, b, 0.002) for no, (a, b) in enumerate(pairs[1::2]))
    loads = tuple(Load(f"l{no}", f"load {no}", Resistor(5.0), a, b, "stop") for no, (a, b) in enumerate(ends))
    return replace(load_profile("tandem-53ft"), segments=segments, joints=joints, loads=loads)


def check(profile: Profile) -> None:
    layout = lay_out(profile)
    edges = [placed.edge.name for lane in layout.lanes for placed in lane.edges]
    ties = [end.words for lane in layout.lanes for end in lane.ends if end.kind == "tie"]
    loads = [end.load.name for lane in layout.lanes for end in lane.ends if end.load is not None]

    assert len(set(edges)) == len(edges)
    for edge in (*profile.segments, *profile.joints):
        assert (edge.name in edges) or sum(f"also by {edge.name} to" in tie for tie in ties) == 2
    assert sorted(loads) == sorted(load.name for load in profile.loads)
    for lane in layout.lanes:
        check_lane(lane, layout.height)


def check_lane(lane: Lane, height: float) -> None:
    rows = sorted(end.at[1] for end in lane.ends)
    assert all(lower - upper >= ROW for upper, lower in pairwise(rows)), "words on two rows would touch"
    for placed in lane.edges:
        assert placed.start[0] < placed.end[0], "a wire goes away from the connector"
        assert placed.start[1] == placed.end[1]
        assert placed.from_m <= placed.to_m
    for (x, top), (_, bottom) in lane.drops:
        for end in lane.ends:
            if top < end.at[1] < bottom:
                assert end.at[0] >= x
                assert end.from_x >= x, "a line down would cross a row"
    for end in lane.ends:
        assert 0 < end.at[0] <= WIDTH - 200, "room for words"
        assert 0 < end.at[1] < height


@settings(max_examples=25, deadline=None)
@given(profile=trailers)
def test_random_trailers_are_drawn_whole_and_nothing_touches(profile: Profile):
    check(profile)


@settings(max_examples=80, deadline=None)
@given(profile=networks())
def test_any_network_is_drawn_whole_and_nothing_touches(profile: Profile):
    check(profile)


@pytest.mark.parametrize("name", profile_names())
def test_profiles_are_drawn_whole_and_nothing_touches(name: str):
    check(load_profile(name))


def test_a_long_chain_still_fits_the_paper():
    chain = tuple(Segment(f"s{no}", f"n{no}" if no else "pin.4", f"n{no + 1}", 1.0, 1.0) for no in range(60))
    check(replace(load_profile("tandem-53ft"), segments=chain, joints=(), loads=()))


def test_a_profile_without_wires_is_an_empty_drawing():
    assert lay_out(replace(load_profile("tandem-53ft"), segments=(), joints=(), loads=())).lanes == ()


def test_distances_are_along_the_wire():
    trees = harness_trees(load_profile("tandem-53ft"))
    metres = {branch.node: branch.distance_m for branch in trees["pin.4"].walk()}

    assert metres["nose.stop"] == 0
    assert metres["mid.stop"] == pytest.approx(26 * 0.3048)
    assert metres["rear-left.stop"] == pytest.approx((26 + 27 + 4.5) * 0.3048)


def test_the_frame_joins_nothing():
    two = (
        Segment("a", "pin.1", "g1", 5.0, 1.0),
        Segment("b", "pin.2", "g2", 5.0, 1.0),
        Segment("c", "behind", CHASSIS, 1.0, 1.0),
    )
    bonds = (Joint("bond1", "g1", CHASSIS, 0.0), Joint("bond2", "g2", CHASSIS, 0.0))
    trees = harness_trees(replace(load_profile("tandem-53ft"), segments=two, joints=bonds, loads=()))

    assert set(trees) == {"pin.1", "pin.2", CHASSIS}
    assert [branch.node for branch in trees[CHASSIS].walk()] == [CHASSIS, "behind"]


def test_a_marked_row_has_room_above_it():
    profile = load_profile("tandem-53ft")
    plain = lay_out(profile)
    marked = lay_out(profile, frozenset({"stop.right"}))

    assert marked.height > plain.height
    assert marked.find_load("stop.right").at[1] - marked.find_load("stop.left").at[1] > ROW + 10
