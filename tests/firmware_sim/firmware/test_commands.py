"""Who may command what, and what the board says when it does not."""

import pytest

from bench.contract.table import (
    COMMANDS,
    Capability,
    ChannelState,
    CommandCode,
    EventKind,
    Fault,
    Mode,
    Refusal,
    Return,
)
from firmware_sim.firmware import Board, Description
from firmware_sim.port import FeedMode
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant
from tests.firmware_sim.host import BOARD_12V, CHANNEL_18AWG, Host, armed_host

GOOD_ARGUMENTS = {
    CommandCode.CLEAR: (0,),
    CommandCode.RETURNS: (3,),
    CommandCode.DRIVE: (1, 1000),
    CommandCode.OFF: (0xFFFF,),
    CommandCode.PROBE: (1, 5),
    CommandCode.PULSE: (1, 5),
    CommandCode.WIGGLE: (1,),
    CommandCode.CAPTURE: (1, 5000, 100),
    CommandCode.AIR_CAPTURE: (1, 500, 100),
    CommandCode.ACKNOWLEDGE: (0,),
    CommandCode.REFERENCE: (1,),
    CommandCode.FAR: (1,),
    CommandCode.VALVE: (0, 1, 1000),
    CommandCode.REGULATE: (0, 100_000),
}
SWITCHING = [command.code for command in COMMANDS if command.switches_on]
ELECTRICAL = [code for code in SWITCHING if code not in (CommandCode.VALVE, CommandCode.REGULATE, CommandCode.FAR)]


def new_host(**loads: float) -> Host:
    return Host(Board(FakePlant(ohm={1: 3.2, 2: 3.2}), ExactSensors()))


def give(host: Host, code: CommandCode) -> Refusal:
    return host.command(code, *GOOD_ARGUMENTS.get(code, ()))


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.code.name)
def test_without_a_claim_only_claim_and_safe_are_carried_out(command):
    expected = Refusal.NONE if command.anyone else Refusal.NOT_CLAIMED

    assert give(new_host(), command.code) is expected


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.code.name)
def test_another_host_is_refused_while_the_claim_is_held_and_alive(command):
    mine = armed_host(FakePlant())
    other = Host(mine.board, key=8)
    allowed = command.code is CommandCode.SAFE

    assert give(other, command.code) is (Refusal.NONE if allowed else Refusal.HELD_BY_ANOTHER)


def test_a_silent_controller_loses_its_claim_to_the_next_one():
    mine = armed_host(FakePlant())
    other = Host(mine.board, key=8)
    mine.wait(0.6)

    assert other.command(CommandCode.CLAIM) is Refusal.NONE
    assert mine.command(CommandCode.KICK) is Refusal.HELD_BY_ANOTHER


def test_a_claim_is_renewed_by_the_same_key_and_needs_a_key():
    host = armed_host(FakePlant())

    assert host.command(CommandCode.CLAIM) is Refusal.NONE
    assert Host(host.board, key=0).command(CommandCode.CLAIM) is Refusal.BAD_VALUE


@pytest.mark.parametrize("code", ELECTRICAL, ids=lambda code: code.name)
def test_no_output_without_watchdog_limits_arming_and_a_clean_fault_latch(code):
    host = new_host()
    host.command(CommandCode.CLAIM)
    assert give(host, code) is Refusal.FAULT_LATCHED
    host.snapshot()
    host.command(CommandCode.CLEAR, Fault.RESTARTED)
    assert give(host, code) is Refusal.NO_WATCHDOG
    host.command(CommandCode.KICK)
    assert give(host, code) is Refusal.NO_LIMITS
    host.set_board(*BOARD_12V)
    assert give(host, code) is Refusal.NOT_ARMED
    host.command(CommandCode.ARM)
    needs_channel = code not in (CommandCode.RETURNS, CommandCode.REFERENCE)
    if needs_channel:
        assert give(host, code) is Refusal.NO_LIMITS
        host.set_channel(1, *CHANNEL_18AWG)
    assert give(host, code) is Refusal.NONE


