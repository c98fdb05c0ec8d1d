"""What counts as a short before power."""

from dataclasses import replace

import pytest

from bench.contract.readings import ChannelReading, Snapshot
from bench.contract.table import ChannelState, Return
from bench.safety.setup import Setup
from bench.safety.shorts import shows_short
from tests.bench.safety.fake_board import IDENTITY, small_profile
from tests.bench.safety.test_permit import CALM

SETUP = Setup.of(small_profile())
STOP, TAIL, TURN = 1, 2, 3
COLD_27W_OHM = 12.8**2 / 27.0 / 13.0  # common practice: cold is a thirteenth of hot


def shot(channel: int, ohm: float, through_ohm: float, *, others: dict[int, float] | None = None) -> Snapshot:
    """All pins while ``channel`` is fed: the divider of the known resistor and ``ohm``."""
    fed_v = CALM.supply_v * ohm / (ohm + through_ohm)
    volts = {channel: fed_v, **{other: share * fed_v for other, share in (others or {}).items()}}
    rows = tuple(ChannelReading(ChannelState.PULSE, volts.get(n, 0.0), 0.0, 0, 0) for n in range(1, 9))
    return replace(CALM, channels=rows)


@pytest.mark.parametrize(
    ("ohm", "short"),
    [(0.02, True), (0.08, True), (COLD_27W_OHM / 2, False), (COLD_27W_OHM / 2 + 0.2, False), (50.0, False)],
)
def test_a_pulse_tells_a_short_from_two_cold_filaments(ohm, short):
    assert shows_short(SETUP, IDENTITY, shot(STOP, ohm, 10.0), STOP, 10.0) is short


def test_half_a_cold_filament_is_no_short_while_another_pin_comes_up_with_it():
    both = 1 / (2 / COLD_27W_OHM + 1 / COLD_27W_OHM)  # turn bridged to stop: three filaments at once

    alone = shows_short(SETUP, IDENTITY, shot(TURN, both, 10.0), TURN, 10.0)
    bridged = shows_short(SETUP, IDENTITY, shot(TURN, both, 10.0, others={STOP: 0.95}), TURN, 10.0)

    assert alone is True
    assert bridged is False


def test_a_probe_cannot_tell_a_short_from_a_filament_but_finds_one_on_led_lamps():
    assert shows_short(SETUP, IDENTITY, shot(STOP, 0.01, 1000.0), STOP, 1000.0) is None
    assert shows_short(SETUP, IDENTITY, shot(TAIL, 0.01, 1000.0), TAIL, 1000.0) is True
    assert shows_short(SETUP, IDENTITY, shot(TAIL, 1500.0, 1000.0), TAIL, 1000.0) is False


def test_a_shot_with_open_returns_says_nothing_and_a_live_pin_is_no_short():
    opened = replace(shot(STOP, 0.02, 10.0), returns=Return.NONE)
    live = replace(shot(STOP, 0.02, 10.0), supply_v=0.01)

    assert shows_short(SETUP, IDENTITY, opened, STOP, 10.0) is None
    assert shows_short(SETUP, IDENTITY, live, STOP, 10.0) is False
