import numpy as np
import pytest

from bench.electrical.laws import LoadLaws, filament_heat_j_per_k, load_current
from bench.profiles.model import ControlUnit, Diode, Filament, Led, Load, LoadType, Resistor


def current_at(load: LoadType, volts: float, *, cold: bool = False) -> float:
    laws = LoadLaws.of([Load("it", "it", load, "a", "b", "c")])
    amps, _ = load_current(laws, np.array([[volts]]), np.ones(1), np.array([[cold]]), np.ones(1))
    return float(amps[0, 0])


@pytest.mark.parametrize(
    ("volts", "share"),
    # Lamp re-rating by Fink & Beaty, Standard Handbook for Electrical Engineers: I ~ (V/Vd)**0.55, Vd = 12.8 V.
    [(9.0, 0.824), (10.0, 0.873), (10.5, 0.897), (11.0, 0.920), (12.0, 0.965), (13.5, 1.030), (14.0, 1.051)],
)
def test_filament_current_follows_the_handbook_re_rating_table(volts: float, share: float) -> None:
    lamp = Filament(12.8, 26.88)

    assert current_at(lamp, volts) == pytest.approx(2.10 * share, rel=1e-3)


def test_a_cold_21_watt_filament_reads_between_0_4_and_0_6_ohm() -> None:
    # Common practice figure for a P21W read with an ohmmeter.
    assert 0.4 < 1 / (current_at(Filament(12.0, 21.0), 1.0, cold=True)) < 0.6


@pytest.mark.parametrize(
    "load",
    [
        Filament(12.8, 27.0),
        Led(7.8, 6.0, 0.33, 0.003),
        Resistor(10.0),
        Diode(),
    ],
)
def test_every_slope_is_the_derivative_of_its_current(load: LoadType) -> None:
    laws = LoadLaws.of([Load("it", "it", load, "a", "b", "c")])
    volts = np.linspace(0.3, 14.0, 60)[:, None]
    cold = np.zeros((60, 1), dtype=bool)

    _, slope = load_current(laws, volts, np.ones(1), cold, np.ones(1))
    above, _ = load_current(laws, volts + 1e-5, np.ones(1), cold, np.ones(1))
    below, _ = load_current(laws, volts - 1e-5, np.ones(1), cold, np.ones(1))

    np.testing.assert_allclose(slope, (above - below) / 2e-5, rtol=2e-3, atol=1e-7)


def test_an_led_lamp_is_dark_below_its_threshold_and_regulated_well_above() -> None:
    lamp = Led(7.8, 6.0, 0.33)

    assert current_at(lamp, 6.0) < 0.001
    assert current_at(lamp, 12.6) == pytest.approx(0.33, rel=0.01)
    assert abs(current_at(lamp, -12.0)) < 1e-6


def test_a_control_unit_takes_its_power_above_lock_out_and_almost_nothing_below() -> None:
    unit = ControlUnit(3.6, 8.0)

    assert current_at(unit, 12.0) == pytest.approx(0.3, rel=0.01)
    assert current_at(unit, 7.0) < 0.001


def test_a_heavier_filament_takes_more_heat_per_watt() -> None:
    small, large = filament_heat_j_per_k(Filament(13.5, 3.8)), filament_heat_j_per_k(Filament(12.8, 27.0))

    assert large / small > 27.0 / 3.8