def test_arming_asks_for_the_same_in_the_same_order():
    host = new_host()
    host.command(CommandCode.CLAIM)
    assert host.command(CommandCode.ARM) is Refusal.FAULT_LATCHED
    host.snapshot()
    host.command(CommandCode.CLEAR, Fault.RESTARTED)
    assert host.command(CommandCode.ARM) is Refusal.NO_WATCHDOG
    host.command(CommandCode.KICK)
    assert host.command(CommandCode.ARM) is Refusal.NO_LIMITS
    host.set_board(*BOARD_12V)
    assert host.command(CommandCode.ARM) is Refusal.NONE


def test_opening_the_returns_and_the_reference_is_always_allowed():
    host = new_host()
    host.command(CommandCode.CLAIM)

    assert host.command(CommandCode.RETURNS, Return.NONE) is Refusal.NONE
    assert host.command(CommandCode.REFERENCE, 0) is Refusal.NONE


def test_safe_from_anyone_turns_everything_off_and_disarms():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)

    Host(host.board, key=0).command(CommandCode.SAFE)

    seen = host.snapshot()
    assert seen.channel(1).state is ChannelState.HELD_OFF
    assert seen.returns is Return.NONE
    assert Mode.ARMED not in seen.mode
    assert Mode.WATCHDOG_RUNNING in seen.mode
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NOT_ARMED


def test_release_turns_everything_off_and_stops_the_watchdog():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.command(CommandCode.RELEASE)
    host.wait(2.0)

    seen = host.snapshot()
    assert (seen.mode, seen.faults) == (Mode(0), Fault(0))
    assert plant.switches.feeds[0].mode is FeedMode.OFF


def test_the_same_command_twice_is_carried_out_once_with_the_same_answer():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    drive = (900, host.key, CommandCode.DRIVE, 1, 1000, 0)

    assert [host.put(drive), host.put(drive)] == [Refusal.NONE, Refusal.NONE]
    refused = (901, host.key, CommandCode.PROBE, 1, 5, 0)
    assert [host.put(refused), host.put(refused)] == [Refusal.BUSY, Refusal.BUSY]
    host.command(CommandCode.OFF, 1)
    assert host.put(refused) is Refusal.NONE, "another command in between makes it a new one"


def test_a_repeated_kick_does_not_feed_the_watchdog():
    host = armed_host(FakePlant())
    kick = (900, host.key, CommandCode.KICK, 0, 0, 0)
    for _ in range(7):
        host.put(kick)
        host.wait(0.1)

    assert Fault.HOST_SILENT in host.snapshot().faults


def test_the_snapshot_tells_the_last_command_and_its_result():
    host = armed_host(FakePlant())
    host.put((4321, host.key, CommandCode.DRIVE, 99, 1000, 0))

    assert host.snapshot().command_sequence == 4321
    assert host.snapshot().command_result == Refusal.BAD_VALUE


@pytest.mark.parametrize(
    ("values", "refusal"),
    [
        ((0, 7, CommandCode.KICK, 0, 0, 0), Refusal.BAD_VALUE),
        ((0, 0, 0, 0, 0, 0), Refusal.BAD_VALUE),
        ((1000, 7, 0, 0, 0, 0), Refusal.UNKNOWN_COMMAND),
        ((1000, 7, 99, 0, 0, 0), Refusal.UNKNOWN_COMMAND),
        ((1000, 7, CommandCode.DRIVE, 0, 1000, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.DRIVE, 9, 1000, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.DRIVE, 1, 1001, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.DRIVE, 1, -1, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.PULSE, 1, 21, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.RETURNS, 4, 0, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.CAPTURE, 1, 99, 10), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.CAPTURE, 1, 1000, 4097), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.ACKNOWLEDGE, 100_000, 0, 0), Refusal.BAD_VALUE),
        ((1000, 7, CommandCode.VALVE, 0, 1, 100), Refusal.NOT_CAPABLE),
        ((1000, 7, CommandCode.REGULATE, 0, 100, 0), Refusal.NOT_CAPABLE),
    ],
)
def test_wrong_codes_and_values_are_refused_and_change_nothing(values, refusal):
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    before = plant.switches

    assert host.put(values) is refusal
    assert plant.switches == before


