"""The channel's life: soft-start, limit, trips, retries, budgets."""

from math import sqrt

import pytest

from bench.contract.table import (
    ChannelState,
    CommandCode,
    EventKind,
    Refusal,
    Return,
    TripReason,
)
from firmware_sim.firmware.states import ALLOWED, TRANSITIONS
from firmware_sim.port import FeedMode
from tests.firmware_sim.fake_plant import FakePlant, Lamp
from tests.firmware_sim.host import CHANNEL_18AWG, armed_host

LAMP = Lamp(cold_ohm=0.23, hot_ohm=3.0, rise_s=0.05)  # about a 54 W bank: 13 times its cold resistance
SHORT_OHM = 0.05
OVERLOAD_OHM = 0.7  # ohmic, but above the short threshold


def settings(**changes: int) -> tuple[int, ...]:
    names = (
        "start_limit", "start_time", "limit", "limit_time", "energy", "retry_pause", "retries", "rms_limit",
        "wiggle_limit", "wiggle_time", "wiggle_period",
    )  # fmt: skip
    values = dict(zip(names, CHANNEL_18AWG, strict=True)) | changes
    assert len(values) == len(names)
    return tuple(values.values())


def test_soft_start_is_a_first_plateau_of_the_set_limit_and_time():
    plant = FakePlant(ohm={1: LAMP})
    host = armed_host(plant)

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.3)

    driven = [(t, s.feeds[0]) for t, s in plant.switched if s.feeds[0].mode is FeedMode.DRIVE]
    assert [(round(t, 3), feed.limit_a) for t, feed in driven] == [(0.0, 6.0), (0.005, 15.0)]
    assert host.snapshot().channel(1).state is ChannelState.ON


def test_a_cold_lamp_leaves_the_limit_by_itself_and_does_not_trip():
    host = armed_host(FakePlant(ohm={1: LAMP}))

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.3)

    states = [value for kind, index, value in host.all_events() if kind == EventKind.CHANNEL_STATE and index == 1]
    assert states == [ChannelState.RAMP, ChannelState.LIMIT, ChannelState.ON]
    assert host.snapshot().channel(1).trips == 0


@pytest.mark.parametrize(
    ("ohm", "reason", "tripped_s"),
    [
        (SHORT_OHM, TripReason.SHORT, 0.018),
        (OVERLOAD_OHM, TripReason.LIMIT_TIME, 0.25),
        # A lamp bank that grows, but is too much for the limit, is an overload and no short.
        (Lamp(cold_ohm=0.06, hot_ohm=0.6, rise_s=0.3), TripReason.LIMIT_TIME, 0.25),
    ],
)
def test_short_and_overload_are_told_apart_by_growth_and_resistance(ohm, reason, tripped_s):
    plant = FakePlant(ohm={1: ohm})
    host = armed_host(plant)

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.3)

    trips = [(event.uptime_us, event.value) for event in host.events().events if event.kind == EventKind.TRIP]
    assert trips == [(round(tripped_s * 1e6), reason)]
    assert plant.switches.feeds[0].mode is FeedMode.OFF
    assert host.snapshot().channel(1).state is ChannelState.TRIPPED


def test_a_short_that_comes_while_the_lamp_is_lit_is_found_as_fast():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.set_load_at(0.1004, 1, SHORT_OHM)

    host.wait(0.2)

    (trip,) = [event for event in host.events().events if event.kind == EventKind.TRIP]
    assert (trip.uptime_us, trip.value) == (118_000, TripReason.SHORT)


@pytest.mark.parametrize(("energy", "limit_ms", "expected_a2s"), [(2000, 1000, 20.0), (60_000, 1000, 60.0)])
def test_energy_budget_ends_a_try_and_is_never_more_than_60_a2s(energy, limit_ms, expected_a2s):
    host = armed_host(FakePlant(ohm={1: OVERLOAD_OHM}))
    host.set_channel(1, *settings(energy=energy, limit_time=limit_ms, rms_limit=20_000))

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.45)

    (trip,) = [event for event in host.events().events if event.kind == EventKind.TRIP]
    expected_s = 0.005 + (expected_a2s - 6.0**2 * 0.005) / 15.0**2
    assert trip.value == TripReason.ENERGY
    assert trip.uptime_us * 1e-6 == pytest.approx(expected_s, abs=0.0015)


def test_retries_pause_between_tries_and_latch_when_used_up():
    plant = FakePlant(ohm={1: SHORT_OHM})
    host = armed_host(plant)
    host.set_channel(1, *settings(retries=2, retry_pause=500))

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(2.0, kicking=True)

    begins = [round(t, 3) for t, s in plant.switched if s.feeds[0].mode is FeedMode.DRIVE and s.feeds[0].limit_a == 6.0]
    assert begins == [0.0, 0.518, 1.036]
    reasons = [value for kind, _, value in host.all_events() if kind == EventKind.TRIP]
    assert reasons == [TripReason.SHORT] * 3 + [TripReason.TRIES]
    assert host.snapshot().channel(1).trips == 3
    assert host.snapshot().channel(1).state is ChannelState.TRIPPED


