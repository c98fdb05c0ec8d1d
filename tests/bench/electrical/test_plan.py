import pytest

from bench.electrical.plan import feeds_unit, floats, plan, stages
from bench.profiles import load_profile, profile_names
from tests.bench.sequences.sessions import inspect


def settings(readings: object) -> list[tuple[str, str, frozenset[int]]]:
    return [(r.how, r.returns, frozenset(r.driven)) for r in readings if r.driven]  # type: ignore[attr-defined]


@pytest.mark.parametrize("scenario", ["healthy-bulbs", "healthy-tandem", "healthy-van", "healthy-24v", "healthy-light"])
def test_an_inspection_of_a_sound_harness_takes_the_readings_of_the_plan_in_its_order(scenario: str) -> None:
    taken = []
    session = inspect(scenario, infer=lambda measurements: taken.append(measurements.readings) or ())
    profile = session.scenario.profile

    planned, read = settings(plan(profile)), settings(taken[-1])

    assert [each for each in read[:-1] if not is_pair(each)] == [each for each in planned[:-1] if not is_pair(each)]
    assert [(how, way) for how, way, _ in filter(is_pair, read)] == [
        ("drive", way) for way in ("both", "pin", "chassis")
    ]
    assert read[-1][2] <= planned[-1][2], "all circuits, as far as supply and returns carry them"


def is_pair(setting: tuple[str, str, frozenset[int]]) -> bool:
    return setting[0] == "drive" and len(setting[2]) == 2


@pytest.mark.parametrize("name", profile_names())
def test_every_stage_has_a_reason_and_cold_things_come_first(name: str) -> None:
    profile = load_profile(name)
    order = [reading.how for reading in plan(profile)]

    assert all(stage.why and stage.readings for stage in stages(profile))
    assert order == sorted(order, key=["probe", "pulse", "drive"].index)
    assert {pin for reading in plan(profile) for pin in reading.driven} == {each.pin for each in profile.circuits}


def test_a_control_unit_is_not_pulsed_and_led_lamps_are_not_left_floating() -> None:
    bulbs, leds = load_profile("tandem-53ft-filament"), load_profile("tandem-53ft")
    units = {each.pin for each in bulbs.circuits if feeds_unit(bulbs, each)}

    assert not any(units & set(reading.driven) for reading in plan(bulbs) if reading.how != "drive")
    assert floats(leds)
    assert "none" not in {reading.returns for reading in plan(leds)}
    assert "none" in {reading.returns for reading in plan(bulbs)}
