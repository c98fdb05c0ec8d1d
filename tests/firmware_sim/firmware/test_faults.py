"""Everything off within one tick of every cause, and off it stays."""

from dataclasses import replace

import pytest

from bench.contract.table import (
    BOARD_HOT_DEGC,
    TICK_S,
    ChannelState,
    CommandCode,
    EventKind,
    Fault,
    Mode,
    Refusal,
    Return,
)
from firmware_sim.firmware import Board
from firmware_sim.port import FeedMode, Switches
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant
from tests.firmware_sim.host import Host, armed_host

CAUSE_S = 0.35037  # between two ticks


def is_off(switches: Switches) -> bool:
    feeding = any(feed.mode is not FeedMode.OFF for feed in switches.feeds)
    return not feeding and switches.returns is Return.NONE and not switches.reference


def first_off_after(plant: FakePlant, time_s: float) -> float:
    return next(t for t, switches in plant.switched if t >= time_s and is_off(switches))


def stop(plant: FakePlant) -> None:
    plant.set_conditions_at(CAUSE_S, emergency_stop=True)


def heat(plant: FakePlant) -> None:
    plant.set_conditions_at(CAUSE_S, board_c=BOARD_HOT_DEGC + 1)


def sag(plant: FakePlant) -> None:
    plant.set_supply_at(CAUSE_S, 8.9)


def surge(plant: FakePlant) -> None:
    plant.set_supply_at(CAUSE_S, 16.1)


def overload_return(plant: FakePlant) -> None:
    for channel in (1, 2, 3):
        plant.set_load_at(CAUSE_S, channel, 1.2)


def glitch(plant: FakePlant) -> None:
    plant.set_conditions_at(CAUSE_S, restarts=1)


CAUSES = [
    (stop, Fault.EMERGENCY_STOP),
    (heat, Fault.BOARD_HOT),
    (sag, Fault.SUPPLY_LOW),
    (surge, Fault.SUPPLY_HIGH),
    (overload_return, Fault.RETURN_OVERLOAD),
    (glitch, Fault.RESTARTED),
]


@pytest.mark.parametrize(("cause", "fault"), CAUSES, ids=lambda value: getattr(value, "__name__", ""))
def test_everything_is_off_within_a_tick_of_the_cause(cause, fault):
    plant = FakePlant(ohm={1: 3.2, 2: 3.2, 3: 3.2})
    host = armed_host(plant)
    cause(plant)
    host.command(CommandCode.RETURNS, Return.PIN)
    for channel in (1, 2, 3):
        host.command(CommandCode.DRIVE, channel, 1000)
    host.command(CommandCode.PROBE, 4, 0)
    host.command(CommandCode.REFERENCE, 1)

    host.wait(0.5, kicking=True) if fault is not Fault.RESTARTED else host.wait(0.4)

    assert not is_off([switches for t, switches in plant.switched if t < CAUSE_S][-1])
    assert 0 <= first_off_after(plant, CAUSE_S) - CAUSE_S <= TICK_S
    seen = host.snapshot()
    assert seen.faults == fault
    assert Mode.ARMED not in seen.mode
    assert {reading.state for reading in seen.channels} == {ChannelState.HELD_OFF}


def test_host_silence_turns_everything_off_when_the_watchdog_time_is_over():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.command(CommandCode.KICK)

    host.wait(2.0)

    assert first_off_after(plant, 0.01) == pytest.approx(0.5, abs=1e-9)
    assert host.snapshot().faults == Fault.HOST_SILENT


def test_queries_and_other_commands_do_not_feed_the_watchdog():
    plant = FakePlant()
    host = armed_host(plant)
    for _ in range(6):
        host.wait(0.1)
        host.snapshot()
        host.command(CommandCode.EXTREMES)

    assert Fault.HOST_SILENT in host.snapshot().faults


def test_a_fault_stays_until_read_gone_cleared_and_the_board_is_armed_anew():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.snapshot()
    plant.set_conditions_at(0.1005, emergency_stop=True)
    host.wait(0.2)

    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.FAULT_LATCHED
    assert host.command(CommandCode.ARM) is Refusal.FAULT_LATCHED
    assert host.command(CommandCode.CLEAR, Fault.EMERGENCY_STOP) is Refusal.FAULT_UNREAD
    assert host.snapshot().causes == Fault.EMERGENCY_STOP
    assert host.command(CommandCode.CLEAR, Fault.EMERGENCY_STOP) is Refusal.CAUSE_PRESENT
    plant.conditions = replace(plant.conditions, emergency_stop=False)
    host.wait(0.01)
    assert host.snapshot().faults == Fault.EMERGENCY_STOP
    assert host.command(CommandCode.CLEAR, Fault.EMERGENCY_STOP) is Refusal.NONE
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NOT_ARMED
    assert host.command(CommandCode.ARM) is Refusal.NONE
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE


