"""One measured value, however often it was measured, in constant memory. Pure.

The first twenty are kept one by one. From then on count, mean, squares and a straight line over the cycles are
carried along (Welford, Technometrics 4 (1962) 419; the two-variable form is in any text on numerical analysis), and
a course of at most ``COURSE`` points: when it is full, neighbours are averaged and it goes on half as fine.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from math import inf, sqrt
from typing import Any, Self

from bench.results import Trace, Value, Verdict, worst

KEPT = 20
COURSE = 512
COVERAGE = 0.95
FALSE_ALARM = 0.001


@dataclass
class Course:
    """Means over ``stride`` values each, oldest first."""

    stride: int = 1
    points: list[float] = field(default_factory=list)
    partial: float = 0.0
    in_partial: int = 0

    def add(self, value: float) -> None:
        """Take one more value."""
        self.partial += (value - self.partial) / (self.in_partial + 1)
        self.in_partial += 1
        if self.in_partial == self.stride:
            self.points.append(self.partial)
            self.partial, self.in_partial = 0.0, 0
        if len(self.points) == COURSE:
            pairs = zip(self.points[::2], self.points[1::2], strict=True)
            self.points = [(before + after) / 2 for before, after in pairs]
            self.stride *= 2


@dataclass
class Tally:
    """What is known of a value so far; ``x`` is the number of its cycle."""

    value: Value
    first: list[Value] = field(default_factory=list)
    count: int = 0
    mean: float = 0.0
    squares: float = 0.0
    least: float = inf
    most: float = -inf
    x_mean: float = 0.0
    x_squares: float = 0.0
    products: float = 0.0
    not_passed: int = 0
    not_measured: int = 0
    verdict: Verdict = Verdict.NOT_TESTED
    course: Course = field(default_factory=Course)

    def add(self, value: Value, x: float = 0.0) -> None:
        """Take the value once more."""
        self.verdict = worst((self.verdict, value.verdict)) if self.seen else value.verdict
        if self.seen < KEPT:
            self.first.append(value)
        self.value = value
        self.not_passed += value.verdict in (Verdict.FAIL, Verdict.UNSURE)
        if value.value is None:
            self.not_measured += 1
        else:
            self._take(value.value, x)

    @property
    def seen(self) -> int:
        """How often it was to be measured."""
        return self.count + self.not_measured

    def _take(self, y: float, x: float) -> None:
        self.count += 1
        above, beside = y - self.mean, x - self.x_mean
        self.mean += above / self.count
        self.x_mean += beside / self.count
        self.squares += above * (y - self.mean)
        self.x_squares += beside * (x - self.x_mean)
        self.products += beside * (y - self.mean)
        self.least, self.most = min(self.least, y), max(self.most, y)
        self.course.add(y)

    @property
    def deviation(self) -> float:
        """Standard deviation, with n - 1."""
        return sqrt(self.squares / (self.count - 1)) if self.count > 1 else 0.0

    # --- what stands in the record ---

    def values(self) -> list[Value]:
        """The single values while they are few; else what they come to."""
        if self.seen == 1:
            return list(self.first)
        if self.seen <= KEPT:
            return [replace(each, name=f"{each.name} ({no})") for no, each in enumerate(self.first, 1)]
        return self.summary()

    def summary(self) -> list[Value]:
        """Mean with the verdict of all, deviation, extremes, and how many did not pass."""
        name, unit = self.value.name, self.value.unit
        if not self.count:
            return [replace(self.value, value=None, verdict=Verdict.NOT_TESTED)]
        judged = replace(self.value, name=f"{name}, mean", value=self.mean, verdict=self.verdict)
        bare = [("standard deviation", self.deviation), ("least", self.least), ("most", self.most)]
        counts = [("measured", self.count), ("not passed", self.not_passed)]
        if self.not_measured:
            counts.append(("not measured", self.not_measured))
        return [
            judged,
            *(Value(f"{name}, {word}", figure, unit) for word, figure in bare),
            *(Value(f"{name}, {word}", float(number), "1") for word, number in counts),
        ]

    def trace(self, started_s: float, duration_s: float) -> Trace | None:
        """The course over the time that all of it took."""
        if len(self.course.points) < 2:
            return None
        dt_s = duration_s * self.course.stride / max(self.count, 1)
        return Trace(f"{self.value.name} in time", started_s, dt_s, {_column(self.value): tuple(self.course.points)})

    # --- for whoever goes on later ---

    def document(self) -> dict[str, Any]:
        """All of it as plain data."""
        plain = asdict(self)
        plain.update(least=None if self.least == inf else self.least, most=None if self.most == -inf else self.most)
        return plain

    @classmethod
    def of(cls, document: Mapping[str, Any]) -> Self:
        """The tally that ``document`` was made of."""
        least, most = document["least"], document["most"]
        return cls(
            **{
                **document,
                "value": _value_of(document["value"]),
                "first": [_value_of(each) for each in document["first"]],
                "least": inf if least is None else least,
                "most": -inf if most is None else most,
                "verdict": Verdict(document["verdict"]),
                "course": Course(**document["course"]),
            }
        )


def _value_of(document: Mapping[str, Any]) -> Value:
    return Value(**{**document, "verdict": Verdict(document["verdict"])})


def _column(value: Value) -> str:
    suffixes = {"A": "current_a", "V": "voltage_v", "ohm": "resistance_ohm", "s": "time_s", "degC": "temperature_c"}
    return suffixes.get(value.unit, "value")


@dataclass(frozen=True, slots=True)
class Drift:
    """How a value goes with the cycles.

    Attributes:
        plus_minus: half of the 95 % interval.
        chance: how often values without any drift would show this much.
    """

    per_cycle: float
    plus_minus: float
    chance: float

    @property
    def certain(self) -> bool:
        """Whether it is no accident; many values are looked at, so a rare one is asked for."""
        return self.chance < FALSE_ALARM


def drift(tally: Tally) -> Drift | None:
    """Least squares over the cycles, the interval by Student's t; None with fewer than three cycles.

    Values one after the other are taken for independent; where they are not, the interval is too narrow.
    """
    freedom = tally.count - 2
    if freedom < 1 or tally.x_squares <= 0:
        return None
    from scipy.stats import t  # type: ignore[import-untyped]

    slope = tally.products / tally.x_squares
    left = max(tally.squares - slope * tally.products, 0.0)
    error = sqrt(left / freedom / tally.x_squares)
    chance = float(2 * t.sf(abs(slope) / error, freedom)) if error > 0 else float(slope == 0)
    return Drift(slope, float(t.ppf((1 + COVERAGE) / 2, freedom)) * error, chance)
