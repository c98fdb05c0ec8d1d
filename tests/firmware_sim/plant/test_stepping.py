"""Steps, events and rest: what the plant does along time."""

from math import exp, inf
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from bench.contract.table import Return
from bench.profiles.model import InjectedFault, Led, Profile, Resistor, Scenario, pin_node
from firmware_sim.plant import build_plant
from firmware_sim.plant.filament import FilamentRating, Filaments
from firmware_sim.port import Plant, Truth
from tests.firmware_sim.plant.small import PROBE, STOP_27_W, drive, hold, load, one_lamp, positions, profile, scenario
from tools.random_harness import random_profile


def differences(a: Truth, b: Truth) -> float:
    """Largest difference of any reading, V or A."""
    values = [
        (*seen.pin_v, *seen.pin_a, seen.supply_v, seen.supply_a, seen.return_pin_a, seen.return_chassis_a)
        for seen in (a, b)
    ]
    return float(np.abs(np.array(values[0]) - np.array(values[1])).max())


def test_a_board_at_rest_stays_so_for_ever() -> None:
    plant = build_plant(scenario(one_lamp()))

    assert plant.quiet_until_s() == inf
    plant.advance(1e6)
    assert plant.truth().pin_v == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_lit_lamp_comes_to_rest_at_the_equilibrium_of_its_heat_balance() -> None:
    """Steady state solved apart with scipy's brentq: power in equals heat lost."""
    plant = build_plant(scenario(one_lamp(feed_ohm=0.1, return_ohm=0.1)))
    plant.switch(positions(2, {1: drive()}))
    while plant.quiet_until_s() < inf:
        plant.advance(max(plant.quiet_until_s(), plant.time_s + 0.001))
    filament = Filaments([FilamentRating(12.8, 27.0)], ambient_k=293.15)

    def gain_w(kelvin: float) -> float:
        state = np.array([kelvin])
        lamp_ohm = 1 / filament.siemens(state)[0]
        return float((12.8 / (0.235 + lamp_ohm)) ** 2 * lamp_ohm - filament.loss_w(state)[0])

    lamp_ohm = 1 / filament.siemens(np.array([brentq(gain_w, 1000.0, 3000.0)]))[0]
    assert plant.time_s < 5.0
    assert plant.truth().pin_a[0] == pytest.approx(12.8 / (0.235 + lamp_ohm) + 12.7 / 100_000, rel=2e-5)


def test_rest_is_where_fine_steps_would_lead() -> None:
    """From rest, and from just before it by a restart that forces small steps: the same."""
    plant = build_plant(scenario(random_lamps()))
    resting = hold(plant, positions(6, {3: drive()}), 10.0)
    for _ in range(50):  # each change of the limit makes the plant begin anew with its smallest steps
        plant.switch(positions(6, {3: drive(plant.time_s + 20)}))
        plant.advance(plant.time_s + 0.01)

    assert differences(plant.truth(), resting) < 1e-4


def random_lamps() -> Profile:
    return random_profile(Random(2), lamp_mix="filament", circuits=("marker", "left-turn", "stop", "tail"))


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 1000), st.lists(st.floats(1e-5, 0.03), min_size=1, max_size=20))
def test_how_time_is_cut_into_advances_does_not_matter(seed: int, cuts: list[float]) -> None:
    rng = Random(seed)
    scene = Scenario(random_profile(rng, lamp_mix="mixed"), seed=seed)
    channel = rng.randint(1, 6)
    one, many = build_plant(scene), build_plant(scene)
    for plant in (one, many):
        plant.switch(positions(6, {channel: drive(10.0)}))
    for cut_s in cuts:
        many.advance(many.time_s + cut_s, channel, samples=rng.randint(0, 5))
        many.truth()
    one.advance(many.time_s)

    assert one.truth() == many.truth()


