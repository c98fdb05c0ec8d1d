"""Captures: the rate asked for, from the switch-on, read in pages."""

import pytest

from bench.contract.table import (
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CommandCode,
    EventKind,
    Mode,
)
from firmware_sim.firmware.capture import samples_per_tick
from tests.firmware_sim.fake_plant import FakePlant, Lamp
from tests.firmware_sim.host import Host, armed_host

LAMP = Lamp(cold_ohm=1.0, hot_ohm=4.0, rise_s=0.05)


def captured(host: Host) -> tuple[dict[str, int], list[tuple[int, int]]]:
    _, *registers = host.board.read_registers(CAPTURE.start(), CAPTURE.length())
    about = dict(zip((field.name for field in CAPTURE.header), map(int, CAPTURE.unpack(registers)), strict=True))
    samples: list[tuple[int, int]] = []
    for page in range(-(-about["samples"] // CAPTURE_SAMPLES_PER_PAGE)):
        length = CAPTURE_PAGE.length(CAPTURE_SAMPLES_PER_PAGE)
        _, *registers = host.board.read_registers(CAPTURE_PAGE.start(page + 1), length)
        number, *values = map(int, CAPTURE_PAGE.unpack(registers, CAPTURE_SAMPLES_PER_PAGE))
        assert number == page
        samples += zip(values[::2], values[1::2], strict=True)
    return about, samples[: about["samples"]]


@pytest.mark.parametrize("rate_hz", [100, 250, 1000, 2000, 3000, 5000, 7000, 10_000])
def test_samples_are_where_the_rate_puts_them_within_50_microseconds(rate_hz):
    host = armed_host(FakePlant(ohm={1: LAMP}))
    host.wait(0.1)
    host.command(CommandCode.CAPTURE, 1, rate_hz, 30)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.4)

    about, samples = captured(host)
    assert about == {"channel": 1, "rate": rate_hz, "samples": 30, "complete": 1, "started": 100_000}
    for n, (current_ma, voltage_mv) in enumerate(samples):
        around = [
            min(12.8 / LAMP.ohm(n / rate_hz + jitter_s), 6.0 if n / rate_hz < 0.005 else 15.0)
            for jitter_s in (-50e-6, 0.0, 50e-6)
        ]
        if n / rate_hz not in (0.005,):  # the plateau's end falls on this sample
            assert min(around) - 0.001 <= current_ma / 1000 <= max(around) + 0.001
        assert voltage_mv <= 12_800


def test_a_capture_waits_for_the_next_switch_on_of_its_channel():
    host = armed_host(FakePlant(ohm={1: 3.2, 2: 6.4}))
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)
    host.command(CommandCode.CAPTURE, 1, 1000, 10)
    host.command(CommandCode.DRIVE, 2, 1000)
    host.wait(0.05)
    assert captured(host)[0]["samples"] == 0
    assert Mode.CAPTURE_RUNNING in host.snapshot().mode

    host.command(CommandCode.OFF, 1)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.05)

    about, samples = captured(host)
    assert (about["complete"], about["started"]) == (1, 100_000)
    assert samples == [(4000, 12_800)] * 10
    assert Mode.CAPTURE_DONE in host.snapshot().mode


def test_a_capture_goes_on_through_a_trip_and_tells_when_it_is_complete():
    host = armed_host(FakePlant(ohm={1: 0.05}))
    host.command(CommandCode.CAPTURE, 1, 1000, 30)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)

    about, samples = captured(host)
    assert about["complete"] == 1
    # Sample 18 is the tick that found the short; the pin is off from the next on.
    assert [current for current, _ in samples[:20]] == [6000] * 6 + [15_000] * 13 + [0]
    assert (EventKind.CAPTURE_DONE, 1, 30) in host.all_events()


def test_a_page_reads_the_same_twice_and_zero_past_the_end():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    host.command(CommandCode.CAPTURE, 1, 1000, 10)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)

    length = CAPTURE_PAGE.length(CAPTURE_SAMPLES_PER_PAGE)
    first = host.board.read_registers(CAPTURE_PAGE.start(1), length)
    assert host.board.read_registers(CAPTURE_PAGE.start(1), length)[1:] == first[1:]
    assert first[2 + 2 * 10 :] == (0,) * (2 * 50)
    assert not any(host.board.read_registers(CAPTURE_PAGE.start(69), length)[2:])


def test_arming_a_capture_forgets_the_last_one():
    host = armed_host(FakePlant(ohm={1: 3.2}))
    host.command(CommandCode.CAPTURE, 1, 1000, 10)
    host.command(CommandCode.DRIVE, 1, 1000)
    host.wait(0.1)
    host.command(CommandCode.CAPTURE, 2, 500, 20)

    assert captured(host) == ({"channel": 2, "rate": 500, "samples": 0, "complete": 0, "started": 0}, [])


@pytest.mark.parametrize(("rate_hz", "per_tick"), [(100, 1), (1000, 1), (2000, 2), (3000, 10), (5000, 5), (8000, 8)])
def test_the_plant_is_asked_for_no_more_samples_than_the_rate_needs(rate_hz, per_tick):
    assert samples_per_tick(rate_hz) == per_tick
