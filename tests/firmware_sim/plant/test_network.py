"""The network against circuits worked by hand, and against Kirchhoff."""

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import Return
from bench.profiles.model import (
    CHASSIS,
    ControlUnit,
    Diode,
    InjectedFault,
    Joint,
    Led,
    Resistor,
    Scenario,
    Segment,
    pin_node,
)
from firmware_sim.plant import build_plant
from firmware_sim.plant.as_built import build_harness
from firmware_sim.port import Feed, FeedMode, Plant, Truth
from tests.firmware_sim.plant.small import (
    PROBE,
    PULSE,
    STOP_27_W,
    drive,
    hold,
    load,
    one_lamp,
    positions,
    profile,
    scenario,
    settle,
)
from tools.random_harness import random_profile

PULL_DOWN_OHM = 100_000.0


@pytest.mark.parametrize(
    ("area_mm2", "ohm_per_kft"),
    [(0.823, 6.385), (1.309, 4.016), (2.081, 2.525), (3.309, 1.588), (5.261, 0.9989), (8.366, 0.6282)],
)
def test_wire_resistance_is_that_of_the_handbook_table(area_mm2: float, ohm_per_kft: float) -> None:
    """AWG 18, 16, 14, 12, 10, 8 by ASTM B258, solid copper at 20 degC; ohm/kft as handbooks print it (from memory)."""
    wire = profile(segments=[Segment("run", pin_node(2), "end", 304.8, area_mm2)])

    (link,) = build_harness(scenario(wire)).links

    assert link.ohm == pytest.approx(ohm_per_kft, rel=2e-3)


def test_a_long_run_drops_what_the_worked_example_says() -> None:
    """15 m of 10 AWG out and 8 AWG back at 10 A: 0.80 V (calculated from ASTM B258)."""
    run = profile(
        segments=[
            Segment("out", pin_node(2), "far", 15.0, 5.261),
            Segment("back", "far.return", pin_node(1), 15.0, 8.366),
        ],
        loads=[load(Resistor(1.0), "far", "far.return")],
    )
    seen = settle(scenario(run), {1: drive(10.0)})

    drop_v = seen.pin_v[0] - seen.ground_pin_v - 10.0 * 1.0
    assert seen.pin_a[0] == pytest.approx(10.0)
    assert drop_v == pytest.approx(0.80, abs=0.005)


def test_a_ladder_is_what_series_and_parallel_make_of_it() -> None:
    """0.1 ohm, then 4 ohm across, 0.1 ohm, 4 ohm: 0.1 + 4 (4.1) / 8.1 = 2.124691 ohm."""
    ladder = profile(
        joints=[Joint("first", pin_node(2), "n1", 0.1), Joint("second", "n1", "n2", 0.1)],
        loads=[load(Resistor(4.0), "n1", pin_node(1), "a"), load(Resistor(4.0), "n2", pin_node(1), "b")],
    )
    seen = settle(scenario(ladder), {1: drive()}, Return.PIN)

    harness_a = seen.pin_a[0] - seen.pin_v[0] / PULL_DOWN_OHM
    assert (seen.pin_v[0] - seen.ground_pin_v) / harness_a == pytest.approx(0.1 + 4 * 4.1 / 8.1, rel=1e-6)
    assert seen.return_pin_a == pytest.approx(harness_a, rel=1e-6)
    assert seen.supply_v == pytest.approx(12.8 - 0.02 * seen.supply_a, abs=1e-6)


def test_a_bridge_in_balance_has_no_voltage_across_it() -> None:
    """Wheatstone: 2/4 = 3/6, so pins 3 and 4 stand at 2/3 of the same voltage."""
    bridge = profile(
        pins=4,
        loads=[
            load(Resistor(2.0), pin_node(2), pin_node(3), "a"),
            load(Resistor(4.0), pin_node(3), pin_node(1), "b"),
            load(Resistor(3.0), pin_node(2), pin_node(4), "c"),
            load(Resistor(6.0), pin_node(4), pin_node(1), "d"),
        ],
    )
    seen = settle(scenario(bridge), {1: drive()})

    assert seen.pin_v[1] == pytest.approx(seen.pin_v[2], abs=2e-4)  # the pull-downs are all that differs
    across_v = seen.pin_v[0] - seen.ground_pin_v
    assert seen.pin_v[1] - seen.ground_pin_v == pytest.approx(across_v * 2 / 3, rel=1e-4)


