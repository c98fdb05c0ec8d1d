"""Board time follows the clock, and a board that cannot keep up goes slower."""

import pytest

from firmware_sim.firmware import Board
from firmware_sim.servers.registers import LONGEST_LAG_S, PacedBoard
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant


class Clock:
    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.mark.parametrize("speed", [0.1, 1.0, 50.0])
def test_board_time_is_speed_times_the_clock_from_the_start_on(clock, speed):
    board = Board(FakePlant(), ExactSensors())
    board.advance_to(5.0)
    paced = PacedBoard(board, speed, clock)
    for _ in range(10):
        clock.now_s += 0.1
        paced.catch_up()

    assert board.time_s == pytest.approx(5.0 + speed, abs=0.0011)


def test_small_steps_lose_no_time(clock):
    board = Board(FakePlant(), ExactSensors())
    paced = PacedBoard(board, 1.0, clock)
    for _ in range(3000):
        clock.now_s += 0.0003
        paced.catch_up()

    assert board.time_s == pytest.approx(0.9, abs=0.0011)


def test_a_process_that_slept_does_not_chase_the_clock(clock):
    board = Board(FakePlant(), ExactSensors())
    paced = PacedBoard(board, 2.0, clock)
    clock.now_s += 3600.0
    paced.catch_up()

    assert board.time_s == pytest.approx(2.0 * LONGEST_LAG_S)
