"""From engineering values to the raw integers of the contract."""

from collections.abc import Sequence

from bench.contract.fields import Block, RawValue
from bench.contract.table import Command
from bench.errors import InputError
from bench.profiles.model import Protection


def spoken(command: Command) -> str:
    """The command's name in a message."""
    return command.code.name.lower().replace("_", " ")


def raw_arguments(command: Command, values: Sequence[float]) -> tuple[int, ...]:
    """Arguments as they travel.

    Raises:
        InputError: one is outside the range that the contract gives.
    """
    raw = []
    for argument, value in zip(command.arguments, values, strict=True):
        scaled = value / argument.scale
        vanishes = value != 0 and abs(scaled) <= 0.5  # 0 often means something of its own: no limit, off
        if vanishes or not argument.low - 0.5 < scaled < argument.high + 0.5:
            allowed = f"{argument.low * argument.scale:g}..{argument.high * argument.scale:g} {argument.unit}"
            raise InputError(f"{spoken(command)}: {argument.name} must be {allowed}, not {value:g}")
        raw.append(round(scaled))
    return tuple(raw)


def raw_settings(block: Block, values: Sequence[float | str]) -> tuple[RawValue, ...]:
    """Settings as they travel.

    Raises:
        InputError: one does not fit its field.
    """
    raw: list[RawValue] = []
    for field, value in zip(block.header, values, strict=True):
        try:
            raw.append(value if isinstance(value, str) else round(value / field.scale))
            field.check(raw[-1])
        except (ValueError, OverflowError):
            said = value if isinstance(value, str) else f"{value:g} {field.unit}"
            raise InputError(f"{block.name.replace('_', ' ')}: {field.name} cannot be {said}") from None
    return tuple(raw)


def protection_values(protection: Protection) -> tuple[float, ...]:
    """A channel's protection in the order of the channel settings block."""
    return (
        protection.start_limit_a,
        protection.start_time_s,
        protection.limit_a,
        protection.limit_time_s,
        protection.energy_a2s,
        protection.retry_pause_s,
        protection.retries,
        protection.rms_limit_a,
        protection.wiggle_limit_a,
        protection.wiggle_time_s,
        protection.wiggle_period_s,
    )
