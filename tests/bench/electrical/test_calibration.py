from dataclasses import replace
from math import hypot

import pytest

from bench.electrical import calibrated
from bench.electrical.calibration import corrected
from bench.profiles import load_profile
from bench.profiles.model import BoardErrors, Inrush, Measurements, Reading

STATED = BoardErrors(current_gain_error=0.02)


def held_against(resistor_ohm: float, gain: float, offset_a: float = 0.0) -> BoardErrors:
    reading_a = 12.6 / resistor_ohm * gain + offset_a
    return calibrated(STATED, reference_ohm=resistor_ohm, supply_v=12.6, reference_a=reading_a, offset_a=offset_a)


@pytest.mark.parametrize("gain", [0.95, 0.99, 1.0001, 1.03])
def test_the_gain_is_what_the_reference_reads_over_ohms_law(gain: float) -> None:
    measured = held_against(10.0, gain, offset_a=0.012)

    assert measured.current_gain == pytest.approx(gain, abs=1e-9)
    assert measured.current_gain_error < STATED.current_gain_error


def test_what_is_left_is_the_supply_reading_the_resistor_and_each_inputs_own_share() -> None:
    """Uncertainties of independent factors add as squares (JCGM 100:2008, 5.1.2)."""
    board = replace(STATED, current_noise_a=0.0, voltage_offset_v=0.0)
    measured = calibrated(board, reference_ohm=10.0, supply_v=12.6, reference_a=1.27, offset_a=0.0)

    assert measured.current_gain_error == pytest.approx(hypot(0.001, 0.003, 0.44 * 0.02))


@pytest.mark.parametrize("gain", [0.5, 1.2])
def test_a_gain_beyond_belief_is_not_believed(gain: float) -> None:
    assert held_against(10.0, gain) == STATED


def test_without_a_supply_nothing_is_learned() -> None:
    assert calibrated(STATED, reference_ohm=10.0, supply_v=0.0, reference_a=0.0, offset_a=0.0) == STATED


def test_corrected_readings_are_those_of_a_true_gain_and_voltages_stay() -> None:
    reading = Reading(
        "drive", "both", (4,), {4: 12.5}, {4: 4.08}, {"pin": 2.04}, inrush=Inrush(0.001, (10.2,), (12.5,))
    )
    board = replace(STATED, current_gain=1.02)
    measurements = Measurements(load_profile("tandem-53ft-filament"), 20.0, 12.6, board, (reading,))

    true = corrected(measurements)

    (read,) = true.readings
    assert read.pin_a[4] == pytest.approx(4.0)
    assert read.return_a["pin"] == pytest.approx(2.0)
    assert read.inrush is not None
    assert read.inrush.a[0] == pytest.approx(10.0)
    assert read.pin_v == reading.pin_v
    assert true.board.current_gain == 1.0
    assert corrected(true) is true
