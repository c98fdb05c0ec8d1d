"""What a calibration concludes from its readings, and how sure of it one may be.

A reading is corrected as ``(reading - offset) * (1 + gain)``. Uncertainties follow the GUM (JCGM
100:2008): a mean of n readings has the standard uncertainty s/sqrt(n) (type A, 4.2.3); what is only
known to lie within +-a has a/sqrt(3) (type B, 4.3.7); a display or register with steps d has
d/sqrt(12) (F.2.2.1); contributions that do not depend on each other add as squares (5.1.2).
Everything here is pure: numbers in, numbers out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, hypot, sqrt

RELATIVE = "1"


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget: a standard uncertainty in the unit of the result, and where it comes from."""

    name: str
    standard: float
    how: str


@dataclass(frozen=True, slots=True)
class Estimate:
    """A result with its budget.

    Attributes:
        unit: of ``value`` and all contributions.
    """

    name: str
    value: float
    unit: str
    budget: tuple[Contribution, ...]

    @property
    def standard(self) -> float:
        """Combined standard uncertainty."""
        return hypot(*(line.standard for line in self.budget))


@dataclass(frozen=True, slots=True)
class Mean:
    """Readings of one thing that did not change meanwhile."""

    value: float
    spread: float
    count: int

    @classmethod
    def of(cls, readings: Sequence[float]) -> "Mean":
        """Mean and experimental standard deviation.

        Raises:
            ValueError: fewer than two readings say nothing of their spread.
        """
        if len(readings) < 2:
            raise ValueError("a spread takes at least two readings")
        mean = fsum(readings) / len(readings)
        spread = sqrt(fsum((reading - mean) ** 2 for reading in readings) / (len(readings) - 1))
        return cls(mean, spread, len(readings))

    @property
    def standard(self) -> float:
        """Standard uncertainty of the mean, type A."""
        return self.spread / sqrt(self.count)


def within(limit: float) -> float:
    """Standard uncertainty of what lies within +-``limit``, nothing more being known."""
    return abs(limit) / sqrt(3)


def steps(step: float) -> float:
    """Standard uncertainty from a reading's step."""
    return step / sqrt(12)


def offset(name: str, at_rest: Mean, step: float, unit: str) -> Estimate:
    """What a reading shows of nothing."""
    return Estimate(
        name,
        at_rest.value,
        unit,
        (
            Contribution("scatter of the mean", at_rest.standard, f"type A, {at_rest.count} readings"),
            Contribution("step of the register", steps(step), "type B, rectangular"),
        ),
    )


def voltage_gain(reading: Mean, meter_v: float, meter_limit_v: float, step_v: float) -> Estimate:
    """Gain of a voltage reading beside a meter at the same terminals.

    Args:
        reading: the board's, its offset taken off.
        meter_v: the meter's.
        meter_limit_v: how far it may be off, by its data sheet.
        step_v: of the board's register.

    Raises:
        ValueError: one of them is not positive.
    """
    _positive(reading.value, meter_v)
    return Estimate(
        "voltage gain",
        meter_v / reading.value - 1,
        RELATIVE,
        (
            Contribution("meter", within(meter_limit_v) / meter_v, "type B, its limits of error, rectangular"),
            Contribution("scatter of the mean", reading.standard / reading.value, f"type A, {reading.count} readings"),
            Contribution("step of the register", steps(step_v) / reading.value, "type B, rectangular"),
        ),
    )


def current_gain(
    name: str, reading: Mean, volts: Mean, gain_v: Estimate, ohm: float, ohm_limit: float, step_a: float
) -> Estimate:
    """Gain of a current reading beside the current through a known resistor.

    Args:
        name: of the result.
        reading: the board's current, its offset taken off.
        volts: over the resistor, corrected.
        gain_v: the voltage gain, for its uncertainty.
        ohm: the resistor with its leads.
        ohm_limit: relative limits of it, warming included.
        step_a: of the board's register.

    Raises:
        ValueError: one of them is not positive.
    """
    _positive(reading.value, volts.value, ohm)
    return Estimate(
        name,
        volts.value / ohm / reading.value - 1,
        RELATIVE,
        (
            Contribution("resistor", within(ohm_limit), "type B, its tolerance and warming, rectangular"),
            Contribution("voltage over it", gain_v.standard, "the voltage gain's budget"),
            Contribution("scatter of the voltage", volts.standard / volts.value, f"type A, {volts.count} readings"),
            Contribution(
                "scatter of the current", reading.standard / reading.value, f"type A, {reading.count} readings"
            ),
            Contribution("step of the register", steps(step_a) / reading.value, "type B, rectangular"),
        ),
    )


def shared(measured: Sequence[Estimate], match: float) -> Estimate:
    """One gain for channels that were not measured themselves.

    Args:
        measured: gains that were.
        match: relative limits within which the parts of all channels are alike.

    Raises:
        ValueError: nothing was measured.
    """
    if not measured:
        raise ValueError("no gain was measured")
    mean = fsum(estimate.value for estimate in measured) / len(measured)
    worst = max(measured, key=lambda estimate: estimate.standard)
    return Estimate(
        "current gain, other channels",
        mean,
        RELATIVE,
        (*worst.budget, Contribution("match of the channels", within(match), "type B, not measured, rectangular")),
    )


def after(old_offset: float, old_gain: float, new_offset: float, new_gain: float) -> tuple[float, float]:
    """Offset and gain of two corrections one after the other, as one."""
    return old_offset + new_offset / (1 + old_gain), (1 + old_gain) * (1 + new_gain) - 1


def _positive(*values: float) -> None:
    if min(values) <= 0:
        raise ValueError("nothing can be compared with a reading of zero or less")
