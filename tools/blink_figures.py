"""How well blink codes are read: traces drawn at random, with the truth known, across steps and ripple.

Every trace has its own code, times, jitter, ripple (12 to 250 Hz; sine, rectified or switching), noise,
drift and bursts.
Goals: 98 % right where the step is twice the ripple's amplitude or more, at most 0.5 % wrong anywhere.
"""

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.electrical.blinks import read_blinks

RATE_HZ = 1000
RIPPLE_A = (0.01, 0.03, 0.06)
STEPS = (0.5, 1.0, 1.5, 2.0, 3.0, 6.0)  # times the ripple's amplitude
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """One trace and its code; ``code`` is None where there is nothing to read."""

    current_a: Floats
    code: tuple[int, ...] | None


def trace(seed: int, ripple_a: float, step: float, *, blinking: bool = True) -> Truth:
    """A trace whose lamp adds ``step`` times ``ripple_a``; without a lamp when not ``blinking``."""
    draw = np.random.default_rng(seed)
    code = (int(draw.integers(1, 8)), int(draw.integers(1, 8)))
    lit = _lit(draw, code)
    times_s = np.arange(len(lit)) / RATE_HZ
    base = draw.uniform(0.25, 0.6) + draw.uniform(-0.003, 0.003) * times_s
    base += 0.02 * np.sin(times_s / draw.uniform(8, 20) + draw.uniform(0, 6))
    bursts = np.zeros(len(lit))
    for at in draw.integers(0, len(lit), 6):
        bursts[at : at + int(draw.integers(2, 9))] = draw.uniform(0.1, 1.0)
    noise = draw.normal(0, 0.003, len(lit))
    lamp = step * ripple_a * lit if blinking else 0.0
    return Truth(base + lamp + ripple_a * _ripple(draw, times_s) + bursts + noise, code if blinking else None)


def _lit(draw: np.random.Generator, code: tuple[int, ...]) -> Floats:
    """Light against time: a wait, the code two to four times, a wait."""
    on_s, off_s = draw.uniform(0.2, 0.5), draw.uniform(0.2, 0.5)
    digit_s = draw.uniform(3.0, 4.5) * off_s
    code_s, jitter = draw.uniform(2.5, 4.0) * digit_s, draw.uniform(0.0, 0.12)
    parts: list[tuple[float, int]] = [(draw.uniform(1.0, 4.0), 0)]
    for _ in range(int(draw.integers(2, 5))):
        for digit in code:
            for blink in range(digit):
                parts += [(on_s, 1), (off_s if blink < digit - 1 else digit_s, 0)]
        parts[-1] = (code_s, 0)
    lengths = [seconds * max(1 + draw.normal(0, jitter), 0.75) for seconds, _ in parts]
    return np.concatenate(
        [np.full(round(seconds * RATE_HZ), float(on)) for seconds, (_, on) in zip(lengths, parts, strict=True)]
    )


def _ripple(draw: np.random.Generator, times_s: Floats) -> Floats:
    """Ripple of amplitude 1."""
    hertz, shape = draw.uniform(12, 250), draw.integers(0, 3)
    phase = 2 * np.pi * hertz * times_s + draw.uniform(0, 6)
    wander = np.cumsum(draw.normal(0, 0.01, len(times_s)))
    wave = np.sin(phase + wander)
    if shape == 1:
        wave = 2 * np.abs(np.sin(phase / 2 + wander)) - 1.27
    if shape == 2:
        wave = np.sign(wave)
    return np.asarray(wave, dtype=np.float64)


@dataclass
class Cell:
    """Counts of one kind of trace."""

    right: int = 0
    wrong: int = 0
    unread: int = 0

    def add(self, truth: Truth) -> None:
        """Read one."""
        code = read_blinks(truth.current_a.tolist(), 1 / RATE_HZ).code
        if code is None:
            self.unread += 1
        elif code == truth.code:
            self.right += 1
        else:
            self.wrong += 1

    @property
    def count(self) -> int:
        """Traces."""
        return self.right + self.wrong + self.unread


def figures(each: int, seed: int) -> dict[tuple[float, float], Cell]:
    """Cells by ripple and by step over ripple; step 0 has no lamp."""
    cells: dict[tuple[float, float], Cell] = {}
    for ripple_a in RIPPLE_A:
        for step in (0.0, *STEPS):
            cell = cells.setdefault((ripple_a, step), Cell())
            for _ in range(each):
                seed += 1
                cell.add(trace(seed, ripple_a, step, blinking=step > 0))
    return cells


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=10, help="traces a cell")
    parser.add_argument("--seed", type=int, default=1000)
    options = parser.parse_args()
    cells = figures(options.each, options.seed)
    print("ripple A  step/ripple  right  can't read  wrong")
    for (ripple_a, step), cell in cells.items():
        print(f"{ripple_a:8.3f}  {step:11.1f}  {cell.right:5d}  {cell.unread:10d}  {cell.wrong:5d}")
    good = [cell for (_, step), cell in cells.items() if step >= 2]
    every, wrong = sum(cell.count for cell in cells.values()), sum(cell.wrong for cell in cells.values())
    right, of = sum(cell.right for cell in good), sum(cell.count for cell in good)
    print(f"step >= 2 ripple: {right} of {of} right ({100 * right / of:.1f} %)")
    print(f"wrong anywhere: {wrong} of {every} ({100 * wrong / every:.2f} %)")


if __name__ == "__main__":
    main()