def test_settings_out_of_range_are_bad_values():
    host = new_host()

    assert host.set_board(49, 0, 12_000) is Refusal.BAD_VALUE
    assert host.set_board(2001, 0, 12_000) is Refusal.BAD_VALUE
    assert host.set_board(500, 0, 13_000) is Refusal.BAD_VALUE
    assert host.set_board(500, 0, 12_500) is Refusal.BAD_VALUE


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (0, 999), (0, 15_001), (1, 0), (2, 20_001), (3, 0), (4, 0), (7, 0), (7, 20_001), (8, 999), (9, 21), (10, 9),
        (8, 15_000),  # 15 A pulses at this duty are more than the wire's rms
    ],
)  # fmt: skip
def test_channel_settings_that_make_no_sense_are_bad_values(place, value):
    values = list(CHANNEL_18AWG)
    values[place] = value
    if place == 8 and value == 15_000:
        values[9] = 20
    host = new_host()

    assert host.set_channel(1, *values) is Refusal.BAD_VALUE
    assert host.set_channel(1, *CHANNEL_18AWG) is Refusal.NONE


def test_retries_need_a_pause():
    values = list(CHANNEL_18AWG)
    values[5:7] = 99, 1

    assert new_host().set_channel(1, *values) is Refusal.BAD_VALUE


def test_limits_are_not_changed_under_a_channel_that_is_on():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    host.command(CommandCode.DRIVE, 1, 1000)

    assert host.set_channel(1, *CHANNEL_18AWG) is Refusal.OUTPUT_ON
    assert host.set_channel(2, *CHANNEL_18AWG) is Refusal.NONE
    assert host.set_board(*BOARD_12V) is Refusal.OUTPUT_ON


def test_taking_the_limits_away_makes_the_channel_refuse():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    assert host.set_channel(1, *(0,) * 11) is Refusal.NONE

    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NO_LIMITS
    assert host.command(CommandCode.PROBE, 1, 5) is Refusal.NO_LIMITS


def test_a_channel_without_wiggle_settings_refuses_wiggle_only():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    assert host.set_channel(1, *CHANNEL_18AWG[:8], 0, 0, 0) is Refusal.NONE

    assert host.command(CommandCode.WIGGLE, 1) is Refusal.NO_LIMITS
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE


def test_the_reference_resistor_is_switched_and_measured():
    host = armed_host(FakePlant())
    host.command(CommandCode.REFERENCE, 1)
    host.wait(0.02)

    seen = host.snapshot()
    assert seen.reference_a == pytest.approx(1.28)
    assert Mode.REFERENCE_ON in seen.mode


def test_arming_and_disarming_are_told_once():
    host = armed_host(FakePlant())
    host.command(CommandCode.ARM)
    host.command(CommandCode.SAFE)
    host.command(CommandCode.SAFE)

    kinds = [kind for kind, _, _ in host.all_events()]
    assert kinds.count(EventKind.ARMED) == kinds.count(EventKind.DISARMED) == 1


def test_fuses_in_place_of_a_limit_allow_drive_and_nothing_more():
    fused = Description(capabilities=Capability.FIXED_FUSE | Capability.WATCHDOG)
    host = Host(Board(FakePlant(ohm={1: 3.2}), ExactSensors(), fused))
    host.prepare()
    assert host.command(CommandCode.ARM) is Refusal.NONE

    assert host.command(CommandCode.PROBE, 1, 5) is Refusal.NOT_CAPABLE
    assert host.command(CommandCode.DRIVE, 1, 1000) is Refusal.NONE
