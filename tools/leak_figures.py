"""How often the leak decision is wrong and how long it takes, against true leaks of random simulated trailers.

The truth is ``tools/tank_truth.py``: energy balances that know nothing of the estimator. Every trial
has a trailer of its own, with readings once a second, white noise and a walking zero. Beside it: a
gauge watched by eye, each reading up to 1 psi wrong either way, for one, three and five minutes.

    python -m tools.leak_figures            fresh seeds, 1000 trials a cell
    python -m tools.leak_figures --n 200 --seed 7

The noise of each trial is estimated from its first 48 counted readings, as the watch has it when
decisions begin. "Watching" counts from 60 s after the valve closed.
A drift of the ambient is seen by the board's thermometer, as on the bench, or "unseen".
"""

import argparse
import secrets
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, product

import numpy as np
from numpy.typing import NDArray

from bench.air.gas import ATMOSPHERE_PA, PSI_PA, leak_of_rate
from bench.air.leak import WALK_PA, Weather, sensor_noise
from bench.air.sequential import Zone
from bench.air.watch import DROPPED_S, FAILED, NOTHING, PASSED, UNDECIDED_S, WAIT_S, Sensor, Watch
from tools.tank_truth import random_trailers, watch

FloatArray = NDArray[np.float64]

SHARES = (0.0, 0.5, 0.75, 1.25, 2.0)
NOISES_PSI = (0.02, 0.05, 0.15)
USUAL_NOISE = (0.05,)
DRIFTS = (-0.5, 0.0, 0.5)
FILLS = {"fast fill": 25.0, "slow fill": 240.0}
EYE_MINUTES = (1, 3, 5)
_WALK_PSI_PER_SQRT_MIN = 0.02
_NOISE_SAMPLES = 48


@dataclass(frozen=True, slots=True)
class Cell:
    """One combination of conditions."""

    weak: bool
    fill: str
    drift: float
    noise_psi: float
    share: float
    seen: bool = True  # the drift, by a thermometer beside the board

    @property
    def sound(self) -> bool:
        """Whether the true leak is below the limit."""
        return self.share < 1


@dataclass(frozen=True, slots=True)
class Outcome:
    """What happened in one cell: shares of its trials, and times."""

    cell: Cell
    trials: int
    wrong: int
    unsure: int
    median_s: float
    p95_s: float
    eye_wrong: tuple[float, ...]


def cells() -> Iterator[Cell]:
    """Every noise without drift, and every drift with the usual noise, unseen too where it can deceive."""
    for weak, fill, drift, share in product((False, True), FILLS, DRIFTS, SHARES):
        deceives = drift != 0 and share in (0.75, 1.25)
        for noise, seen in product(USUAL_NOISE if drift else NOISES_PSI, (True, False) if deceives else (True,)):
            yield Cell(weak, fill, drift, noise, share, seen)


def simulated(cell: Cell, trials: int, limit_psi_per_min: float, rng: np.random.Generator) -> FloatArray:
    """True absolute pressures of as many trailers, once a second."""
    leak = np.full(trials, cell.share * leak_of_rate(limit_psi_per_min * PSI_PA / 60))
    trailers = random_trailers(trials, cell.weak, rng)
    return watch(trailers, FILLS[cell.fill], leak, cell.drift, UNDECIDED_S + WAIT_S, 1.0)[0]


def outcome(cell: Cell, pressure: FloatArray, limit_psi_per_min: float, rng: np.random.Generator) -> Outcome:
    """Read and decide one cell."""
    limit = leak_of_rate(limit_psi_per_min * PSI_PA / 60)
    trials = len(pressure)
    weather = Weather.of(cell.drift / 60 if cell.seen else 0.0)
    decided, at_s = _decide(_read(pressure, cell.noise_psi, rng), limit, weather)
    right = PASSED if cell.sound else FAILED
    watched = at_s - WAIT_S
    known = decided != NOTHING
    return Outcome(
        cell=cell,
        trials=trials,
        wrong=int((known & (decided != right)).sum()),
        unsure=int((~known).sum()),
        median_s=float(np.median(watched[known])) if known.any() else float("nan"),
        p95_s=float(np.percentile(watched[known], 95)) if known.any() else float("nan"),
        eye_wrong=tuple(_eye(pressure, minutes, limit_psi_per_min, cell.sound, rng) for minutes in EYE_MINUTES),
    )


def _read(pressure: FloatArray, noise_psi: float, rng: np.random.Generator) -> FloatArray:
    """What a sensor reads of true absolute pressures, in ln p."""
    zero = np.cumsum(rng.normal(0, _WALK_PSI_PER_SQRT_MIN / np.sqrt(60), pressure.shape), axis=1)
    return np.asarray(np.log(pressure + PSI_PA * (zero + rng.normal(0, noise_psi, pressure.shape))))


