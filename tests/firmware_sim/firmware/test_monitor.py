"""Wiggle monitor: extremes, and conduction lost and found."""

import pytest

from bench.contract.table import EXTREMES, CommandCode, EventKind
from tests.firmware_sim.fake_plant import FakePlant
from tests.firmware_sim.host import Host, armed_host


def extremes(host: Host, channel: int) -> tuple[int, ...]:
    _, *registers = host.board.read_registers(EXTREMES.start(), EXTREMES.length(8))
    values = [int(value) for value in EXTREMES.unpack(registers, 8)]
    return tuple(values[4 * (channel - 1) : 4 * channel])


def transitions(host: Host) -> list[tuple[int, EventKind | int, int]]:
    found = (EventKind.BROKE, EventKind.MADE)
    return [(e.uptime_us // 1000, e.kind, e.value) for e in host.events().events if e.kind in found]


def test_a_glitch_of_one_millisecond_is_in_the_extremes():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)
    host.command(CommandCode.EXTREMES)
    plant.set_load_at(0.1001, 1, 12.8)
    plant.set_load_at(0.1011, 1, 3.2)
    host.wait(0.2)

    assert extremes(host, 1) == (12_800, 12_800, 1000, 4000)
    host.command(CommandCode.EXTREMES)
    host.wait(0.01)
    assert extremes(host, 1) == (12_800, 12_800, 4000, 4000)


def test_an_open_and_its_return_are_events_of_the_sample_that_saw_them():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.set_load_at(0.1004, 1, 1e9)
    plant.set_load_at(0.1044, 1, 3.2)
    host.wait(0.2)

    assert transitions(host) == [(101, EventKind.BROKE, 12_800), (105, EventKind.MADE, 12_800)]
    assert host.snapshot().channel(1).changes == 2


def test_one_lamp_of_two_falling_out_is_seen_against_the_current_at_extremes():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)
    host.command(CommandCode.EXTREMES)
    plant.set_load_at(0.1004, 1, 6.4)
    plant.set_load_at(0.1504, 1, 3.2)
    host.wait(0.2)

    assert [(when, kind) for when, kind, _ in transitions(host)] == [(101, EventKind.BROKE), (151, EventKind.MADE)]


def test_a_lasting_probe_sees_a_contact_open_and_close():
    plant = FakePlant(ohm={1: 100.0})
    host = armed_host(plant)
    host.command(CommandCode.PROBE, 1, 0)
    plant.set_load_at(0.0504, 1, 1e9)
    plant.set_load_at(0.0604, 1, 100.0)
    host.wait(0.1)

    open_mv, made_mv = round(12_800 * 100 / 101), round(12_800 / (1 + 1000 * (1 / 100 + 1e-5)))
    assert transitions(host) == [(51, EventKind.BROKE, open_mv), (61, EventKind.MADE, made_mv)]


def test_noise_and_sag_make_no_events():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)
    host.command(CommandCode.EXTREMES)
    for n in range(20):
        plant.set_supply_at(0.06 + 0.003 * n, 11.5 if n % 2 else 13.0)
    host.wait(0.2)

    assert transitions(host) == []


@pytest.mark.parametrize("ohm", [3.2, 1e9])
def test_switching_on_and_off_is_no_transition(ohm):
    host = armed_host(FakePlant(ohm={1: ohm}))
    for _ in range(3):
        host.command(CommandCode.DRIVE, 1, 1000)
        host.wait(0.05)
        host.command(CommandCode.OFF, 1)
        host.command(CommandCode.PROBE, 1, 5)
        host.wait(0.05)

    assert transitions(host) == []


def test_changes_are_counted_from_extremes_on():
    plant = FakePlant(ohm={1: 3.2})
    host = armed_host(plant)
    host.command(CommandCode.DRIVE, 1, 1000)
    plant.set_load_at(0.0504, 1, 1e9)
    plant.set_load_at(0.0604, 1, 3.2)
    host.wait(0.1)
    assert host.snapshot().channel(1).changes == 2

    host.command(CommandCode.EXTREMES)
    assert host.snapshot().channel(1).changes == 0