def test_samples_are_evenly_spaced_and_end_at_the_end() -> None:
    fine, coarse = build_plant(scenario(one_lamp())), build_plant(scenario(one_lamp()))
    for plant in (fine, coarse):
        plant.switch(positions(2, {1: drive(6.0)}))
    fine_a, fine_v = fine.advance(0.1, 1, samples=100)
    coarse_a, coarse_v = coarse.advance(0.1, 1, samples=10)

    assert coarse_a == pytest.approx(fine_a[9::10])
    assert coarse_v == pytest.approx(fine_v[9::10])
    assert (fine_a[-1], fine_v[-1]) == pytest.approx((fine.truth().pin_a[0], fine.truth().pin_v[0]))


def test_no_samples_are_given_when_none_are_asked_for() -> None:
    assert build_plant(scenario(one_lamp())).advance(0.1) == ((), ())


def test_the_limiter_lets_go_when_the_lamp_is_warm_enough() -> None:
    plant = build_plant(scenario(one_lamp()))
    plant.switch(positions(2, {1: drive(6.0)}))
    plant.advance(0.2, 1, samples=1)
    released = []
    plant = build_plant(scenario(one_lamp()))
    plant.switch(positions(2, {1: drive(6.0)}))
    while plant.time_s < 0.2:
        plant.advance(plant.time_s + 0.0005)
        seen = plant.truth()
        assert seen.pin_a[0] <= 6.0 + 1e-5
        released.append(not seen.limiting[0])

    assert 0.005 < 0.0005 * released.index(True) < 0.1
    assert all(released[released.index(True) :])


def test_a_switch_takes_effect_at_once_and_lamps_keep_their_heat() -> None:
    plant = build_plant(scenario(one_lamp()))
    lit = hold(plant, positions(2, {1: drive()}), 1.0)
    off = hold(plant, positions(2, {}), 0.0)
    back = hold(plant, positions(2, {1: drive()}), 0.0)

    assert off.pin_a[0] == 0
    assert off.pin_v[0] == pytest.approx(0, abs=1e-3)
    assert back.pin_a[0] == pytest.approx(lit.pin_a[0], rel=1e-4)


def test_the_same_positions_again_change_nothing() -> None:
    plant, other = build_plant(scenario(one_lamp())), build_plant(scenario(one_lamp()))
    for one in (plant, other):
        one.switch(positions(2, {1: drive(6.0)}))
        one.advance(0.01)
    plant.switch(positions(2, {1: drive(6.0)}))
    plant.advance(0.02)
    other.advance(0.02)

    assert plant.truth() == other.truth()


def test_a_capacitor_behind_the_probe_charges_with_its_time_constant() -> None:
    """RC by hand: below its threshold the lamp is its leak, so V = V_end (1 - exp(-t / RC))."""
    led = Led(threshold_v=13.0, series_ohm=10.0, current_a=0.3, capacitance_f=4.7e-6, leak_ohm=40_000.0)
    plant = build_plant(scenario(profile(loads=[load(led, pin_node(2), pin_node(1))]), supply_ohm=0.0))
    plant.switch(positions(2, {1: PROBE}))
    _, volts = plant.advance(0.03, 1, samples=300)
    across_ohm = 1 / (1 / 40_000 + 1 / 100_000)
    end_v = 12.8 * across_ohm / (across_ohm + 1000.0)
    tau_s = 4.7e-6 / (1 / 1000.0 + 1 / across_ohm)
    expected = [end_v * (1 - exp(-1e-4 * n / tau_s)) for n in range(1, 301)]

    assert np.abs(np.array(volts) - np.array(expected))[2:].max() < 0.02


def test_quiet_never_hides_a_change_of_a_converter_step() -> None:
    """Readings taken densely inside what the plant calls quiet stay within 1 mV and 1 mA."""
    scene = Scenario(random_profile(Random(6), lamp_mix="mixed"), faults=(InjectedFault("open", "pin.4", at_s=2.0),))
    jumping, watching = build_plant(scene), build_plant(scene)
    for plant in (jumping, watching):
        plant.switch(positions(6, {3: drive(15.0)}))
    jumps = 0
    while jumping.time_s < 6.0:
        until_s = jumping.quiet_until_s()
        if until_s > jumping.time_s:
            jumps += 1
            before = jumping.truth()
            last_s = min(until_s, 6.0)
            for share in (0.2, 0.5, 0.9, 0.9999):
                watching.advance(jumping.time_s + share * (last_s - jumping.time_s))
                assert differences(watching.truth(), before) < 1.05e-3
        jumping.advance(min(max(until_s, jumping.time_s + 0.001), 6.0))

    assert jumps > 3


