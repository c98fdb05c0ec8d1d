"""The second socket: read beside everything else, joined by FAR, open whenever everything is off."""

from dataclasses import replace

import pytest

from bench.contract.readings import FarSocket, read_far_socket
from bench.contract.table import FAR_GROUND_BIT, FAR_NEGATIVE_BIT, FAR_SOCKET, Capability, CommandCode, Refusal
from bench.profiles import load_scenario
from firmware_sim.simulator import Simulator
from tests.firmware_sim.fake_plant import FakePlant
from tests.firmware_sim.host import BOARD_12V, CHANNEL_18AWG, Host, armed_host


def cable_host() -> Host:
    scenario = load_scenario("cable-crossed")
    simulator = Simulator(replace(scenario, cable=replace(scenario.cable, faults=()), spread=0.0))
    host = Host(simulator.board)
    host.command(CommandCode.CLAIM)
    host.snapshot()
    host.command(CommandCode.CLEAR, 1 << 6)
    host.command(CommandCode.KICK)
    host.set_board(*BOARD_12V)
    host.set_channel(2, *CHANNEL_18AWG)
    assert host.command(CommandCode.ARM) is Refusal.NONE
    return host


def far(host: Host) -> FarSocket:
    _, *registers = host.board.read_registers(FAR_SOCKET.start(), FAR_SOCKET.length(8))
    return read_far_socket(registers, 8)


def test_a_probed_conductor_stands_at_the_far_end_as_at_the_near_one():
    host = cable_host()
    host.command(CommandCode.PROBE, 2, 0)
    host.board.advance_to(host.board.time_s + 0.05)

    seen = far(host)
    assert seen.voltage_v[1] == pytest.approx(12.8 * 50 / 51, abs=0.1)  # two pull-downs of 100 kilohm
    assert max(abs(volts) for n, volts in enumerate(seen.voltage_v) if n != 1) < 0.02


def test_a_conductor_joined_to_the_negative_side_is_pulled_to_it():
    host = cable_host()
    assert host.command(CommandCode.FAR, 0b10 | FAR_NEGATIVE_BIT) is Refusal.NONE
    host.command(CommandCode.PROBE, 2, 0)
    host.board.advance_to(host.board.time_s + 0.05)

    assert far(host).joined == 0b10 | FAR_NEGATIVE_BIT
    assert abs(far(host).voltage_v[1]) < 0.02


def test_the_second_socket_opens_with_everything_else():
    host = cable_host()
    host.command(CommandCode.FAR, 0b10 | FAR_GROUND_BIT)
    host.command(CommandCode.SAFE)

    assert far(host).joined == 0
    assert host.command(CommandCode.FAR, 1) is Refusal.NOT_ARMED


def test_pins_that_the_board_has_no_channel_for_are_refused():
    assert cable_host().command(CommandCode.FAR, 1 << 15) is Refusal.BAD_VALUE


def test_a_board_with_one_socket_refuses_and_reads_nothing():
    host = armed_host(FakePlant())

    assert host.command(CommandCode.FAR, 1) is Refusal.NOT_CAPABLE
    assert Capability.FAR_SOCKET.bit_count() == 1
    assert far(host).voltage_v == (0.0,) * 8