@pytest.fixture
def two_returns() -> Scenario:
    """Stop, 2 x 27 W: pin path 60 mohm and chassis path 32 mohm, board and clamp included."""
    stop = profile(
        joints=[
            Joint("feed", pin_node(2), "rear.feed", 0.1815),
            Joint("ground wire", "rear.ground", pin_node(1), 0.055, ground=True),
            Joint("bond", "rear.ground", CHASSIS, 0.022, ground=True),
        ],
        loads=[
            load(STOP_27_W, "rear.feed", "rear.ground", "left"),
            load(STOP_27_W, "rear.feed", "rear.ground", "right"),
            load(STOP_27_W, pin_node(3), "rear.ground", "turn"),
        ],
    )
    return scenario(stop)


def test_the_ground_return_worked_check_comes_out(two_returns: Scenario) -> None:
    """Worked by hand and with ngspice: 4.045 A = 1.411 + 2.633; 0.240 V at 4.016 A; 0.129 V at 4.036 A."""
    both = settle(two_returns, {1: drive()})
    by_pin = settle(two_returns, {1: drive()}, Return.PIN)
    by_chassis = settle(two_returns, {1: drive()}, Return.CHASSIS)

    assert both.pin_a[0] == pytest.approx(4.045, abs=0.005)
    assert (both.return_pin_a, both.return_chassis_a) == pytest.approx((1.411, 2.633), abs=0.005)
    # the undriven turn pin is a sense wire to the rear ground
    assert (by_pin.pin_a[0], by_pin.pin_v[1]) == pytest.approx((4.016, 0.240), abs=0.005)
    assert (by_chassis.pin_a[0], by_chassis.pin_v[1]) == pytest.approx((4.036, 0.129), abs=0.005)
    assert by_pin.pin_v[1] / by_pin.return_pin_a == pytest.approx(0.060, rel=0.01)
    assert by_chassis.pin_v[1] / by_chassis.return_chassis_a == pytest.approx(0.032, rel=0.01)


def test_the_kelvin_sense_splits_bond_from_clamp(two_returns: Scenario) -> None:
    seen = settle(two_returns, {1: drive()}, Return.CHASSIS)

    assert seen.chassis_sense_v / seen.return_chassis_a == pytest.approx(0.010, rel=1e-6)


def test_with_no_return_closed_a_lamp_finds_its_way_through_the_pull_downs(two_returns: Scenario) -> None:
    """Pin 3 is tied to pin 2 through three lamps: a divider of probe and two pull-downs."""
    seen = settle(two_returns, {1: PROBE}, Return.NONE)

    expected_v = 12.8 * 50_000 / 51_000
    assert seen.pin_v == pytest.approx((expected_v, expected_v), abs=2e-3)
    assert seen.return_pin_a == seen.return_chassis_a == 0


def test_an_open_pin_reads_zero_when_off_and_nearly_the_supply_when_probed() -> None:
    off = settle(scenario(one_lamp()), {})
    probed = settle(scenario(one_lamp()), {2: PROBE})

    assert off.pin_v[1] == pytest.approx(0, abs=1e-9)
    assert probed.pin_v[1] == pytest.approx(12.8 * 100 / 101, abs=1e-4)


@pytest.mark.parametrize(("nominal_v", "pulse_ohm"), [(12, 10.0), (24, 20.0)])
def test_probe_and_pulse_go_through_their_resistors(nominal_v: int, pulse_ohm: float) -> None:
    short = profile(joints=[Joint("short", pin_node(2), pin_node(1), 1e-6)], nominal_v=nominal_v)
    scene = scenario(short, supply_ohm=0.0)

    probed = settle(scene, {1: PROBE}, Return.PIN)
    pulsed = settle(scene, {1: PULSE}, Return.PIN)

    supply_v = 12.8 * nominal_v / 12
    assert probed.pin_a[0] == pytest.approx(supply_v / 1000.005, rel=1e-4)
    assert pulsed.pin_a[0] == pytest.approx(supply_v / (pulse_ohm + 0.005), rel=1e-4)


def test_the_reference_resistor_draws_its_current_from_the_bus() -> None:
    plant = build_plant(scenario(one_lamp()))
    seen = hold(plant, positions(2, {}, reference=True), 0.0)

    assert seen.reference_a == pytest.approx(seen.supply_v / 10.0)
    assert seen.supply_a == pytest.approx(seen.reference_a)