def test_rest_costs_nothing() -> None:
    """Minutes of steady state are one solution: the segment in use does not change."""
    plant = build_plant(scenario(one_lamp(Resistor(5.0))))
    hold(plant, positions(2, {1: drive()}), 0.1)
    segment = plant._segment  # type: ignore[attr-defined]
    for minute in range(1, 100):
        plant.advance(60.0 * minute, 1, samples=5)

    assert plant._segment is segment  # type: ignore[attr-defined]


def test_energy_in_is_heat_out_and_heat_kept() -> None:
    """Over a switch-on, the integral of V I at the lamp equals what it lost plus what warms it."""
    plant = build_plant(scenario(one_lamp(feed_ohm=1e-6, return_ohm=1e-6), supply_ohm=1e-4))
    plant.switch(positions(2, {1: drive()}))
    step_s, kelvin, lost_j, put_in_j = 2e-5, [293.15], 0.0, 0.0
    filament = Filaments([FilamentRating(STOP_27_W.rated_v, STOP_27_W.rated_w)], ambient_k=293.15)
    amps, volts = (np.array(values) for values in plant.advance(0.5, 1, samples=25_000))
    across_v = volts - 0.005 * amps  # the return switch
    lamp_ohm = across_v / (amps - volts / 100_000)
    kelvin = filament.hot_k[0] * (lamp_ohm * filament.hot_siemens[0]) ** (1 / 1.2)
    lost_j = float(sum(filament.loss_w(np.array([one]))[0] for one in kelvin) * step_s)
    put_in_j = float((across_v**2 / lamp_ohm).sum() * step_s)
    kept_j = filament.heat_j_per_k[0] * (kelvin[-1] - 293.15)

    assert put_in_j == pytest.approx(lost_j + kept_j, rel=5e-3)


def test_returns_may_be_switched_under_current() -> None:
    plant: Plant = build_plant(scenario(random_lamps()))
    both = hold(plant, positions(6, {3: drive()}), 3.0)
    by_pin = hold(plant, positions(6, {3: drive()}, Return.PIN), 3.0)
    by_chassis = hold(plant, positions(6, {3: drive()}, Return.CHASSIS), 3.0)

    assert both.return_pin_a > 0.1
    assert both.return_chassis_a > 0.1
    assert by_pin.return_chassis_a == by_chassis.return_pin_a == 0
    assert by_pin.return_pin_a == pytest.approx(by_pin.pin_a[2], rel=1e-3)


def test_channels_tied_together_share_a_load_at_their_limits() -> None:
    """Small capacitors on ideal limiters: the sum of both limits, then a common voltage; never a tug-of-war."""
    led = Led(threshold_v=7.8, series_ohm=6.0, current_a=0.33, capacitance_f=1e-7)
    tied = profile(
        loads=[
            load(led, pin_node(2), pin_node(1), "small"),
            load(STOP_27_W, pin_node(2), pin_node(1), "left"),
            load(STOP_27_W, pin_node(3), pin_node(1), "right"),
        ],
    )
    short = InjectedFault("cross-connection", "pin.2", other="pin.3", ohm=0.01)
    plant = build_plant(scenario(tied, short))
    early = hold(plant, positions(2, {1: drive(5.0), 2: drive(5.0)}), 0.001)
    warm = hold(plant, positions(2, {1: drive(5.0), 2: drive(5.0)}), 2.0)

    assert early.limiting == (True, True)
    assert sum(early.pin_a) == pytest.approx(10.0)
    assert warm.limiting == (False, False)
    assert warm.pin_a[0] == pytest.approx(warm.pin_a[1], rel=0.1)
