from dataclasses import replace
from random import Random

import numpy as np
import pytest

from bench.electrical.harness import build
from bench.electrical.network import predict
from bench.profiles import load_profile
from bench.profiles.model import (
    CHASSIS,
    COPPER_OHM_MM2_PER_M,
    BoardErrors,
    Circuit,
    Connector,
    Filament,
    Joint,
    Load,
    LoadType,
    Measurements,
    Pin,
    Profile,
    Reading,
    Resistor,
    Segment,
)
from tools.random_harness import random_profile


def one_lamp(load: LoadType, feed: Segment, back: Segment) -> Profile:
    pins = (Pin(1, "ground", True, "", "", 0, 0, ""), Pin(2, "lamp", False, "", "", 0, 0, ""))
    return Profile(
        name="one",
        title="one",
        kind="harness",
        connector=Connector("two", "two", "none", 12, pins, "invented"),
        nominal_v=12,
        circuits=(Circuit("lamp", "lamp", 2),),
        segments=(feed, back),
        joints=(Joint("bond", back.a, CHASSIS, 0.01, ground=True),),
        loads=(Load("it", "it", load, feed.b, back.a, "lamp"),),
        limits={},
        channel_of_pin={2: 1},
    )


def drive(profile: Profile, returns: str = "pin") -> Measurements:
    reading = Reading("drive", returns, (2,), {2: 12.6})  # type: ignore[arg-type]
    return Measurements(profile, 20.0, 12.6, BoardErrors(), (reading,))


@pytest.mark.parametrize(
    ("awg", "ohm_per_km"),
    # ASTM B258: d = 0.127 mm x 92**((36 - n)/39), 100 % IACS copper at 20 degC.
    [(18, 20.95), (16, 13.17), (14, 8.285), (12, 5.211), (10, 3.277), (8, 2.061)],
)
def test_wire_resistance_is_that_of_the_standard_gauges(awg: int, ohm_per_km: float) -> None:
    diameter_mm = 0.127 * 92 ** ((36 - awg) / 39)
    wire = Segment("w", "a", "b", 1000.0, np.pi * diameter_mm**2 / 4)

    assert wire.resistance_ohm == pytest.approx(ohm_per_km, rel=1e-3)


def test_ten_amperes_over_fifteen_metres_drop_0_80_volt() -> None:
    # 15 m of 10 AWG feed and 8 AWG return: 15 x (3.277 + 2.061) mohm x 10 A = 0.80 V (handbook wire table).
    feed, back = Segment("f", "pin.2", "lamp", 15.0, 5.261), Segment("g", "ground", "pin.1", 15.0, 8.366)
    load = Resistor(1.26 - 15 * (3.277 + 2.061) / 1000 - 0.005)
    solution = predict(drive(one_lamp(load, feed, back)))

    assert solution.pin_a.sum() == pytest.approx(10.0, rel=1e-3)
    assert 12.6 - solution.load_a[0, 0] * load.resistance_ohm - 0.05 == pytest.approx(0.80, abs=0.002)


def test_a_filament_behind_a_resistance_settles_where_both_laws_meet() -> None:
    ohm = 1.0
    feed = Segment("f", "pin.2", "lamp", ohm * 2.0 / COPPER_OHM_MM2_PER_M, 2.0)
    back = Segment("g", "ground", "pin.1", 0.001, 50.0)
    amps = float(predict(drive(one_lamp(Filament(12.8, 26.88), feed, back))).pin_a.sum())
    # By hand: I = 2.1 (V/12.8)**0.55 with V = 12.6 - I (1 + return).
    lamp_v = 12.6 - amps * (ohm + 0.005)

    assert amps == pytest.approx(2.1 * (lamp_v / 12.8) ** 0.55, rel=1e-3)


def test_currents_out_of_the_board_come_back_to_it() -> None:
    profile = random_profile(Random(5))
    readings = tuple(
        Reading("drive", returns, (pin,), {pin: 12.6})  # type: ignore[arg-type]
        for returns in ("pin", "chassis", "both")
        for pin in profile.connector.live_pins
    )
    solution = predict(Measurements(profile, 20.0, 12.6, BoardErrors(), readings))

    back = solution.pin_return_a + solution.chassis_return_a
    np.testing.assert_allclose(back, solution.pin_a.sum(axis=1), atol=0.001)


def test_series_elements_become_one_span_and_keep_their_resistance() -> None:
    profile = random_profile(Random(5))
    harness = build(profile)
    elements = (*profile.segments, *profile.joints)

    assert len(harness.spans) < len(elements)
    assert sorted(e.name for span in harness.spans for e in span.elements) == sorted(e.name for e in elements)
    assert sum(harness.span_ohm) == pytest.approx(sum(e.resistance_ohm for e in elements))


def test_an_undriven_pin_shows_the_ground_of_its_own_lamp() -> None:
    profile = random_profile(Random(8), lamp_mix="filament")
    harness = build(profile)
    solution = predict(Measurements(profile, 20.0, 12.6, BoardErrors(), (Reading("drive", "pin", (4,), {4: 12.6}),)))
    volts = dict(zip(harness.nodes, solution.node_v[0], strict=True))

    assert volts["pin.6"] == pytest.approx(volts["rear-left.ground"], abs=0.02)
    assert volts["pin.6"] > 0.05


def test_nodes_without_any_path_do_not_float_away() -> None:
    profile = random_profile(Random(8))
    bare = replace(profile, joints=tuple(joint for joint in profile.joints if not joint.ground))
    solution = predict(drive(bare, "none"))

    assert np.all(np.isfinite(solution.node_v))
    assert solution.node_v.max() <= 12.61


def test_the_board_joins_ground_pins_even_with_its_return_open() -> None:
    profile = load_profile("light-13pin")
    grounds = [list(build(profile).pins).index(pin) for pin in profile.connector.ground_pins]
    readings = tuple(Reading("drive", returns, (1,), {1: 12.6}) for returns in ("none", "pin"))  # type: ignore[arg-type]
    open_return, closed = predict(Measurements(profile, 20.0, 12.6, BoardErrors(), readings)).pin_v[:, grounds]

    np.testing.assert_allclose(open_return, open_return[0], atol=0.001)
    np.testing.assert_allclose(closed, 0.0, atol=0.05)


def test_a_harness_without_ground_pins_returns_by_the_clamp_alone() -> None:
    profile = one_lamp(
        Resistor(6.0), Segment("feed", "pin.2", "lamp", 1.0, 2.0), Segment("back", "rear", "pin.1", 1.0, 2.0)
    )
    pins = tuple(replace(pin, ground=False) for pin in profile.connector.pins)
    solution = predict(drive(replace(profile, connector=replace(profile.connector, pins=pins)), "both"))

    assert solution.pin_return_a[0] == 0
    assert solution.chassis_return_a[0] == pytest.approx(12.6 / 6.0, rel=0.02)