def _decide(y: FloatArray, limit: float, weather: Weather) -> tuple[NDArray[np.int64], FloatArray]:
    """Decision and its time for each trial; trials with the same noise are watched together."""
    first = round(DROPPED_S)
    times = np.arange(y.shape[1], dtype=float)
    y = y - weather.rise * times
    learnt = slice(first, first + _NOISE_SAMPLES)
    levels = np.array([sensor_noise(times[learnt], each[learnt]) for each in y])
    decided, at_s = np.zeros(len(y), dtype=np.int64), np.full(len(y), np.nan)
    for level in np.unique(levels):
        mine = levels == level
        walk = WALK_PA / float(np.exp(y[mine, first].mean()))
        watching = Watch(int(mine.sum()), Zone(limit, weather.bias), Sensor(float(level), walk))
        for time_s, column in zip(times, y[mine].T, strict=True):
            watching.add(float(time_s), column)
            if np.all(watching.decided != NOTHING):
                break
        decided[mine], at_s[mine] = watching.decided, watching.decided_at_s
    return decided, at_s


def _eye(pressure: FloatArray, minutes: int, limit: float, sound: bool, rng: np.random.Generator) -> float:
    """Share of wrong verdicts of a gauge read at 60 s and again ``minutes`` later."""
    psi = (pressure - ATMOSPHERE_PA) / PSI_PA
    start, end = round(WAIT_S), round(WAIT_S) + 60 * minutes
    fall = psi[:, start] - psi[:, end] + rng.uniform(-1, 1, len(psi)) - rng.uniform(-1, 1, len(psi))
    return float(np.mean((fall / minutes <= limit) != sound))


def wilson(hits: int, trials: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson's score interval)."""
    z2 = 1.959964**2
    middle = (hits + z2 / 2) / (trials + z2)
    half = np.sqrt(z2 * (hits * (trials - hits) / trials + z2 / 4)) / (trials + z2)
    return max(0.0, float(middle - half)), min(1.0, float(middle + half))


# --- the table ---

_HEAD = (
    "convection  start     drift          noise   leak | wrong (95 % interval)    unsure  median   p95 | "
    "eye 1, 3, 5 min wrong"
)


def _drift(cell: Cell) -> str:
    return f"{cell.drift:+.1f} {'unseen' if cell.drift and not cell.seen else '':<6}"


def _line(found: Outcome) -> str:
    cell = found.cell
    low, high = wilson(found.wrong, found.trials)
    eye = "  ".join(f"{each:4.0%}" for each in found.eye_wrong)
    where = f"{'weak' if cell.weak else 'normal':<10}  {cell.fill:<9} {_drift(cell)}  {cell.noise_psi:5.2f}"
    errors = f"{found.wrong / found.trials:6.2%} ({low:5.2%} to {high:6.2%})  {found.unsure / found.trials:6.1%}"
    return f"{where}  {cell.share:4.2f}x | {errors}  {found.median_s:4.0f} s {found.p95_s:4.0f} s | {eye}"


def _summary(found: list[Outcome]) -> Iterator[str]:
    calm = [each for each in found if each.cell.drift == 0]
    drifting = [each for each in found if each.cell.drift]
    groups = (
        ("no ambient drift", calm),
        ("drift 0.5 K/min, seen by a thermometer", [each for each in drifting if each.cell.seen]),
        ("drift 0.5 K/min, unseen", [each for each in drifting if not each.cell.seen]),
    )
    for name, group in groups:
        for error, sound in (("false fail", True), ("false pass", False)):
            cells_of = [each for each in group if each.cell.sound is sound]
            worst = max(cells_of, key=lambda each: each.wrong / each.trials)
            wrong, trials = sum(each.wrong for each in cells_of), sum(each.trials for each in cells_of)
            yield (
                f"{error}, {name}: {wrong} of {trials} ({wrong / trials:.3%}); worst cell "
                f"{worst.wrong / worst.trials:.2%}: {_line(worst).split('|')[0].strip()}"
            )
    for name, share in (("healthy (no leak)", 0.0), ("clear fail (2x)", 2.0)):
        medians = [each.median_s for each in calm if each.cell.share == share]
        yield f"watching, {name}, no drift: median {min(medians):.0f} to {max(medians):.0f} s over all cells"
    decided = [each for each in calm if each.cell.share in (0.0, 2.0)]
    unsure, trials = (sum(getattr(each, name) for each in decided) for name in ("unsure", "trials"))
    yield f"undecided after five minutes there: {unsure} of {trials}"


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=1000, help="trials a cell")
    parser.add_argument("--seed", type=int, default=None, help="fresh when absent")
    parser.add_argument("--limit", type=float, default=2.0, help="psi/min")
    options = parser.parse_args()
    seed = secrets.randbits(31) if options.seed is None else options.seed
    print(f"limit {options.limit:g} psi/min, {options.n} trials a cell, seed {seed}; drift K/min, noise psi\n{_HEAD}")
    rng = np.random.default_rng(seed)
    found = []
    for _, alike in groupby(cells(), key=lambda cell: (cell.weak, cell.fill, cell.drift, cell.share)):
        group = list(alike)
        pressure = simulated(group[0], options.n, options.limit, rng)
        for cell in group:
            found.append(outcome(cell, pressure, options.limit, rng))
            print(_line(found[-1]), flush=True)
    print("\n" + "\n".join(_summary(found)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
