"""How fast the board lives, and how often it is fed."""

from dataclasses import replace

import pytest

from bench.errors import LinkError
from bench.safety.keeper import HURRY, Pace
from bench.safety.way_in import watchdog_for
from tests.bench.safety.test_permit import CALM


def at(uptime_s: float):
    return replace(CALM, uptime_us=round(uptime_s * 1e6))


def test_until_two_looks_tell_the_pace_it_is_taken_to_be_high():
    pace = Pace()
    pace.note(0.0, at(5.0))
    pace.note(0.02, at(5.02))

    assert pace.per_second == HURRY


@pytest.mark.parametrize("speed", [1.0, 5.0, 20.0])
def test_the_pace_is_the_ratio_of_the_clocks(speed):
    pace = Pace()
    pace.note(0.0, at(5.0))
    pace.note(2.0, at(5.0 + 2.0 * speed))

    assert pace.per_second == pytest.approx(speed)
    assert pace.loop_s(0.5) == pytest.approx(0.5 / speed)


def test_a_board_that_lives_slower_is_fed_as_if_it_did_not():
    pace = Pace()
    pace.note(0.0, at(5.0))
    pace.note(2.0, at(5.5))

    assert pace.per_second == 1.0


def test_a_restarted_clock_begins_anew():
    pace = Pace()
    pace.note(0.0, at(500.0))
    pace.note(1.0, at(0.1))
    pace.note(3.0, at(2.1))

    assert pace.per_second == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("exchange_s", "speed", "watchdog_s"),
    [(0.002, 1.0, 0.5), (0.02, 1.0, 0.5), (0.1, 1.0, 1.0), (0.2, 1.0, 2.0), (0.002, 5.0, 1.5), (0.002, 50.0, 2.0)],
)
def test_the_watchdog_is_as_short_as_the_link_allows(exchange_s, speed, watchdog_s):
    assert watchdog_for(exchange_s, speed) == pytest.approx(watchdog_s)


def test_a_link_too_slow_for_the_longest_watchdog_is_refused():
    with pytest.raises(LinkError, match="higher baud rate"):
        watchdog_for(0.21, 1.0)
