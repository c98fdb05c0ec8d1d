import pytest

from bench.electrical.ground import grade, is_missing, kelvin_split, path_resistance, paths_agree, shared_current
from bench.profiles.model import BoardErrors

BOARD = BoardErrors()


def test_two_stop_lamps_show_the_path_resistances_they_were_built_with() -> None:
    # Worked by hand: true pin path 60 mohm, chassis 32 mohm, two 27 W lamps.
    pin = path_resistance(0.240, 4.016, BOARD)
    chassis = path_resistance(0.129, 4.036, BOARD)

    assert pin.ohm == pytest.approx(0.0598, abs=5e-5)
    assert chassis.ohm == pytest.approx(0.0320, abs=5e-5)
    assert shared_current(4.045, pin.ohm, chassis.ohm) == pytest.approx((1.411, 2.633), abs=0.005)
    assert paths_agree(pin, chassis, 1.411, 2.633, BOARD)


def test_a_split_that_does_not_fit_the_resistances_is_noticed() -> None:
    pin, chassis = path_resistance(0.240, 4.016, BOARD), path_resistance(0.129, 4.036, BOARD)

    assert not paths_agree(pin, chassis, 2.4, 1.6, BOARD)


def test_a_sense_lead_tells_the_clamp_from_the_bond() -> None:
    split = kelvin_split(rear_v=1.20, sense_v=0.20, current_a=4.0, board=BOARD)

    assert split.clamp.ohm == pytest.approx(0.05)
    assert split.bond.ohm == pytest.approx(0.25)


def test_a_ground_is_sound_marginal_or_high_by_what_it_has_beyond_its_wire() -> None:
    assert [grade(ohm) for ohm in (0.05, 0.2, 0.5)] == ["sound", "marginal", "high"]


def test_a_path_that_alone_carries_next_to_nothing_is_missing() -> None:
    assert is_missing(0.01, 4.0)
    assert not is_missing(3.9, 4.0)