def test_a_short_that_goes_away_lets_a_retry_succeed():
    plant = FakePlant(ohm={1: SHORT_OHM})
    host = armed_host(plant)
    host.set_channel(1, *settings(retries=3, retry_pause=500))
    plant.set_load_at(0.3, 1, 3.2)

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(1.0, kicking=True)

    assert host.snapshot().channel(1).state is ChannelState.ON
    assert host.snapshot().channel(1).current_a == 4.0


def test_no_more_than_three_full_tries_a_minute():
    plant = FakePlant(ohm={1: OVERLOAD_OHM})
    host = armed_host(plant)
    host.set_channel(1, *settings(retries=4, retry_pause=1000, rms_limit=20_000))

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(61.0, kicking=True)

    begins = [round(t, 2) for t, s in plant.switched if s.feeds[0].mode is FeedMode.DRIVE and s.feeds[0].limit_a == 6.0]
    assert begins == [0.0, 1.25, 2.5, 60.25]


def test_after_three_full_tries_a_command_is_refused_until_the_first_is_a_minute_old():
    host = armed_host(FakePlant(ohm={1: OVERLOAD_OHM}))
    for _ in range(3):
        assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE
        host.wait(0.3)
        host.command(CommandCode.OFF, 1)
        host.command(CommandCode.KICK)

    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.BUDGET_USED
    assert host.command(CommandCode.DRIVE, 2, 1000) is Refusal.NONE
    host.wait(60.0, kicking=True)
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE


@pytest.mark.parametrize(("load_ohm", "rms_ma"), [(1.28, 6000), (1.6, 4000)])
def test_rolling_minute_rms_trips_exactly_when_it_reaches_the_limit(load_ohm, rms_ma):
    plant = FakePlant(ohm={1: load_ohm})
    host = armed_host(plant)
    host.set_channel(1, *settings(rms_limit=rms_ma))
    current_a = 12.8 / load_ohm

    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(45.0, kicking=True)

    # The first plateau holds 6 A for 5 ms; after it the current is constant: I^2 t = I_rms^2 60 s.
    expected_s = (60 * (rms_ma / 1000) ** 2 - 36 * 0.005) / current_a**2 + 0.005
    (trip,) = [event for event in host.events(acknowledge=False).events if event.kind == EventKind.TRIP]
    assert trip.value == TripReason.RMS
    assert trip.uptime_us * 1e-6 == pytest.approx(expected_s, abs=0.0021)
    assert host.snapshot().channel(1).state is ChannelState.TRIPPED


def test_a_wire_that_tripped_by_rms_must_cool_before_it_is_driven_again():
    host = armed_host(FakePlant(ohm={1: 1.28}))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(30.0, kicking=True)
    host.command(CommandCode.OFF, 1)

    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.BUDGET_USED
    host.wait(60.0, kicking=True)
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE


def test_current_below_the_rms_limit_is_carried_for_ever():
    host = armed_host(FakePlant(ohm={1: 12.8 / 5.9}))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(180.0, kicking=True)

    assert host.snapshot().channel(1).state is ChannelState.ON


def test_drive_level_scales_the_voltage_and_can_be_changed_while_on():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 600)
    host.wait(0.1)
    assert host.snapshot().channel(1).current_a == pytest.approx(2.4)

    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE
    host.wait(0.1)

    assert host.snapshot().channel(1).current_a == 4.0
    assert all(feed.limit_a == 15.0 for _, s in plant.switched[-1:] for feed in s.feeds[:1])


def test_probe_without_a_time_stays_until_off():
    plant = FakePlant(ohm={1: 1000.0})
    host = armed_host(plant)

    host.command(CommandCode.PROBE, 1, 0)
    host.wait(5.0, kicking=True)

    reading = host.snapshot().channel(1)
    assert reading.state is ChannelState.PROBE
    assert reading.voltage_v == pytest.approx(12.8 * 990.099 / 1990.099, abs=0.001)
    host.command(CommandCode.OFF, 1)
    assert plant.switches.feeds[0].mode is FeedMode.OFF


@pytest.mark.parametrize("command", [CommandCode.PROBE, CommandCode.PULSE])
def test_a_timed_shot_is_latched_over_its_last_two_milliseconds_and_then_opens(command):
    plant = FakePlant(ohm={2: 100.0, 3: 50.0})
    host = armed_host(plant)
    before = host.snapshot().shot_sequence
    plant.set_load_at(0.0025, 2, 20.0)  # in force at the ticks 3, 4 and 5 ms

    assert host.command(command, 2, 5) is Refusal.NONE
    host.wait(0.004)
    assert host.snapshot().shot_sequence == before
    host.wait(0.001)

    shot, now = host.shot(), host.snapshot()
    series = 1000.0 if command is CommandCode.PROBE else 10.0
    load = 1 / (1 / 20 + 1e-5)
    assert now.shot_sequence == shot.sequence == before + 1
    assert shot.uptime_us == 5000
    assert shot.channel(2).state.name == command.name
    assert shot.channel(2).voltage_v == pytest.approx(12.8 * load / (series + load), abs=0.001)
    assert now.channel(2).state is ChannelState.OFF
    assert plant.switches.feeds[1].mode is FeedMode.OFF


