from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from random import Random

import pytest

from bench.electrical.intermittent import comes_and_goes
from bench.profiles.model import InjectedFault, Inrush, Measurements, Profile, Reading, Scenario
from tools.measure import measure
from tools.random_harness import LampMix, random_profile
from tools.spice_source import SpiceSource

# The readings are made by ngspice; what comes and goes is two sets of them, mixed.
OPEN = InjectedFault("open", "nose.stop--mid.stop")
SHORT = InjectedFault("short-to-ground", "nose.stop--mid.stop", ohm=0.02)


@cache
def trailer(mix: LampMix = "filament") -> Profile:
    return random_profile(Random(3), lamp_mix=mix)


@cache
def readings(*faults: InjectedFault, mix: LampMix = "filament") -> Measurements:
    profile = trailer(mix)
    return measure(profile, SpiceSource(Scenario(profile, seed=3, faults=faults)), Random(3))


def stop_pin() -> int:
    return trailer().circuit("stop").pin


def mixed(sound: Measurements, other: Measurements, takes_other: Callable[[Reading], bool]) -> Measurements:
    by_setting: Mapping[object, Reading] = {(r.how, r.returns, r.driven): r for r in other.readings}
    return replace(
        sound,
        readings=tuple(
            by_setting.get((r.how, r.returns, r.driven), r) if takes_other(r) else r for r in sound.readings
        ),
    )


def alone(how: str) -> Callable[[Reading], bool]:
    return lambda reading: reading.how == how and reading.driven == (stop_pin(),)


@pytest.mark.parametrize("how", ["pulse", "drive"])
def test_a_feed_that_conducts_in_one_reading_and_not_in_another_comes_and_goes(how: str) -> None:
    (found,) = comes_and_goes(mixed(readings(), readings(OPEN), alone(how)))

    assert (found.kind, found.circuits) == ("intermittent", ("stop",))
    assert len(found.evidence) == 2
    assert found.evidence[0].value != found.evidence[1].value
    assert "wiggle" in found.next


def test_a_short_that_only_the_pulse_met_comes_and_goes() -> None:
    (found,) = comes_and_goes(mixed(readings(), readings(SHORT), alone("pulse")))

    assert (found.kind, found.circuits) == ("intermittent", ("stop",))


@pytest.mark.parametrize("fault", [(), (OPEN,), (SHORT,), (InjectedFault("lamp-out", "left-stop-lamp"),)])
def test_what_stays_as_it_is_does_not_come_and_go(fault: tuple[InjectedFault, ...]) -> None:
    assert comes_and_goes(readings(*fault)) == ()


@pytest.mark.parametrize("mix", ["led", "mixed"])
def test_sound_led_lamps_do_not_come_and_go(mix: LampMix) -> None:
    assert comes_and_goes(readings(mix=mix)) == ()


def recorded(amps: Callable[[int], float], *pins: int) -> Measurements:
    inrush = Inrush(0.001, tuple(amps(n) for n in range(150)), (12.6,) * 150)
    return replace(
        readings(),
        readings=tuple(
            replace(r, inrush=inrush) if r.how == "drive" and r.driven in [(pin,) for pin in pins] else r
            for r in readings().readings
        ),
    )


def cooling(n: int) -> float:
    return 4.0 + 8.0 * 0.97**n


def test_a_recorded_current_that_stops_and_starts_comes_and_goes() -> None:
    (found,) = comes_and_goes(recorded(lambda n: 0.0 if 60 <= n < 80 else cooling(n), stop_pin()))

    assert found.circuits == ("stop",)
    assert found.evidence[0].value == 1.0


def test_a_recorded_current_that_falls_as_lamps_heat_is_steady() -> None:
    assert comes_and_goes(recorded(cooling, stop_pin())) == ()


def test_circuits_that_do_it_together_are_one_finding_that_points_at_what_they_share() -> None:
    def steps(n: int) -> float:
        return cooling(n) * (0.6 if 60 <= n < 80 else 1.0)

    turn = trailer().circuit("left-turn").pin
    (found,) = comes_and_goes(recorded(steps, stop_pin(), turn))

    assert set(found.circuits) == {"stop", "left-turn"}
    assert found.where is not None
    assert "share" in found.explain


def test_without_readings_nothing_is_said() -> None:
    assert comes_and_goes(replace(readings(), readings=())) == ()
