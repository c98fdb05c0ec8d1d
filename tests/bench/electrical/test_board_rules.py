from dataclasses import replace
from functools import cache
from random import Random

import pytest

from bench.electrical.board_rules import board_faults
from bench.profiles.model import InjectedFault, Measurements, Profile, Scenario
from tools.measure import measure
from tools.random_harness import random_profile
from tools.spice_source import SpiceSource


@cache
def trailer() -> Profile:
    return random_profile(Random(3), lamp_mix="filament")


@cache
def readings(*faults: InjectedFault) -> Measurements:
    return measure(trailer(), SpiceSource(Scenario(trailer(), seed=3, faults=faults)), Random(3))


def with_sensor(pin: int, factor: float) -> Measurements:
    """The same readings by a board one of whose current sensors is off."""
    return replace(
        readings(),
        readings=tuple(
            replace(each, pin_a={n: amps * (factor if n == pin else 1.0) for n, amps in each.pin_a.items()})
            for each in readings().readings
        ),
    )


@pytest.mark.parametrize("factor", [0.0, 0.5, 1.6])
def test_a_sensor_that_contradicts_both_returns_is_the_boards_fault(factor: float) -> None:
    pin = trailer().circuit("stop").pin
    (found,) = board_faults(with_sensor(pin, factor))

    assert (found.kind, found.circuits, found.verdict.value) == ("board-fault", ("stop",), "unsure")
    fed, back = found.evidence
    assert fed.value == pytest.approx(factor * back.value, rel=0.1, abs=0.05)


@pytest.mark.parametrize(
    "faults",
    [
        (),
        (InjectedFault("open", "nose.stop--mid.stop"),),
        (InjectedFault("lamp-out", "left-stop-lamp"),),
        (InjectedFault("cross-connection", "pin.3", other="pin.6"),),
    ],
)
def test_a_fault_of_the_harness_is_none_of_the_boards(faults: tuple[InjectedFault, ...]) -> None:
    assert board_faults(readings(*faults)) == ()


def test_current_that_comes_back_by_a_third_way_from_every_circuit_is_not_the_boards() -> None:
    third = replace(
        readings(),
        readings=tuple(
            replace(each, return_a={path: 0.7 * amps for path, amps in each.return_a.items()})
            for each in readings().readings
        ),
    )

    assert board_faults(third) == ()


def test_without_return_currents_nothing_is_said_of_the_board() -> None:
    bare = replace(with_sensor(4, 0.0), readings=tuple(replace(r, return_a={}) for r in with_sensor(4, 0.0).readings))

    assert board_faults(bare) == ()
