"""Settings blocks: raw registers as written, checked once, kept in the firmware's units.

The firmware counts time in ticks of 1 ms, so every setting in milliseconds is a count of ticks.
A ValueError here becomes the refusal BAD_VALUE.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from bench.contract.table import ENERGY_LIMIT_A2S, SUPPLY_WINDOWS, SupplyWindow

LEAST_LIMIT_MA = 1000
SHORTEST_PAUSE_TICKS = 100
LONGEST_WIGGLE_PULSE_TICKS = 20
WATCHDOG_TICKS = (50, 2000)
DEFAULT_WATCHDOG_TICKS = 500
NOT_SET = (DEFAULT_WATCHDOG_TICKS, 0, 0)


def _require(true: bool, what: str) -> None:
    if not true:
        raise ValueError(what)


@dataclass(frozen=True, slots=True)
class BoardSettings:
    """Settings of the board as a whole; ``window`` is None until the host has set them."""

    raw: tuple[int, int, int] = NOT_SET
    watchdog_ticks: int = DEFAULT_WATCHDOG_TICKS
    ceiling_pa: float = 0.0
    window: SupplyWindow | None = None

    @classmethod
    def from_raw(cls, raw: Sequence[int]) -> "BoardSettings":
        """Check a write of the block.

        Raises:
            ValueError: a value out of its range.
        """
        watchdog, ceiling, nominal_mv = raw
        _require(WATCHDOG_TICKS[0] <= watchdog <= WATCHDOG_TICKS[1], "watchdog_time")
        window = SUPPLY_WINDOWS.get(nominal_mv // 1000) if nominal_mv % 1000 == 0 else None
        _require(window is not None, "supply_nominal")
        return cls((watchdog, ceiling, nominal_mv), watchdog, float(ceiling), window)


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """Protection of one channel; ``limit_a`` 0 means not set."""

    raw: tuple[int, ...] = (0,) * 11
    start_limit_a: float = 0.0
    start_ticks: int = 0
    limit_a: float = 0.0
    limit_ticks: int = 0
    energy_a2s: float = 0.0
    pause_ticks: int = 0
    retries: int = 0
    rms_a: float = 0.0
    wiggle_limit_a: float = 0.0
    wiggle_ticks: int = 0
    wiggle_period_ticks: int = 0

    @classmethod
    def from_raw(cls, raw: Sequence[int], largest_ma: int) -> "ChannelSettings":
        """Check a write of the block; a limit of 0 takes the settings away.

        Raises:
            ValueError: a value out of its range, or values that do not go together.
        """
        start, start_ticks, limit, limit_ticks, energy, pause, retries, rms, *wiggle = raw
        if limit == 0:
            return cls(raw=tuple(raw))
        _require(LEAST_LIMIT_MA <= start <= limit <= largest_ma, "start_limit, limit")
        _require(start_ticks > 0 and limit_ticks > 0 and energy > 0, "times and energy")
        _require(retries == 0 or pause >= SHORTEST_PAUSE_TICKS, "retry_pause")
        _require(0 < rms <= largest_ma, "rms_limit")
        if any(wiggle):
            _check_wiggle(*wiggle, rms_ma=rms, limit_ma=limit)
        return cls(
            raw=tuple(raw),
            start_limit_a=start / 1000,
            start_ticks=start_ticks,
            limit_a=limit / 1000,
            limit_ticks=limit_ticks,
            energy_a2s=min(energy / 100, ENERGY_LIMIT_A2S),
            pause_ticks=pause,
            retries=retries,
            rms_a=rms / 1000,
            wiggle_limit_a=wiggle[0] / 1000,
            wiggle_ticks=wiggle[1],
            wiggle_period_ticks=wiggle[2],
        )

    @property
    def are_set(self) -> bool:
        """Whether the channel may be switched on at all."""
        return self.limit_a > 0

    @property
    def wiggle_is_set(self) -> bool:
        """Whether the channel may be exercised."""
        return self.are_set and self.wiggle_limit_a > 0


def _check_wiggle(pulse_ma: int, ticks: int, period: int, *, rms_ma: int, limit_ma: int) -> None:
    _require(LEAST_LIMIT_MA <= pulse_ma <= limit_ma, "wiggle_limit")
    _require(1 <= ticks <= LONGEST_WIGGLE_PULSE_TICKS, "wiggle_time")
    _require(period >= 2 * ticks, "wiggle_period")
    # Pulses into a dead short may go on for ever, so their rms must be what the wire can bear.
    _require(pulse_ma**2 * ticks <= rms_ma**2 * period, "wiggle rms")