def test_clearing_names_exactly_what_was_read():
    plant = FakePlant()
    host = armed_host(plant)
    plant.set_conditions_at(0.0105, board_c=99.0)
    host.wait(0.02)
    host.snapshot()
    plant.set_conditions_at(0.0205, board_c=25.0, emergency_stop=True)
    plant.set_conditions_at(0.0305, emergency_stop=False)
    host.wait(0.02)

    assert host.command(CommandCode.CLEAR, Fault.BOARD_HOT | Fault.EMERGENCY_STOP) is Refusal.FAULT_UNREAD
    assert host.command(CommandCode.CLEAR, Fault.BOARD_HOT) is Refusal.NONE
    assert host.snapshot().faults == Fault.EMERGENCY_STOP
    assert host.command(CommandCode.CLEAR, Fault.SUPPLY_LOW) is Refusal.FAULT_UNREAD


def test_silence_ends_with_the_next_kick_only():
    host = armed_host(FakePlant())
    host.wait(1.0)
    host.snapshot()

    assert host.command(CommandCode.CLEAR, Fault.HOST_SILENT) is Refusal.CAUSE_PRESENT
    host.command(CommandCode.KICK)
    host.wait(0.001)
    host.snapshot()
    assert host.command(CommandCode.CLEAR, Fault.HOST_SILENT) is Refusal.NONE


@pytest.mark.parametrize(
    ("nominal_mv", "volts", "fault"),
    [
        (12_000, 9.0, Fault(0)),
        (12_000, 8.99, Fault.SUPPLY_LOW),
        (12_000, 16.0, Fault(0)),
        (12_000, 16.01, Fault.SUPPLY_HIGH),
        (24_000, 17.99, Fault.SUPPLY_LOW),
        (24_000, 18.0, Fault(0)),
        (24_000, 32.01, Fault.SUPPLY_HIGH),
    ],
)
def test_the_supply_window_follows_the_nominal_voltage(nominal_mv, volts, fault):
    plant = FakePlant(supply_v=12.8 if nominal_mv == 12_000 else 25.6)
    host = Host(Board(plant, ExactSensors()))
    assert host.set_board(500, 0, nominal_mv) is Refusal.NONE
    plant.set_supply_at(0.01, volts)
    host.wait(0.02)

    assert host.snapshot().faults & ~Fault.RESTARTED == fault


def test_a_restart_comes_up_safe_disarmed_and_forgets_settings_claim_and_events():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.set_conditions_at(0.1005, restarts=1)
    host.wait(0.15)

    seen = host.snapshot()
    assert is_off(plant.switches)
    assert (seen.boots, seen.faults, seen.mode, seen.command_sequence) == (2, Fault.RESTARTED, Mode(0), 0)
    assert seen.uptime_us == 49_000
    events = host.events().events
    assert [(e.position, e.kind, e.value) for e in events] == [
        (0, EventKind.RESTARTED, 2),
        (1, EventKind.FAULT_SET, Fault.RESTARTED),
    ]
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NOT_CLAIMED
    host.command(CommandCode.CLAIM)
    host.command(CommandCode.CLEAR, Fault.RESTARTED)
    host.command(CommandCode.KICK)
    assert host.command(CommandCode.ARM) is Refusal.NO_LIMITS


def test_the_restart_command_answers_first_and_restarts_then():
    host = armed_host(FakePlant())

    assert host.command(CommandCode.RESTART) is Refusal.NONE
    host.wait(0.001)

    assert host.snapshot().boots == 2


def test_a_self_test_that_fails_holds_everything_off_until_one_passes():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)
    host.snapshot()
    plant.conditions = replace(plant.conditions, stuck=frozenset({"current:1"}))
    host.wait(0.002)
    host.command(CommandCode.OFF, 1)

    assert host.command(CommandCode.SELF_TEST) is Refusal.NONE
    assert host.snapshot().faults == Fault.SELF_TEST
    assert host.command(CommandCode.CLEAR, Fault.SELF_TEST) is Refusal.CAUSE_PRESENT
    plant.conditions = replace(plant.conditions, stuck=frozenset())
    host.wait(0.002)
    host.command(CommandCode.SELF_TEST)
    assert host.command(CommandCode.CLEAR, Fault.SELF_TEST) is Refusal.NONE


def test_self_test_is_refused_while_an_output_is_on():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    host.command(CommandCode.DRIVE, 1, 1000)

    assert host.command(CommandCode.SELF_TEST) is Refusal.BUSY


def test_a_hung_board_answers_nobody_and_its_watchdog_still_turns_it_off():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.set_conditions_at(0.1005, hung=True)
    host.wait(0.2)

    with pytest.raises(TimeoutError):
        host.snapshot()
    with pytest.raises(TimeoutError):
        host.command(CommandCode.KICK)
    host.wait(0.5)
    assert is_off(plant.switches)
