"""Registers: latching, addresses, identity and settings as written."""

import pytest

from bench.contract.readings import read_identity, read_snapshot
from bench.contract.table import (
    BLOCKS,
    BOARD_SETTINGS,
    CAPTURE_PAGE,
    CHANNEL_SETTINGS,
    COMMAND,
    EVENTS,
    IDENTITY,
    SNAPSHOT,
    Capability,
    CommandCode,
    Refusal,
)
from firmware_sim.firmware import Board, Description, IllegalAddress
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant
from tests.firmware_sim.host import BOARD_12V, CHANNEL_18AWG, Host, armed_host


def new_board(channels: int = 8) -> Board:
    return Board(FakePlant(channels=channels), ExactSensors())


def test_identity_says_what_the_board_is():
    tag, *registers = new_board().read_registers(IDENTITY.start(), IDENTITY.length())
    identity = read_identity(registers)

    assert registers[0] == 0x554D
    assert IDENTITY.owns(tag)
    assert (identity.contract, identity.channels) == ((1, 2), 8)
    assert (identity.probe_ohm, identity.pulse_ohm, identity.reference_ohm) == (1000.0, 10.0, 10.0)
    assert identity.pull_down_ohm == 100_000.0
    assert (identity.air_inputs, identity.valves) == (0, 0)
    assert Capability.AIR not in identity.capabilities
    assert Capability.PROBE | Capability.CURRENT_LIMIT | Capability.WATCHDOG in identity.capabilities


def test_a_description_reaches_the_identity_block():
    board = Board(FakePlant(), ExactSensors(), Description(pulse_ohm=20.0, serial="B-7", calibrated="2031-05-06"))
    _, *registers = board.read_registers(IDENTITY.start(), IDENTITY.length())

    identity = read_identity(registers)
    assert (identity.pulse_ohm, identity.serial, identity.calibrated) == (20.0, "B-7", "2031-05-06")


def test_a_block_is_latched_by_its_tag_and_a_later_part_belongs_to_that_instant():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    board = host.board
    first = board.read_registers(SNAPSHOT.start(), 10)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)

    rest = board.read_registers(SNAPSHOT.start() + 10, SNAPSHOT.length(8) - 10)
    torn_free = read_snapshot((first + rest)[1:], 8)
    assert torn_free.channel(1).current_a == 0.0
    assert torn_free.uptime_us == 0
    assert host.snapshot().channel(1).current_a == 4.0


def test_the_tag_counts_the_reads_of_its_block():
    board = new_board()

    tags = [board.read_registers(SNAPSHOT.start(), 1)[0] for _ in range(257)]
    assert tags[:2] == [SNAPSHOT.tag(1), SNAPSHOT.tag(2)]
    assert tags[256] == SNAPSHOT.tag(1)


def test_snapshot_sequence_counts_its_latches():
    host = Host(new_board())

    assert [host.snapshot().sequence for _ in range(3)] == [1, 2, 3]


@pytest.mark.parametrize("channels", [1, 8, 16])
def test_every_block_can_be_read_whole_in_one_modbus_read(channels):
    board = new_board(channels)
    for block in BLOCKS:
        rows = 0 if not block.row else {EVENTS: 14, CAPTURE_PAGE: 60}.get(block, channels)
        assert block.length(rows) <= 125
        registers = board.read_registers(block.start(), block.length(rows))
        assert block.owns(registers[0])


@pytest.mark.parametrize(
    ("address", "count"),
    [
        (-1, 1),
        (IDENTITY.length(), 1),
        (0, IDENTITY.length() + 1),
        (99, 2),
        (SNAPSHOT.start(), SNAPSHOT.length(8) + 1),
        (CHANNEL_SETTINGS.start(9), 1),
        (CHANNEL_SETTINGS.start(1), 13),
        (CAPTURE_PAGE.start(70), 1),
        (60_000, 1),
        (0, 0),
    ],
)
def test_registers_outside_a_block_are_illegal(address, count):
    with pytest.raises(IllegalAddress):
        new_board().read_registers(address, count)


@pytest.mark.parametrize(
    ("address", "count"),
    [
        (SNAPSHOT.start() + 1, SNAPSHOT.length(8) - 1),
        (BOARD_SETTINGS.start(), 5),
        (BOARD_SETTINGS.start() + 1, 1),
        (CHANNEL_SETTINGS.start(1) + 1, 10),
        (COMMAND.start() + 1, 8),
        (COMMAND.start() + 2, 8),
        (50, 1),
    ],
)
def test_only_whole_writable_blocks_are_written(address, count):
    with pytest.raises(IllegalAddress):
        new_board().write_registers(address, [0] * count)


def test_settings_read_back_as_written():
    host = Host(new_board())
    host.set_board(750, 900_000, 24_000)
    host.set_channel(8, *CHANNEL_18AWG)

    _, *board = host.board.read_registers(BOARD_SETTINGS.start(), BOARD_SETTINGS.length())
    _, *channel = host.board.read_registers(CHANNEL_SETTINGS.start(8), CHANNEL_SETTINGS.length())
    assert BOARD_SETTINGS.unpack(board) == (750, 900_000, 24_000)
    assert CHANNEL_SETTINGS.unpack(channel) == CHANNEL_18AWG


def test_before_they_are_written_settings_say_so():
    host = Host(new_board())

    _, *board = host.board.read_registers(BOARD_SETTINGS.start(), BOARD_SETTINGS.length())
    _, *channel = host.board.read_registers(CHANNEL_SETTINGS.start(1), CHANNEL_SETTINGS.length())
    assert BOARD_SETTINGS.unpack(board) == (500, 0, 0)
    assert not any(channel)


def test_a_refused_setting_leaves_the_old_one():
    host = Host(new_board())
    host.set_board(*BOARD_12V)
    assert host.set_board(1, 0, 12_000) is Refusal.BAD_VALUE

    _, *board = host.board.read_registers(BOARD_SETTINGS.start(), BOARD_SETTINGS.length())
    assert BOARD_SETTINGS.unpack(board) == BOARD_12V


def test_the_command_block_reads_as_the_last_command():
    host = Host(new_board())
    host.put((9, 7, CommandCode.CLAIM, 1, -2, 3))

    _, *registers = host.board.read_registers(COMMAND.start(), COMMAND.length())
    assert COMMAND.unpack(registers) == (9, 7, CommandCode.CLAIM, 1, -2, 3)
