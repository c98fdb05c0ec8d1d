"""Corrections: applied to readings, kept through restarts, written only while disarmed."""

import pytest

from bench.contract.readings import Identity, read_identity
from bench.contract.table import (
    CALIBRATION,
    CALIBRATION_COMMON,
    IDENTITY,
    Capability,
    CommandCode,
    Refusal,
)
from firmware_sim.firmware import Board, Description
from firmware_sim.firmware.calibration import Correction
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant
from tests.firmware_sim.host import Host, armed_host

COMMON = (100, 200, 500, -500, 0, 0, 1000, 50, 20, 10, 5, "2031-05-06")


def write(host: Host, block: object, values: tuple[object, ...], index: int = 1) -> Refusal:
    return host.board.write_registers(block.start(index) + 1, block.pack(values))


def identity(host: Host) -> Identity:
    _, *registers = host.board.read_registers(IDENTITY.start(), IDENTITY.length())
    return read_identity(registers)


def test_a_channels_readings_are_corrected_and_others_are_not():
    host = Host(Board(FakePlant(ohm={1: 3.2, 2: 3.2}), ExactSensors()))
    assert write(host, CALIBRATION, (1000, -2500, 500, 100)) is Refusal.NONE  # 0.1 A, -2.5 %; 0.05 V, +0.1 %
    host.arm()
    for channel in (1, 2):
        assert host.command(CommandCode.DRIVE, channel, 1000) is Refusal.NONE
    host.wait(0.1)

    seen = host.snapshot()
    assert seen.channel(2).current_a == pytest.approx(4.0, abs=0.001)
    assert seen.channel(1).current_a == pytest.approx((4.0 - 0.1) * 0.975, abs=0.001)
    assert seen.channel(1).voltage_v == pytest.approx((12.8 - 0.05) * 1.001, abs=0.001)


def test_the_common_corrections_reach_supply_and_identity_and_outlive_a_restart():
    host = Host(Board(FakePlant(), ExactSensors()))
    assert write(host, CALIBRATION_COMMON, COMMON) is Refusal.NONE
    host.command(CommandCode.CLAIM)
    host.command(CommandCode.RESTART)
    host.wait(0.02)

    assert host.snapshot().boots == 2
    assert host.snapshot().supply_v == pytest.approx((12.8 - 0.01) * 1.002, abs=0.001)
    assert host.snapshot().supply_a == pytest.approx((0 - 0.05) * 1.01, abs=0.001)
    assert (identity(host).calibrated, identity(host).current_gain_error) == ("2031-05-06", 0.005)


def test_corrections_are_not_written_while_armed_nor_without_a_date():
    host = armed_host(FakePlant())

    assert write(host, CALIBRATION, (0, 0, 0, 0)) is Refusal.OUTPUT_ON
    assert write(host, CALIBRATION_COMMON, COMMON) is Refusal.OUTPUT_ON
    host.command(CommandCode.SAFE)
    assert write(host, CALIBRATION_COMMON, (*COMMON[:-1], "tomorrow")) is Refusal.BAD_VALUE
    assert identity(host).calibrated == ""


def test_a_board_without_the_memory_takes_none():
    plain = Description(capabilities=Capability.WATCHDOG)
    host = Host(Board(FakePlant(), ExactSensors(), plain))

    assert write(host, CALIBRATION, (1, 0, 0, 0)) is Refusal.BAD_VALUE


def test_a_correction_stays_in_the_range_of_a_register():
    assert Correction(offset=-32_768, gain=32_767).of(32_767) == 32_767
    assert Correction(offset=32_767, gain=32_767).of(-32_768) == -32_768
