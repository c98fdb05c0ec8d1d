import pytest

from bench.electrical.far_end import far_end
from bench.electrical.whereabouts import whereabouts
from bench.profiles import load_profile
from bench.results import Where

FOOT_M = 0.3048


def test_the_far_end_is_the_last_plug_on_the_wire() -> None:
    profile = load_profile("tandem-53ft-filament")
    end = far_end(profile, profile.circuit("markers"))

    assert end is not None
    assert end.node == "rear.markers"
    assert end.from_connector_m == pytest.approx((26 + 27) * FOOT_M, abs=0.01)
    assert "rear-plug.markers" in end.words


def test_without_a_plug_it_is_the_farthest_lamp() -> None:
    profile = load_profile("light-13pin")
    end = far_end(profile, profile.circuit("stop"))

    assert end is not None
    assert end.node in {"rear-left.stop", "rear-right.stop"}
    assert end.from_connector_m == pytest.approx(4.8 + 0.9)


@pytest.mark.parametrize(
    ("where", "words"),
    [
        (Where("joint", "contact.stop"), "pin 4's contact, at the nose"),
        (Where("joint", "rear-plug.stop"), "between sill and rear"),
        (Where("joint", "ring.left"), "at rear-left"),
        (Where("joint", "bond"), "between rear and frame"),
        (Where("segment", "main.rear.stop"), "between mid and sill"),
        (Where("lamp", "turn.mid-right"), "right side, middle"),
        (Where("lamp", "no such thing"), ""),
    ],
)
def test_places_are_told_as_one_would_walk_to_them(where: Where, words: str) -> None:
    assert whereabouts(load_profile("tandem-53ft-filament"), where) == words
