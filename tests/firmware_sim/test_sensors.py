"""The converters: errors of a real board, the same for the same seed."""

from statistics import mean, stdev

import pytest

from bench.profiles.model import SenseErrors
from firmware_sim.sensors import Sensors

PERFECT = SenseErrors(
    current_gain=0.0, current_offset_a=0.0, current_noise_a=0.0, voltage_gain=0.0, voltage_offset_v=0.0,
    voltage_noise_v=0.0,
)  # fmt: skip


def sensors(errors: SenseErrors = PERFECT, seed: int = 1) -> Sensors:
    return Sensors(errors, channels=8, seed=seed, nominal_v=12)


def test_perfect_converters_give_true_values_in_thousandths() -> None:
    perfect = sensors()

    assert perfect.voltage_mv(12.3456, 1) == 12_346
    assert perfect.current_ma(-1.2341, 8) == -1_234
    assert (perfect.supply_mv(13.8), perfect.supply_ma(4.5), perfect.reference_ma(1.28)) == (13_800, 4_500, 1_280)
    assert (perfect.return_pin_ma(-0.5), perfect.return_chassis_ma(2.633)) == (-500, 2_633)
    assert (perfect.chassis_sense_mv(0.0264), perfect.ground_pin_mv(0.1)) == (26, 100)


def test_given_errors_are_used_as_they_are() -> None:
    off = SenseErrors(
        current_gain=0.01, current_offset_a=0.02, current_noise_a=0, voltage_gain=-0.003, voltage_offset_v=0.005,
        voltage_noise_v=0,
    )  # fmt: skip

    assert sensors(off).current_ma(10.0, 1) == 10_120
    assert sensors(off).voltage_mv(10.0, 1) == 9_975


def test_drawn_errors_stay_within_what_the_contract_wants() -> None:
    """1.5 % and 10 mA, 0.3 % and 3 mV, two sigma over boards."""
    boards = [sensors(SenseErrors(), seed) for seed in range(400)]

    assert stdev(board.current_gain for board in boards) == pytest.approx(0.0075, rel=0.15)
    assert stdev(board.voltage_gain for board in boards) == pytest.approx(0.0015, rel=0.15)
    assert stdev(board.current_ma(0.0, 1, samples=1000) for board in boards) == pytest.approx(5.0, rel=0.15)
    assert stdev(board.voltage_mv(0.0, 1, samples=1000) for board in boards) == pytest.approx(1.5, rel=0.25)


def test_noise_falls_with_the_square_root_of_the_samples() -> None:
    noisy = sensors(SenseErrors(current_gain=0.0, current_offset_a=0.0))
    single = [noisy.current_ma(1.0, 1) for _ in range(4000)]
    averaged = [noisy.current_ma(1.0, 2, samples=4) for _ in range(4000)]

    assert stdev(single) == pytest.approx(3.0, rel=0.08)
    assert stdev(averaged) == pytest.approx(1.5, rel=0.1)  # with a little from the 1 mA step
    assert mean(single) == pytest.approx(1000, abs=0.3)


def test_gain_is_shared_and_offsets_are_each_inputs_own() -> None:
    quiet = sensors(SenseErrors(current_noise_a=0.0, voltage_noise_v=0.0))
    offsets = [quiet.current_ma(0.0, channel) for channel in range(1, 9)]
    slopes = [quiet.current_ma(20.0, channel) - offset for channel, offset in zip(range(1, 9), offsets, strict=True)]

    assert len(set(offsets)) > 3
    assert max(slopes) - min(slopes) <= 1


def test_readings_are_steps_of_the_converter() -> None:
    coarse = SenseErrors(
        current_gain=0, current_offset_a=0, current_noise_a=0, voltage_gain=0, voltage_offset_v=0, voltage_noise_v=0,
        voltage_step_v=0.008,
    )  # fmt: skip

    assert [sensors(coarse).voltage_mv(volts, 1) for volts in (0.003, 0.005, 0.011, 0.013)] == [0, 8, 8, 16]


def test_readings_are_clamped_to_a_register() -> None:
    perfect = sensors()

    assert (perfect.voltage_mv(40.0, 1), perfect.voltage_mv(-40.0, 1)) == (32_767, -32_768)
    assert (perfect.supply_mv(-1.0), perfect.supply_mv(40.0)) == (0, 40_000)


def test_a_stuck_input_repeats_its_last_reading_until_it_is_free() -> None:
    board = sensors()
    board.current_ma(1.0, 3)
    board.hold(frozenset({"current:3"}))
    stuck = (board.current_ma(5.0, 3), board.current_ma(5.0, 2), board.voltage_mv(5.0, 3))
    board.hold(frozenset())

    assert stuck == (1_000, 5_000, 5_000)
    assert board.current_ma(5.0, 3) == 5_000


def test_temperatures_are_tenths_of_a_degree_within_two_kelvin() -> None:
    boards = [sensors(seed=seed) for seed in range(100)]

    assert all(abs(board.ambient_decidegc(20.0) - 200) < 20 for board in boards)
    assert all(abs(board.board_decidegc(85.0) - 850) < 20 for board in boards)


def test_the_same_seed_gives_the_same_readings() -> None:
    def play(seed: int) -> list[int]:
        board = sensors(SenseErrors(), seed)
        return [board.voltage_mv(12.0, 1), board.current_ma(1.0, 2), board.supply_mv(12.8), board.ambient_decidegc(20)]

    assert play(4) == play(4)
    assert play(4) != play(5)


def test_reading_one_input_does_not_disturb_another() -> None:
    one, other = sensors(SenseErrors()), sensors(SenseErrors())
    for _ in range(10):
        one.voltage_mv(12.0, 1)

    assert one.current_ma(1.0, 2) == other.current_ma(1.0, 2)
