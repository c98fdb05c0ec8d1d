"""Settling and discharging in board time."""

import asyncio
import math

import pytest

from bench.contract.table import ChannelState
from bench.safety import GuardedBoard
from bench.sequences.settle import LONGEST_S, Settled, aitken, discharge, settle
from bench.virtual_time import run_virtual
from tests.bench.safety.fake_board import FakeBoard, small_profile

STOP = 1


def test_aitken_agrees_with_the_published_example():
    # R. L. Burden, J. D. Faires, Numerical Analysis, "Accelerating Convergence", p_n = cos(1/n); from memory.
    first, middle, last = (math.cos(1 / n) for n in (1, 2, 3))

    assert aitken(first, middle, last) == pytest.approx(0.96178, abs=5e-6)


def test_aitken_is_exact_for_a_decaying_exponential():
    readings = [4.0 + 3.0 * math.exp(-t / 0.05) for t in (0.10, 0.14, 0.18)]

    assert aitken(*readings) == pytest.approx(4.0, abs=1e-9)


class Warming(FakeBoard):
    """Its lamps approach their current like a decaying exponential from ``extra`` above it."""

    extra, tau_s = 1.5, 0.06
    lit_s = 0.0

    async def drive(self, channel: int, level: float = 1.0) -> None:
        await super().drive(channel, level)
        self.lit_s = self._now()
        self.steady_ohm = self.ohm[channel]

    def _snapshot(self):
        if self.lit_s:
            self.ohm[STOP] = self.steady_ohm / (1 + self.extra * math.exp(-(self._now() - self.lit_s) / self.tau_s))
        return super()._snapshot()


def settled(board: FakeBoard, **options: object) -> tuple[Settled, float]:
    async def main() -> tuple[Settled, float]:
        async with GuardedBoard(board, small_profile()) as guard:
            await guard.drive(STOP)
            began_s = board._now()
            end = await settle(guard, [STOP], **options)
            return end, board._now() - began_s

    return run_virtual(main())


def test_a_steady_current_is_settled_at_once():
    _, took_s = settled(FakeBoard())

    assert took_s < 0.1


def test_a_lamp_is_settled_when_it_hardly_changes():
    end, took_s = settled(Warming())

    assert end.seen.channel(STOP).current_a == pytest.approx(12.8 / 3.25, rel=0.01)
    assert 0.2 < took_s < LONGEST_S


def test_nearly_settled_tells_the_end_earlier_and_as_well():
    _, whole_s = settled(Warming())
    end, took_s = settled(Warming(), nearly=True)

    assert took_s < whole_s - 0.05
    assert end.steady_a[STOP] == pytest.approx(12.8 / 3.25, rel=0.005)
    assert end.seen.channel(STOP).current_a > 1.02 * end.steady_a[STOP]


def test_a_hiccup_between_readings_does_not_foretell_a_wrong_end():
    class Hiccup(Warming):
        async def snapshot(self):
            if self.lit_s and 0.07 < self._now() - self.lit_s < 0.09:
                await asyncio.sleep(0.07)
            return await super().snapshot()

    end, _ = settled(Hiccup(), nearly=True)

    assert end.steady_a[STOP] == pytest.approx(12.8 / 3.25, rel=0.01)


def test_it_waits_no_longer_than_told_and_no_shorter():
    slow = Warming()
    slow.tau_s = 3.0

    _, longest_s = settled(slow)
    _, least_s = settled(FakeBoard(), least_s=0.3)

    assert longest_s == pytest.approx(LONGEST_S, abs=0.05)
    assert 0.3 <= least_s < 0.36


def test_a_trip_ends_the_wait_and_is_told():
    class Tripping(FakeBoard):
        async def drive(self, channel: int, level: float = 1.0) -> None:
            await super().drive(channel, level)
            self.outputs[channel - 1].state = ChannelState.TRIPPED

    end, took_s = settled(Tripping())

    assert end.tripped == {STOP}
    assert took_s < 0.05


def test_discharge_waits_for_a_capacitor_but_not_for_one_that_hardly_falls():
    class Charged(FakeBoard):
        tau_s = 0.033

        def _snapshot(self):
            seen = super()._snapshot()
            rows = list(seen.channels)
            held_v = 8.0 * math.exp(-self._now() / self.tau_s)
            rows[5] = type(rows[5])(ChannelState.OFF, held_v, 0.0, 0, 0)
            return type(seen)(**{**{f: getattr(seen, f) for f in seen.__slots__}, "channels": tuple(rows)})

    async def main(board: FakeBoard) -> tuple[float, float]:
        async with GuardedBoard(board, small_profile()) as guard:
            began_s = board._now()
            rest = await discharge(guard)
            return rest.channel(6).voltage_v, board._now() - began_s

    quick, slow = Charged(), Charged()
    slow.tau_s = 8.0
    left_v, _ = run_virtual(main(quick))
    held_v, took_s = run_virtual(main(slow))

    assert left_v < 0.03
    assert held_v > 7.0
    assert took_s < 0.05
