from collections.abc import Sequence

import numpy as np
import pytest

from bench.contract.table import Return
from bench.electrical.inrush import settled_current
from bench.electrical.laws import FloatArray, filament_heat_j_per_k
from bench.profiles import load_scenario
from bench.profiles.model import Filament
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode, Switches

WIRE_OHM = 0.08
SUPPLY_V = 12.6


def switch_on(
    lamps: Sequence[Filament], seconds: float, led_a: float = 0.0, limit_a: float = 15.0
) -> tuple[FloatArray, FloatArray, float]:
    """Heat balance of some filaments behind a wire at 5 kS/s: current, voltage, and the current in the end.

    Radiated (T**4.13) and a little conducted heat; stepped at 10 us.
    """
    rated_w = np.array([lamp.rated_w for lamp in lamps])
    hot_ohm = np.array([lamp.rated_v**2 / lamp.rated_w for lamp in lamps])
    hot_k = 2200 + 130 * np.log(rated_w)
    heat = np.array([filament_heat_j_per_k(lamp) for lamp in lamps])
    conducted, radiated = 0.03 * rated_w / (hot_k - 293), 0.97 * rated_w / (hot_k**4.13 - 293**4.13)
    kelvin, amps, volts = np.full(len(lamps), 293.0), [], []
    for step in range(80_000):
        siemens = (hot_k / kelvin) ** 1.2 / hot_ohm
        total = min(SUPPLY_V / (WIRE_OHM + 1 / siemens.sum()), limit_a - led_a)
        lamp_v = total / siemens.sum()
        if step % 20 == 0:
            amps.append(total + led_a)
            volts.append(total * WIRE_OHM + lamp_v)
        loss = radiated * (kelvin**4.13 - 293**4.13) + conducted * (kelvin - 293)
        kelvin = kelvin + 1e-5 * (lamp_v**2 * siemens - loss) / heat
    count = round(seconds / 2e-4)
    return np.array(amps[:count]), np.array(volts[:count]), amps[-1]


def settled_error(lamps: Sequence[Filament], led_a: float = 0.0) -> tuple[float, float, float]:
    rng = np.random.default_rng(4)
    amps, volts, steady_a = switch_on(lamps, 0.12, led_a)
    found_a, error_a = settled_current(
        2e-4, amps + rng.normal(0, 0.003, amps.size), volts + rng.normal(0, 0.002, volts.size)
    )
    return found_a / steady_a - 1, error_a / steady_a, amps[-1] / steady_a - 1


def test_a_heavy_pair_is_known_at_120_ms_although_the_raw_value_is_a_fifth_off() -> None:
    error, claimed, raw = settled_error([Filament(12.8, 27.0)] * 2)

    assert raw > 0.2
    assert abs(error) < 0.02
    assert abs(error) < 3 * claimed


def test_small_lamps_are_known_to_a_few_tenths_of_a_percent() -> None:
    error, claimed, _ = settled_error([Filament(13.5, 3.8)] * 7)

    assert abs(error) < 0.003
    assert abs(error) < 3 * claimed


def test_an_led_lamp_beside_a_filament_does_not_spoil_the_fit() -> None:
    error, _, _ = settled_error([Filament(13.5, 3.8)] * 3, led_a=0.2)

    assert abs(error) < 0.02


def test_a_constant_current_is_its_own_mean() -> None:
    found_a, error_a = settled_current(2e-4, [0.33] * 200, [12.6] * 200)

    assert found_a == pytest.approx(0.33)
    assert error_a < 0.001


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(ValueError, match="12 or more"):
        settled_current(2e-4, [1.0] * 5, [12.0] * 5)


@pytest.mark.parametrize("circuit", ["markers", "left-turn", "stop", "tail"])
def test_a_soft_started_recording_tells_its_end_through_the_steps_of_the_limiter(circuit: str) -> None:
    """The end itself is read from the same harness five seconds later."""
    scenario = load_scenario("healthy-bulbs")
    channel = scenario.profile.channel_of_pin[scenario.profile.circuit(circuit).pin]
    plant = build_plant(scenario)

    def limited(amps: float) -> Switches:
        return Switches(tuple(Feed(FeedMode.DRIVE, amps) if n == channel else Feed() for n in range(1, 9)), Return.BOTH)

    plant.switch(limited(6.0))
    first_a, first_v = plant.advance(0.006, channel, 6)
    plant.switch(limited(15.0))
    then_a, then_v = plant.advance(0.150, channel, 144)
    plant.advance(5.0)

    found_a, error_a = settled_current(0.001, [*first_a, *then_a], [*first_v, *then_v])

    end_a = plant.truth().pin_a[channel - 1]
    assert then_a[-1] > 1.005 * end_a, "it has not ended when the recording does"
    assert found_a == pytest.approx(end_a, rel=0.012)
    assert error_a < 0.03 * end_a


def test_a_contact_that_comes_and_goes_is_not_fitted_with_negative_resistance() -> None:
    amps = np.concatenate([np.full(40, 0.1), np.linspace(2.0, 1.5, 40), np.full(40, 0.005)])
    steady_a, error_a = settled_current(1e-3, amps, np.full(len(amps), SUPPLY_V))

    assert np.isfinite([steady_a, error_a]).all()