def test_the_limiter_holds_its_current_into_a_short() -> None:
    short = profile(joints=[Joint("short", pin_node(2), pin_node(1), 0.1)])
    seen = settle(scenario(short), {1: drive(5.0)}, Return.PIN)

    assert seen.limiting == (True, False)
    assert seen.pin_a[0] == pytest.approx(5.0)
    assert seen.pin_v[0] == pytest.approx(5.0 * 0.105, rel=1e-4)


def test_level_scales_the_voltage_of_a_driven_pin() -> None:
    resistor = profile(loads=[load(Resistor(10.0), pin_node(2), pin_node(1))])
    seen = settle(scenario(resistor), {1: drive(level=0.5)})

    assert seen.pin_v[0] == pytest.approx(0.5 * seen.supply_v - 0.010 * seen.pin_a[0], abs=1e-6)
    assert seen.supply_a == pytest.approx(seen.pin_a[0])


def test_ground_pins_share_the_return() -> None:
    two = profile(
        pins=4,
        grounds=(1, 4),
        loads=[
            load(Resistor(10.0), pin_node(2), pin_node(1), "a"),
            load(Resistor(10.0), pin_node(3), pin_node(4), "b"),
        ],
    )
    seen = settle(scenario(two), {1: drive(), 2: drive()}, Return.PIN)

    assert seen.return_pin_a == pytest.approx(sum(seen.pin_a), abs=4e-4)
    assert seen.ground_pin_v == pytest.approx(seen.return_pin_a * 0.005)


def test_ground_pins_are_joined_at_the_board_even_when_their_switch_is_open() -> None:
    """One switch behind all ground pins: with it open, pin 3's lamp stands on pin 4's as on one node."""
    two = profile(
        pins=4,
        grounds=(1, 4),
        loads=[
            load(Resistor(10.0), pin_node(2), pin_node(1), "a"),
            load(Resistor(10.0), pin_node(3), pin_node(4), "b"),
        ],
    )
    seen = settle(scenario(two), {1: PROBE}, Return.NONE)

    joined_v = 12.8 * 50_000 / 51_000  # both pull-downs behind the probe
    assert seen.pin_v == pytest.approx((joined_v, joined_v), abs=5e-3)
    assert seen.ground_pin_v == pytest.approx(joined_v, abs=5e-3)


def test_channels_follow_the_wiring_and_spare_channels_stand_open() -> None:
    crossed = profile(loads=[load(Resistor(10.0), pin_node(2), pin_node(1))], channel_of_pin={2: 4, 3: 2})
    seen = settle(scenario(crossed), {})
    plant = build_plant(scenario(crossed))
    wide = hold(plant, positions(8, {4: drive(), 7: PROBE}), 0.1)

    assert len(seen.pin_v) == 4
    assert wide.pin_a[3] == pytest.approx(1.27, abs=0.02)
    assert wide.pin_v[6] == pytest.approx(wide.supply_v * 100 / 101, abs=1e-4)
    assert wide.pin_a[6] == pytest.approx(wide.supply_v / 101_000, rel=1e-4)


def test_fewer_channels_than_the_wiring_needs_are_refused() -> None:
    plant = build_plant(scenario(one_lamp()))

    with pytest.raises(ValueError, match="2 channels, not 1"):
        plant.switch(positions(1, {}))


def test_a_lamp_behind_a_diode_is_fed_one_way_only() -> None:
    one_way = profile(
        loads=[load(Diode(), pin_node(2), "inner", "diode"), load(Resistor(10.0), "inner", pin_node(1)),
               load(Resistor(10.0), pin_node(3), "inner", "other")],
    )  # fmt: skip
    forward = settle(scenario(one_way), {1: drive()})
    backward = settle(scenario(one_way), {2: drive()})

    assert forward.pin_a[0] == pytest.approx((12.8 - 0.7) / 10, rel=0.02)
    assert backward.pin_v[0] == pytest.approx(0, abs=0.01)


