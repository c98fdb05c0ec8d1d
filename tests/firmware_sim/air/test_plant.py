"""The whole trailer: what a bench sees of it, sound and faulty."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.profiles.air_model import PA_PER_PSI, AirFault
from firmware_sim.air import build_air_plant
from firmware_sim.air.as_built import CHAMBER, RESERVOIR, SERVICE, SPRINGS, SUPPLY
from firmware_sim.air.plant import TrailerAir
from firmware_sim.firmware.air import NoAir
from tests.firmware_sim.air.trailers import (
    APPLY,
    CHARGE,
    EXHAUST,
    HOLD,
    HOLD_APPLIED,
    QUIET,
    TANDEM,
    fall,
    leak,
    psi,
    run,
    scenario,
    time_until,
)

LEAK_NL_PER_MIN = 3.6


@pytest.fixture
def trailer(profile):
    """Builds a trailer with faults."""

    def build(*faults, air=QUIET, system=TANDEM, seed=1):
        return TrailerAir(scenario(profile, *faults, system=system, air=air, seed=seed))

    return build


def charged(plant: TrailerAir) -> TrailerAir:
    return run(plant, CHARGE, 200.0)


def applied(plant: TrailerAir) -> TrailerAir:
    return run(charged(plant), APPLY, 120.0)


# --- sound ---


def test_without_power_both_lines_are_empty_and_the_reservoir_is_not(trailer):
    plant = run(charged(trailer()), EXHAUST, 20.0)

    assert psi(plant, SUPPLY) < 0.2
    assert psi(plant, SERVICE) < 0.2
    assert 85 < psi(plant, RESERVOIR) < 95


def test_losing_the_supply_empties_the_spring_cavities_and_applies_the_brakes(trailer):
    plant = run(charged(trailer()), EXHAUST, 20.0)

    assert psi(plant, SPRINGS) < 0.2
    assert psi(plant, CHAMBER) > 80


def test_an_application_is_quicker_than_the_limit_and_not_absurdly_quick(trailer):
    """49 CFR 571.121 S5.3.3 allows a semitrailer 0.60 s to 60 psi (second-hand); sound takes 42 ms through the line."""
    plant = charged(trailer())
    plant.switch(APPLY)

    assert 0.1 < time_until(plant, CHAMBER, above_psi=60) < 0.6


def test_a_release_is_quicker_than_the_limit_and_not_absurdly_quick(trailer):
    """49 CFR 571.121 S5.3.4 allows a semitrailer 1.20 s from 95 to 5 psi (second-hand)."""
    plant = applied(trailer())
    plant.switch(CHARGE)

    assert psi(plant, CHAMBER) > 95
    assert 0.2 < time_until(plant, CHAMBER, below_psi=5) < 1.2


def test_the_coupling_is_there_long_before_the_chamber(trailer):
    plant = charged(trailer())
    plant.switch(APPLY)

    assert time_until(plant, SERVICE, above_psi=60) < 0.12
    assert psi(plant, CHAMBER) < 40


def test_pressure_follows_temperature_by_the_gas_law(trailer):
    """0.391 psi/K at 100 psig and 20 degC: p / T, worked separately."""
    plant = charged(trailer(air=replace(QUIET, ambient_drift_k_per_min=0.05)))
    run(plant, HOLD, 4 * 3600.0)
    before, kelvin = psi(plant, RESERVOIR), plant.state()[-1]
    plant.advance(plant.time_s + 3600.0)

    per_kelvin = (psi(plant, RESERVOIR) - before) / (plant.state()[-1] - kelvin)
    assert per_kelvin == pytest.approx((before + 14.696) / (kelvin + 1.5), rel=0.01)
    assert per_kelvin * 293.15 / (kelvin + 1.5) == pytest.approx(0.391, rel=0.06)


def test_a_fast_fill_is_followed_by_a_fall_that_is_no_leak(trailer):
    plant = run(trailer(air=replace(QUIET, start_pa=0.0)), CHARGE, 45.0)
    plant.switch(HOLD)

    assert fall(plant, SUPPLY, 10.0) > 2
    plant.advance(plant.time_s + 600)
    assert abs(fall(plant, SUPPLY, 60.0)) < 0.1


def test_a_weakly_convecting_tank_settles_more_slowly(trailer):
    falls = []
    for convection in (1.0, 0.3):
        plant = run(trailer(air=replace(QUIET, start_pa=0.0, convection=convection)), CHARGE, 45.0)
        run(plant, HOLD, 60.0)
        falls.append(fall(plant, SUPPLY, 60.0))

    assert falls[1] > 1.5 * falls[0]


# --- leaks: the same hole in different places ---


@pytest.mark.parametrize(
    ("place", "released", "pressed"),
    [
        ("supply-glad-hand", 8.6, 8.6),
        ("spring-seal", 8.6, 8.6),
        ("reservoir-drain", 1.05, 1.05),
        ("relay-inlet-seat", 1.05, 0.0),
        ("relay-exhaust-seat", 0.0, 1.0),
        ("diaphragm-1", 0.0, 1.0),
        ("diaphragm-2", 0.0, 1.0),
        ("check-valve", 0.0, 0.0),
        ("service-hose", 0.0, 0.0),
    ],
)
def test_the_same_leak_falls_differently_at_the_supply_coupling(trailer, place, released, pressed):
    """3.6 NL/min over 52.9 L, or over the 6.1 L before the check valve: gas law. Exact at 100 psi only."""
    rate = psi_per_min_of_3_6_litres(trailer(), place)
    found = [
        settled_fall(ready(trailer(*leak(place, rate, at_s=400.0))), hold)
        for ready, hold in ((charged, HOLD), (applied, HOLD_APPLIED))
    ]

    assert found == pytest.approx([released, pressed], rel=0.12, abs=0.25)


@pytest.mark.parametrize("place", ["service-glad-hand", "service-hose", "relay-control"])
def test_a_service_side_leak_shows_at_the_isolated_service_coupling(trailer, place):
    """3.6 NL/min over the line and the bench's hoses, about 2.1 L."""
    rate = psi_per_min_of_3_6_litres(trailer(), place)
    plant = run(applied(trailer(*leak(place, rate, at_s=400.0))), HOLD_APPLIED, 100.0)

    assert fall(plant, SERVICE, 1.0) * 114.7 / (psi(plant, SERVICE) + 14.7) == pytest.approx(25, rel=0.05)


