"""Gauge repeatability and reproducibility: how much of what is measured is the measuring. Pure.

A crossed study: every part measured by every operator (or on every bench) the same number of times. Two-way
analysis of variance with interaction, random effects; an interaction that is not significant is taken into the
repeatability. Negative variance estimates are zero. The method is that of the automotive industry's manual on
measurement systems analysis; terms as there and in chapter 2.4 of the NIST/SEMATECH e-Handbook of Statistical Methods.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from bench.errors import InputError

POOL_ABOVE = 0.25  # significance of the interaction, above which it is taken into the repeatability
CATEGORIES = 1.41


@dataclass(frozen=True, slots=True)
class Row:
    """One source of the analysis of variance; ``chance`` is the significance of its F, where it has one."""

    squares: float
    freedom: int
    f: float | None = None
    chance: float | None = None

    @property
    def mean_square(self) -> float:
        """Squares a degree of freedom."""
        return self.squares / self.freedom


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Standard deviations, in the unit of the values.

    Attributes:
        parts, operators, interaction, error: rows of the analysis of variance.
        repeatability: of one operator on one part.
        reproducibility: between operators, interaction included.
        part_to_part: between parts.
    """

    parts: Row
    operators: Row
    interaction: Row
    error: Row
    repeatability: float
    reproducibility: float
    part_to_part: float

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together."""
        return sqrt(self.repeatability**2 + self.reproducibility**2)

    @property
    def total(self) -> float:
        """Gauge and parts together."""
        return sqrt(self.gauge**2 + self.part_to_part**2)

    @property
    def share(self) -> float:
        """Gauge over total: under 0.1 is good, over 0.3 is not (common practice)."""
        return self.gauge / self.total if self.total else 0.0

    @property
    def categories(self) -> float:
        """Distinct categories; at least five are wanted (common practice)."""
        return CATEGORIES * self.part_to_part / self.gauge if self.gauge else float("inf")


def gauge_study(values: np.ndarray) -> GaugeStudy:
    """Analyse a crossed study.

    Args:
        values: shape (parts, operators, trials), at least 2 each.

    Raises:
        InputError: fewer than two of one.
    """
    from scipy.stats import f  # type: ignore[import-untyped]

    array = np.asarray(values, dtype=float)
    if array.ndim != 3 or min(array.shape) < 2:
        raise InputError("a gauge study needs at least two parts, two operators and two trials of each")
    p, o, n = array.shape
    mean = array.mean()
    of_part, of_operator, of_cell = array.mean(axis=(1, 2)), array.mean(axis=(0, 2)), array.mean(axis=2)
    parts = o * n * float(((of_part - mean) ** 2).sum())
    operators = p * n * float(((of_operator - mean) ** 2).sum())
    cells = n * float(((of_cell - mean) ** 2).sum())
    error = Row(float(((array - of_cell[:, :, None]) ** 2).sum()), p * o * (n - 1))
    both = Row(cells - parts - operators, (p - 1) * (o - 1))

    def tested(squares: float, freedom: int, against: Row) -> Row:
        ratio = squares / freedom / against.mean_square if against.mean_square > 0 else float("inf")
        return Row(squares, freedom, ratio, float(f.sf(ratio, freedom, against.freedom)))

    interaction = tested(both.squares, both.freedom, error)
    pooled = interaction.chance is not None and interaction.chance > POOL_ABOVE
    noise = Row(error.squares + both.squares, error.freedom + both.freedom) if pooled else error
    against = noise if pooled else both
    part_row, operator_row = tested(parts, p - 1, against), tested(operators, o - 1, against)
    mixed = 0.0 if pooled else max((both.mean_square - noise.mean_square) / n, 0.0)
    between = max((operator_row.mean_square - against.mean_square) / (p * n), 0.0)
    return GaugeStudy(
        part_row,
        operator_row,
        interaction,
        error,
        repeatability=sqrt(noise.mean_square),
        reproducibility=sqrt(between + mixed),
        part_to_part=sqrt(max((part_row.mean_square - against.mean_square) / (o * n), 0.0)),
    )


def crossed(values: Sequence[tuple[str, str, float]]) -> np.ndarray:
    """Values in order of time, each with its part and its operator, as an array of parts, operators and trials.

    Raises:
        InputError: not every operator measured every part equally often; names the first that differs.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for part, operator, value in values:
        cells.setdefault((part, operator), []).append(value)
    parts = sorted({part for part, _ in cells})
    operators = sorted({operator for _, operator in cells})
    trials = max(len(each) for each in cells.values()) if cells else 0
    for part in parts:
        for operator in operators:
            found = len(cells.get((part, operator), ()))
            if found != trials:
                raise InputError(
                    f"a gauge study needs {trials} values of every part by every operator: "
                    f"{operator} has {found} of {part}"
                )
    return np.array([[cells[part, operator] for operator in operators] for part in parts], dtype=float)
