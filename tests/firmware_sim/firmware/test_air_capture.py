"""Captures of analogue inputs: from the command on, at even ticks, the inputs in turn."""

import pytest

from bench.contract.readings import read_air_page, read_capture
from bench.contract.table import (
    AIR_CAPTURE_BIT,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CommandCode,
    EventKind,
    Mode,
    Refusal,
)
from firmware_sim.firmware import Board
from firmware_sim.firmware.air import NoAir
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant
from tests.firmware_sim.host import Host


class RampAir(NoAir):
    """Three inputs whose values tell their number and the millisecond: n million + ms, of input 3 negative."""

    inputs, valves = 3, 4
    _now_ms = 0

    def advance(self, until_s: float) -> None:
        self._now_ms = round(until_s * 1000)

    def samples(self, inputs: tuple[int, ...]) -> tuple[int, ...]:
        return tuple((n * 1_000_000 + self._now_ms) * (-1 if n == 3 else 1) for n in inputs)


def ramp_host() -> Host:
    host = Host(Board(FakePlant(), ExactSensors(), air=RampAir()))
    host.prepare()
    host.wait(0.1)
    return host


def captured(host: Host) -> tuple[int, bool, list[int]]:
    """Channel, completeness and values, read in pages."""
    _, *registers = host.board.read_registers(CAPTURE.start(), CAPTURE.length())
    memory = read_capture(registers)
    values: list[int] = []
    for page in range(-(-memory.samples // CAPTURE_SAMPLES_PER_PAGE)):
        length = CAPTURE_PAGE.length(CAPTURE_SAMPLES_PER_PAGE)
        _, *registers = host.board.read_registers(CAPTURE_PAGE.start(page + 1), length)
        number, more = read_air_page(registers)
        assert number == page
        values += more
    return memory.channel, memory.complete, values[: memory.samples]


@pytest.mark.parametrize(("rate_hz", "every_ms"), [(1000, 1), (500, 2), (400, 2.5), (100, 10)])
def test_samples_are_at_the_tick_nearest_to_their_time(rate_hz: int, every_ms: float):
    host = ramp_host()
    assert host.command(CommandCode.AIR_CAPTURE, 0b001, rate_hz, 100) is Refusal.NONE
    host.wait(1.2, kicking=True)

    channel, complete, values = captured(host)

    assert (channel, complete) == (AIR_CAPTURE_BIT | 0b001, True)
    assert [value - 1_000_000 - 100 for value in values] == pytest.approx([n * every_ms for n in range(100)], abs=0.51)


def test_inputs_take_turns_and_negative_values_keep_their_sign():
    host = ramp_host()
    host.command(CommandCode.AIR_CAPTURE, 0b101, 500, 8)
    host.wait(0.1)

    _, _, values = captured(host)

    assert values == [1_000_100, -3_000_100, 1_000_102, -3_000_102, 1_000_104, -3_000_104, 1_000_106, -3_000_106]


def test_what_is_held_so_far_can_be_read_while_it_records():
    host = ramp_host()
    host.command(CommandCode.AIR_CAPTURE, 0b001, 100, 1000)
    assert Mode.CAPTURE_RUNNING in host.snapshot().mode
    host.wait(0.095, kicking=True)

    _, complete, values = captured(host)

    assert not complete
    assert len(values) == 10


def test_the_end_is_told_with_the_inputs():
    host = ramp_host()
    host.command(CommandCode.AIR_CAPTURE, 0b011, 1000, 20)
    host.wait(0.1)

    assert (EventKind.CAPTURE_DONE, AIR_CAPTURE_BIT | 0b011, 20) in host.all_events()
    assert Mode.CAPTURE_DONE in host.snapshot().mode


@pytest.mark.parametrize(
    "arguments",
    [(0, 500, 100), (0b1000, 500, 100), (0b1, 1001, 100), (0b1, 5, 100), (0b11, 500, 101), (0b1, 500, 4097)],
)
def test_what_can_not_be_recorded_is_refused(arguments: tuple[int, int, int]):
    assert ramp_host().command(CommandCode.AIR_CAPTURE, *arguments) is Refusal.BAD_VALUE


def test_a_board_without_inputs_has_no_such_capture():
    host = Host(Board(FakePlant(), ExactSensors()))
    host.prepare()

    assert host.command(CommandCode.AIR_CAPTURE, 1, 500, 100) is Refusal.NOT_CAPABLE