def psi_per_min_of_3_6_litres(plant: TrailerAir, place: str) -> float:
    return LEAK_NL_PER_MIN * 14.696 / (plant.drained_m3(place) * 1000)


def settled_fall(plant: TrailerAir, hold: int) -> float:
    """From a minute after the leak's begin at 400 s, referred to 100 psi; less the fall without it."""
    run(plant, hold, 370.0 - plant.time_s)
    without = fall(plant, SUPPLY, 30.0)
    plant.advance(460.0)
    return (fall(plant, SUPPLY, 20.0) - without) * 114.7 / (psi(plant, SUPPLY) + 14.7)


def test_the_check_valve_shows_once_the_supply_line_is_empty(trailer):
    sound, leaking = (charged(trailer(*faults)) for faults in ((), leak("check-valve", 6.0)))
    for plant in (sound, leaking):
        run(plant, EXHAUST, 30.0)

    assert fall(leaking, RESERVOIR, 60.0) - fall(sound, RESERVOIR, 60.0) == pytest.approx(6.0 * 105 / 115, rel=0.1)


def test_without_a_check_valve_the_whole_trailer_follows_the_line(trailer):
    plant = trailer(*leak("supply-glad-hand", 1.0, at_s=400.0), system=replace(TANDEM, check_valve=False))

    assert settled_fall(charged(plant), HOLD) == pytest.approx(1.0, rel=0.15)


def test_a_leak_that_ends_leaves_the_pressure_where_it_was(trailer):
    plant = charged(trailer(*leak("reservoir-drain", 4.0, at_s=400.0, until_s=460.0)))
    run(plant, HOLD, 200.0)
    during, after = fall(plant, SUPPLY, 60.0), fall(plant, SUPPLY, 60.0)

    assert during == pytest.approx(4.0, rel=0.25)
    assert abs(after) < 0.1 * during


# --- other faults ---


def fault(kind, place, value=None, **when):
    return AirFault(kind, place, value=value, **when)


def test_a_hose_that_is_off_never_fills(trailer):
    plant = run(trailer(fault("hose-off", "supply"), air=replace(QUIET, start_pa=0.0)), CHARGE, 30.0)

    assert psi(plant, SUPPLY) < 20
    assert fall(plant, SUPPLY, 5.0) < 0.2


def test_a_low_regulator_fills_only_so_far(trailer):
    low = fault("regulator-low", "supply", 70 * PA_PER_PSI)

    assert psi(run(trailer(low, air=replace(QUIET, start_pa=0.0)), CHARGE, 300.0), SUPPLY) == pytest.approx(70, abs=0.3)


def test_a_fill_valve_stuck_open_fills_without_power(trailer):
    plant = run(trailer(fault("valve-stuck-open", "service-fill")), 1 << 3, 5.0)

    assert psi(plant, SERVICE) > 95