def test_one_probe_or_pulse_at_a_time():
    host = armed_host(FakePlant(ohm={1: 10.0, 2: 10.0}))
    host.command(CommandCode.PROBE, 1, 0)

    assert host.command(CommandCode.PROBE, 2, 5) is Refusal.BUSY
    assert host.command(CommandCode.PULSE, 2, 5) is Refusal.BUSY
    assert host.command(CommandCode.WIGGLE, 2) is Refusal.BUSY
    assert host.command(CommandCode.DRIVE, 2, 1000) is Refusal.NONE
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.BUSY


def test_wiggle_pulses_a_short_with_the_energy_the_contract_says_and_probes_between():
    plant = FakePlant(ohm={1: SHORT_OHM})
    host = armed_host(plant)

    host.command(CommandCode.WIGGLE, 1)
    host.wait(2.0, kicking=True)

    feeds = [(round(t, 3), s.feeds[0]) for t, s in plant.switched if t > 0]
    pulses = [t for t, feed in feeds if feed.mode is FeedMode.DRIVE]
    assert pulses[:3] == [0.1, 0.2, 0.3]
    assert all(feed.limit_a == 5.0 for _, feed in feeds if feed.mode is FeedMode.DRIVE)
    assert [t for t, feed in feeds if feed.mode is FeedMode.PROBE][:2] == [0.105, 0.205]
    # Board contract: 5 A for 5 ms every 100 ms is 1.12 A rms and 0.125 A2s a pulse.
    assert pytest.approx(0.125) == 5.0**2 * 0.005
    assert sqrt(5.0**2 * 0.005 / 0.1) == pytest.approx(1.12, abs=0.005)


def test_wiggle_says_when_the_short_goes_and_when_it_comes_back():
    plant = FakePlant(ohm={1: SHORT_OHM})
    host = armed_host(plant)
    plant.set_load_at(1.0503, 1, LAMP)
    plant.set_load_at(2.0503, 1, SHORT_OHM)

    host.command(CommandCode.WIGGLE, 1)
    host.wait(3.0, kicking=True)

    told = [e for e in host.events().events if e.kind in (EventKind.MADE, EventKind.SHORT_CLEARED)]
    assert [(e.uptime_us // 1000, e.kind) for e in told] == [
        (105, EventKind.MADE),
        (1105, EventKind.SHORT_CLEARED),
        (2105, EventKind.MADE),
    ]
    assert host.snapshot().channel(1).changes == 3


def test_wiggle_hears_an_opened_wire_between_the_pulses():
    plant = FakePlant(ohm={1: SHORT_OHM})
    host = armed_host(plant)
    plant.set_load_at(1.0503, 1, 1e9)

    host.command(CommandCode.WIGGLE, 1)
    host.wait(1.09, kicking=True)

    cleared = [e.uptime_us for e in host.events().events if e.kind == EventKind.SHORT_CLEARED]
    assert cleared == [1_051_000]


def test_wiggle_may_go_on_without_end_in_a_dead_short():
    host = armed_host(FakePlant(ohm={1: SHORT_OHM}))
    host.command(CommandCode.WIGGLE, 1)
    host.wait(90.0, kicking=True)

    assert host.snapshot().channel(1).state in (ChannelState.PROBE, ChannelState.RAMP)
    assert host.snapshot().channel(1).trips == 0


def test_off_clears_a_trip_and_only_off_does():
    host = armed_host(FakePlant(ohm={1: SHORT_OHM}))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)

    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.CHANNEL_TRIPPED
    host.command(CommandCode.SAFE)
    assert host.snapshot().channel(1).state is ChannelState.TRIPPED
    host.command(CommandCode.OFF, 1)
    assert (host.snapshot().channel(1).state, host.snapshot().channel(1).trips) == (ChannelState.HELD_OFF, 0)


def test_a_trip_on_one_channel_leaves_the_others_on():
    host = armed_host(FakePlant(ohm={1: SHORT_OHM, 2: 3.2}))
    host.command(CommandCode.DRIVE, 2, 1000)
    host.wait(0.1)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)

    assert host.snapshot().channel(1).state is ChannelState.TRIPPED
    assert host.snapshot().channel(2).state is ChannelState.ON
    assert host.snapshot().returns is Return.BOTH


def test_every_allowed_transition_is_listed_once():
    assert len(ALLOWED) == len(TRANSITIONS)
    assert {row.before for row in TRANSITIONS} == {row.after for row in TRANSITIONS} == set(ChannelState)