def test_a_led_lamp_has_a_threshold_a_slope_and_a_regulated_current() -> None:
    led = Led(threshold_v=7.8, series_ohm=6.0, current_a=0.33, slope_a_per_v=0.002)
    what = one_lamp(led, feed_ohm=1e-3, return_ohm=1e-3)
    below, rising, regulated = (settle(scenario(what, supply_v=v), {1: drive()}) for v in (7.5, 9.0, 13.0))

    assert below.pin_a[0] == pytest.approx(7.5 / 40_000 + 7.5 / PULL_DOWN_OHM, rel=1e-3)
    assert rising.pin_a[0] == pytest.approx((9.0 - 7.8) / 6.0, rel=0.02)
    assert regulated.pin_a[0] == pytest.approx(0.33 + 0.002 * (13.0 - 9.78), rel=0.02)


def test_a_control_unit_takes_its_power_at_any_voltage_above_its_lock_out() -> None:
    """P = V I at the unit, from pin voltage and joint drop alone."""
    what = one_lamp(ControlUnit(power_w=3.6, lockout_v=8.0), feed_ohm=0.5, return_ohm=0.5)
    for supply_v in (9.0, 12.8, 14.5):
        seen = settle(scenario(what, supply_v=supply_v), {1: drive()}, after_s=5.0)
        amps = seen.pin_a[0] - seen.pin_v[0] / PULL_DOWN_OHM
        unit_v = seen.pin_v[0] - seen.ground_pin_v - 1.0 * amps

        assert unit_v * (amps - unit_v / 20_000) == pytest.approx(3.6, rel=1e-4)


def _any_positions(rng: Random, channels: int) -> dict[int, Feed]:
    modes = [FeedMode.OFF, FeedMode.PROBE, FeedMode.PULSE, FeedMode.DRIVE]
    levels = (1.0, 1.0, 0.6)
    return {n: Feed(rng.choice(modes), rng.choice((3.0, 15.0)), rng.choice(levels)) for n in range(1, channels + 1)}


def _play(seed: int) -> tuple[Scenario, Plant, list[Truth]]:
    rng = Random(seed)
    nominal_v = rng.choice((12, 24))
    what = random_profile(
        rng, nominal_v=nominal_v, lamp_mix=rng.choice(("filament", "led", "mixed")), bonded=rng.random() < 0.7
    )
    scene = Scenario(what, seed=seed, supply_v=12.8 * nominal_v / 12)
    plant = build_plant(scene)
    seen = []
    for _ in range(4):
        switches = positions(6, _any_positions(rng, 6), rng.choice(list(Return)), reference=rng.random() < 0.3)
        seen.append(hold(plant, switches, rng.choice((0.0, 0.002, 0.05))))
    return scene, plant, seen


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_what_goes_in_comes_out(seed: int) -> None:
    """Kirchhoff at the board's two sides, whatever the harness and the switches."""
    _, _, readings = _play(seed)

    for seen in readings:
        pulled_a = sum(volts / PULL_DOWN_OHM for volts in seen.pin_v)
        assert seen.supply_a == pytest.approx(sum(seen.pin_a) + seen.reference_a, abs=1e-6)
        assert sum(seen.pin_a) == pytest.approx(seen.return_pin_a + seen.return_chassis_a + pulled_a, abs=1e-6)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_the_same_seed_gives_the_same_readings(seed: int) -> None:
    assert _play(seed)[2] == _play(seed)[2]


def test_another_seed_draws_another_harness_within_its_tolerances() -> None:
    what = random_profile(Random(5))
    as_drawn = build_harness(Scenario(what, spread=0.0))
    built = [build_harness(Scenario(what, seed=seed)) for seed in range(200)]

    ratios = [link.ohm / drawn.ohm for one in built for link, drawn in zip(one.links, as_drawn.links, strict=True)]
    wires = [ratio for one in built for ratio in [one.links[0].ohm / as_drawn.links[0].ohm]]
    assert built[0] != built[1]
    assert build_harness(Scenario(what, seed=7)) == built[7]
    assert 0.4 < min(ratios) < 0.7
    assert 1.4 < max(ratios) < 2.2  # joints: 40 % two sigma, cut at three
    assert sum(0.91 < ratio < 1.09 for ratio in wires) > 170  # length 6 % and temperature 15 K, two sigma


def test_adding_a_fault_does_not_redraw_the_harness() -> None:
    later = InjectedFault("open", "feed", at_s=10.0)
    readings = [
        hold(build_plant(scenario(one_lamp(), *faults, spread=1.0)), positions(2, {1: drive()}), 1.0)
        for faults in ((), (later,))
    ]

    assert readings[0] == readings[1]
