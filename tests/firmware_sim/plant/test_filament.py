"""Filaments against handbook laws and published tables."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bench.profiles.model import Filament
from firmware_sim.plant import build_plant
from firmware_sim.plant.filament import FilamentRating, Filaments, tungsten_resistivity
from tests.firmware_sim.plant.small import drive, hold, one_lamp, positions, scenario, settle

LAMPS = [Filament(12.8, 26.9), Filament(12.8, 18.4), Filament(12.8, 8.3), Filament(14.0, 3.8), Filament(13.5, 21.0)]
BARE = {"feed_ohm": 1e-6, "return_ohm": 1e-6}


def hot_current_a(lamp: Filament, supply_v: float) -> tuple[float, float]:
    """Voltage across the lamp and its steady current."""
    seen = settle(scenario(one_lamp(lamp, **BARE), supply_v=supply_v, supply_ohm=1e-4), {1: drive()})
    return seen.pin_v[0] - seen.ground_pin_v, seen.pin_a[0]


@pytest.mark.parametrize("lamp", LAMPS, ids=str)
def test_a_lamp_draws_its_rated_current_at_its_rated_voltage(lamp: Filament) -> None:
    volts, amps = hot_current_a(lamp, lamp.rated_v)

    rated_a = lamp.rated_w / lamp.rated_v
    assert amps == pytest.approx(rated_a * (volts / lamp.rated_v) ** 0.55, rel=2e-3)


@pytest.mark.parametrize("lamp", LAMPS, ids=str)
@pytest.mark.parametrize("supply_v", [9.0, 10.0, 11.0, 12.0, 13.5, 14.0])
def test_current_follows_the_handbook_re_rating_law(lamp: Filament, supply_v: float) -> None:
    """I ~ V^0.55: Fink & Beaty, Standard Handbook for Electrical Engineers, lamp re-rating."""
    volts, amps = hot_current_a(lamp, supply_v)

    law_a = lamp.rated_w / lamp.rated_v * (volts / lamp.rated_v) ** 0.55
    assert amps == pytest.approx(law_a, rel=3e-3)


@pytest.mark.parametrize("lamp", LAMPS, ids=str)
def test_a_cold_lamp_has_a_twelfth_to_a_fourteenth_of_its_hot_resistance(lamp: Filament) -> None:
    """About 14 x inrush for incandescent lamps in supplier texts; 10 to 15 x common practice, no source."""
    plant = build_plant(scenario(one_lamp(lamp, **BARE)))
    plant.switch(positions(2, {1: drive()}))
    cold = plant.truth()

    hot_ohm = lamp.rated_v**2 / lamp.rated_w
    assert 12 <= hot_ohm / (cold.pin_v[0] / cold.pin_a[0]) <= 14.2


@pytest.mark.parametrize("lamp", LAMPS, ids=str)
def test_inrush_falls_to_nominal_in_the_usual_time(lamp: Filament) -> None:
    """Small 12 V bulbs are near nominal in 50 to 100 ms, larger ones later: common practice, no source."""
    plant = build_plant(scenario(one_lamp(lamp)))
    plant.switch(positions(2, {1: drive()}))
    amps, _ = plant.advance(0.4, 1, samples=4000)
    time_ms = 0.1 * np.arange(1, 4001)
    steady_a = hold(plant, positions(2, {1: drive()}), 3.0).pin_a[0]

    assert 12 <= time_ms[np.array(amps) < 2 * steady_a][0] <= 50
    assert 50 <= time_ms[np.array(amps) < 1.1 * steady_a][0] <= 190


@pytest.mark.parametrize(
    ("kelvin", "micro_ohm_cm"), [(300, 5.65), (600, 12.98), (1000, 23.96), (1500, 39.0), (2000, 55.1), (2500, 71.9)]
)
def test_tungsten_resistivity_follows_the_textbook_fit(kelvin: float, micro_ohm_cm: float) -> None:
    """Values calculated from the textbook fit 5.65 (T/300)^1.2 micro-ohm cm."""
    assert tungsten_resistivity(kelvin) * 1e8 == pytest.approx(micro_ohm_cm, rel=2e-3)


@pytest.mark.parametrize(("kelvin", "micro_ohm_cm"), [(2000, 56.7), (2500, 73.9), (3000, 92.0)])
def test_tungsten_resistivity_is_near_the_usual_table(kelvin: float, micro_ohm_cm: float) -> None:
    """The usual table of tungsten, from memory; the fit is within 3 % of it."""
    assert tungsten_resistivity(kelvin) * 1e8 == pytest.approx(micro_ohm_cm, rel=0.03)


def test_loss_is_zero_at_ambient_and_the_rated_power_when_hot() -> None:
    filaments = Filaments([FilamentRating(12.8, 27.0), FilamentRating(14.0, 3.8)], ambient_k=293.15)

    assert filaments.loss_w(np.full(2, 293.15)) == pytest.approx([0, 0], abs=1e-9)
    assert filaments.loss_w(filaments.hot_k) == pytest.approx([27.0, 3.8])


@pytest.mark.parametrize("limit_a", [60.0, 6.0])
def test_switch_on_agrees_with_a_general_ode_solver(limit_a: float) -> None:
    """The same heat balance through scipy's solve_ivp, with and without the current limiter."""
    scene = scenario(one_lamp(feed_ohm=0.1, return_ohm=0.1))
    plant = build_plant(scene)
    plant.switch(positions(2, {1: drive(limit_a)}))
    amps, _ = plant.advance(0.3, 1, samples=600)

    filament = Filaments([FilamentRating(12.8, 27.0)], ambient_k=293.15)
    other_ohm = scene.supply_ohm + 0.010 + 0.2 + 0.005

    def lamp_a(kelvin: float) -> float:
        lamp_ohm = 1 / filament.siemens(np.array([kelvin]))[0]
        return min(limit_a, scene.supply_v / (other_ohm + lamp_ohm))

    def warming(_: float, state: np.ndarray) -> list[float]:
        kelvin = float(state[0])
        lamp_ohm = 1 / filament.siemens(state)[0]
        return [(lamp_a(kelvin) ** 2 * lamp_ohm - filament.loss_w(state)[0]) / filament.heat_j_per_k[0]]

    times = np.linspace(0.3 / 600, 0.3, 600)
    solved = solve_ivp(warming, (0, 0.3), [293.15], t_eval=times, rtol=1e-8, atol=1e-6, max_step=1e-3)
    expected = np.array([lamp_a(kelvin) for kelvin in solved.y[0]])

    assert np.abs(np.array(amps) / expected - 1).max() < 5e-3