def test_a_fill_valve_stuck_shut_never_fills(trailer):
    assert psi(run(trailer(fault("valve-stuck-shut", "service-fill")), APPLY, 5.0), SERVICE) < 1


@pytest.mark.parametrize("place", ["service", "1.left"])
def test_a_slow_application_is_slow(trailer, place):
    plant = charged(trailer(fault("slow-application", place, 0.06)))
    plant.switch(APPLY)

    assert time_until(plant, CHAMBER, above_psi=60) > 0.6


@pytest.mark.parametrize("place", ["service", "1.left"])
def test_a_slow_release_is_slow(trailer, place):
    plant = applied(trailer(fault("slow-release", place, 0.06)))
    plant.switch(CHARGE)

    assert time_until(plant, CHAMBER, below_psi=5) > 1.2


def test_a_slow_wheel_end_leaves_the_others_alone(trailer):
    plant = charged(trailer(fault("slow-application", "1.left", 0.06)))
    plant.switch(APPLY)

    assert time_until(plant, CHAMBER + 3, above_psi=60) < 0.3


def test_a_long_stroke_shows_at_the_stroke_sensor(trailer):
    stroke_m = 2.4 * 0.0254
    usual, long = (applied(trailer(*faults)) for faults in ((), (fault("stroke", "1.left", stroke_m),)))

    assert long.readings()[3] * 1e-6 == pytest.approx(stroke_m, abs=0.002)
    assert usual.readings()[3] * 1e-6 == pytest.approx(1.5 * 0.0254, abs=0.002)


def test_strokes_lower_the_reservoir_by_their_volume(trailer):
    """An inch of mean stroke of four type 30 chambers is 120 in3 (1.97 L) at 100 psi out of 52.9 L: gas law."""
    end_psi = []
    for inches in (1.0, 2.0):
        strokes = {end.name: inches * 0.0254 for end in TANDEM.wheel_ends}
        plant = charged(trailer(air=replace(QUIET, strokes_m=strokes)))
        end_psi.append(psi(run(plant, APPLY & ~1, 900.0), SUPPLY))

    drop = end_psi[0] - end_psi[1]
    assert drop == pytest.approx(1.97 / (52.9 + 3.5) * 108, rel=0.12)


# --- sensors ---


def test_an_unplugged_sensor_is_out_of_its_range(trailer):
    plant = charged(trailer(fault("sensor-unplugged", "supply")))

    assert plant.readings()[0] < TANDEM.inputs[0].low
    assert plant.readings()[1] == pytest.approx(0, abs=100)


def test_a_stuck_sensor_repeats_itself(trailer):
    plant = trailer(fault("sensor-stuck", "supply", at_s=5.0))
    first = run(plant, CHARGE, 4.0).readings()[0]
    later = run(plant, EXHAUST, 30.0).readings()[0]

    assert first == later > 10_000
    assert plant.gauge_pa(SUPPLY) < 1000


def test_swapped_sensors_read_each_other(trailer):
    plant = charged(trailer(fault("sensors-swapped", "supply")))

    supply, service, *_ = plant.readings()
    assert (supply, service) == (pytest.approx(0, abs=100), pytest.approx(100 * PA_PER_PSI, abs=300))


def test_sensors_have_zero_noise_drift_and_steps(trailer):
    zero, noise, walk = 690.0, 345.0, 138.0
    air = replace(QUIET, sensor_zero_pa=zero, sensor_noise_pa=noise, sensor_drift_pa_per_sqrt_min=walk, start_pa=0.0)
    plant = trailer(air=air)
    samples = []
    for _ in range(3000):
        plant.advance(plant.time_s + 0.02)
        samples.append(plant.readings()[:2])
    raw = np.array(samples, dtype=float)

    assert np.diff(raw, axis=0).std() / 2**0.5 == pytest.approx(noise, rel=0.06)
    assert raw[:100].mean() == pytest.approx(zero, abs=6 * noise / 200**0.5)
    assert set(np.unique(np.round(np.diff(np.unique(raw[:, 0])) / 86.67))) <= set(range(1, 9))
    assert raw[-100:].mean() != pytest.approx(raw[:100].mean(), abs=noise / 100**0.5)


def test_a_filter_delays_what_is_read(trailer):
    late = replace(TANDEM, inputs=(replace(TANDEM.inputs[2], filter_delay_s=0.05), replace(TANDEM.inputs[2], number=1)))
    plant = charged(trailer(system=late))
    plant.switch(APPLY)
    plant.advance(plant.time_s + 0.15)
    on_time = plant.readings()[0]
    plant.advance(plant.time_s + 0.05)

    assert plant.readings()[2] == on_time > 100_000


