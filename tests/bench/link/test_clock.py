from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.contract.readings import Snapshot, read_snapshot
from bench.contract.table import SNAPSHOT
from bench.link.clock import LONGEST_BASELINE_S, STANDSTILL_S, BoardClock

BLANK = read_snapshot(SNAPSHOT.pack([0] * len(SNAPSHOT.header)), 0)


def at(board_s: float, boots: int = 1) -> Snapshot:
    return replace(BLANK, uptime_us=round(board_s * 1e6), boots=boots)


def begun(board_s: float = 100.0) -> BoardClock:
    clock = BoardClock()
    clock.begin(0.0, at(board_s))
    return clock


@given(st.floats(0.1, 1000), st.floats(0.01, 20), st.floats(0.001, 1000))
def test_a_pause_never_takes_longer_than_the_clock_was_watched(rate, watched_s, remaining_s):
    clock = begun()
    clock.note(watched_s, at(100 + watched_s * rate))

    pause_s = clock.pause_s(remaining_s)

    assert 0.001 <= pause_s <= max(0.001, watched_s)
    assert pause_s == pytest.approx(min(max(remaining_s / rate, 0.001), max(watched_s, 0.001)), rel=1e-2, abs=1e-3)


def test_the_rate_follows_a_simulator_that_slows_down():
    clock = begun()
    board_s = 100.0
    for second in range(1, int(3 * LONGEST_BASELINE_S)):
        board_s += 10 if second < LONGEST_BASELINE_S / 2 else 2
        clock.note(second, at(board_s))

    assert clock.pause_s(20) == pytest.approx(10, rel=0.1)


def test_a_clock_that_shows_one_time_stands_still_after_a_while():
    clock = begun()
    clock.note(1.0, at(101))
    clock.note(1.0 + STANDSTILL_S - 0.1, at(101))
    before = clock.stands_still
    clock.note(1.0 + STANDSTILL_S, at(101))

    assert (before, clock.stands_still) == (False, True)


@pytest.mark.parametrize("later", [at(1.0, boots=2), at(99.0), at(500.0, boots=0)])
def test_another_start_or_a_clock_that_runs_back_is_a_restart(later):
    clock = begun()
    clock.note(1.0, at(101))
    before = clock.restarted
    clock.note(2.0, later)

    assert (before, clock.restarted) == (False, True)


def test_beginning_anew_forgets_the_restart():
    clock = begun()
    clock.note(1.0, at(0.5, boots=2))
    clock.begin(1.0, at(0.5, boots=2))
    clock.note(2.0, at(1.5, boots=2))

    assert not clock.restarted
    assert clock.pause_s(0.5) == pytest.approx(0.5)