def test_a_lamp_cools_within_seconds_and_then_shows_its_cold_resistance_again() -> None:
    scene = scenario(one_lamp(**BARE))
    plant = build_plant(scene)
    cold = hold(plant, positions(2, {1: drive()}), 0.0)
    hold(plant, positions(2, {1: drive()}), 1.0)
    hold(plant, positions(2, {}), 0.2)
    warm = hold(plant, positions(2, {1: drive()}), 0.0)
    hold(plant, positions(2, {}), 60.0)
    cold_again = hold(plant, positions(2, {1: drive()}), 0.0)

    assert warm.pin_a[0] < 0.5 * cold.pin_a[0]
    assert cold_again.pin_a[0] == pytest.approx(cold.pin_a[0], rel=5e-3)


def test_ambient_sets_the_cold_resistance() -> None:
    """A cold filament is tungsten: R follows T^1.2, 0.41 % per kelvin at 20 degC."""
    warm, cool = (
        hold(build_plant(scenario(one_lamp(**BARE), ambient_c=c)), positions(2, {1: drive(1.0)}), 0.0)
        for c in (30.0, 10.0)
    )

    assert math.log(warm.pin_v[0] / cool.pin_v[0]) == pytest.approx(1.2 * math.log(303.15 / 283.15), rel=0.02)