def test_unwired_inputs_read_zero(trailer):
    assert charged(trailer()).readings()[5] == 0


# --- regulators, modulators, benches ---


def test_an_electronic_regulator_follows_its_set_point_both_ways(trailer):
    plant = trailer(system=replace(TANDEM, regulators="electronic"), air=replace(QUIET, start_pa=0.0))
    assert plant.regulators
    assert psi(run(plant, APPLY, 5.0), SERVICE) == pytest.approx(0, abs=0.1)

    for set_psi in (40, 85, 30):
        plant.regulate(1, round(set_psi * PA_PER_PSI))
        plant.advance(plant.time_s + 20.0)
        assert psi(plant, SERVICE) == pytest.approx(set_psi, abs=0.6)


def test_a_fed_control_unit_lets_each_modulator_step_the_isolated_supply_once(profile):
    """0.2 to 1.0 psi a pulse in the supply, nothing at the service coupling (prototype analysis, no source)."""
    volts = [0.0]
    played = scenario(profile, system=replace(TANDEM, modulators=2, electrical_supply="abs"))
    plant = TrailerAir(played, lambda: volts[0])
    run(applied(plant), HOLD_APPLIED, 120.0)
    volts[0] = 12.6
    pressures = []
    for _ in range(200):
        plant.advance(plant.time_s + 0.01)
        pressures.append((psi(plant, SUPPLY), psi(plant, SERVICE)))
    supply, service = np.array(pressures).T

    steps = [supply[45] - supply[90], supply[95] - supply[140]]
    assert all(0.2 < step < 1.0 for step in steps)
    assert abs(supply[45] - supply[0]) < 0.05
    assert np.ptp(service) < 0.05


def test_a_modulator_that_is_not_fed_does_nothing(profile):
    plant = TrailerAir(scenario(profile, system=replace(TANDEM, modulators=2, electrical_supply="abs")), lambda: 0.0)
    run(applied(plant), HOLD_APPLIED, 120.0)

    assert fall(plant, SUPPLY, 3.0) < 0.5


def test_a_bench_without_valves_stands_on_its_supply(trailer):
    plant = trailer(system=replace(TANDEM, valves=False), air=replace(QUIET, start_pa=0.0))
    plant.switch(0)
    plant.advance(200.0)

    assert (plant.valves, plant.regulators) == (0, False)
    assert psi(plant, SUPPLY) == pytest.approx(100, abs=1)


def test_a_harness_without_air_has_none(profile):
    played = replace(scenario(profile), profile=replace(profile, air=None), air=None)

    assert isinstance(build_air_plant(played), NoAir)
    with pytest.raises(ValueError, match="no air"):
        TrailerAir(played)


# --- time ---


@settings(max_examples=4, deadline=None)
@given(steps=st.lists(st.sampled_from([0.001, 0.013, 0.4, 3.0, 47.0]), min_size=3, max_size=12))
def test_readings_do_not_depend_on_who_looked_in_between(profile, steps):
    """Looking only reads what is foreseen, so it cannot change what comes."""
    seldom, often = (TrailerAir(scenario(profile)) for _ in range(2))
    seldom.switch(CHARGE)
    often.switch(CHARGE)
    for step in steps:
        often.advance(often.time_s + step)
        often.readings()
    seldom.advance(often.time_s)

    assert seldom.state().tolist() == often.state().tolist()


def test_the_same_seed_gives_the_same_readings_and_another_seed_others(trailer):
    noisy = replace(QUIET, sensor_noise_pa=300.0, spread=1.0)
    first, again, other = (
        [run(plant, CHARGE, 5.0).readings() for _ in range(5)]
        for plant in (trailer(air=noisy), trailer(air=noisy), trailer(air=noisy, seed=2))
    )

    assert first == again != other


def test_pressure_is_foreseen_to_stay_below_a_ceiling_only_while_it_does(trailer):
    plant = run(trailer(air=replace(QUIET, start_pa=0.0)), CHARGE, 1.0)
    ceiling_pa = 80 * PA_PER_PSI
    while plant.highest_pressure_pa() < ceiling_pa:
        until_s = plant.below_until_s(ceiling_pa)
        plant.advance(max(until_s - 1e-9, plant.time_s))
        assert plant.highest_pressure_pa() <= ceiling_pa
        plant.advance(plant.time_s + 0.001)

    assert plant.highest_pressure_pa() == pytest.approx(ceiling_pa, abs=500)
