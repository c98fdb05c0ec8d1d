"""A small slice of what the tool measures at length."""

from bench.wall_time import run_wall
from tools.stamp_figures import stamp_errors_s


def test_stamps_read_over_modbus_rtu_at_115200_baud_are_true_to_two_milliseconds() -> None:
    errors_s = run_wall(stamp_errors_s(8, seed=2))

    assert len(errors_s) == 8
    assert max(errors_s) <= 0.002
