"""Blink codes of a warning lamp, read from the current of the circuit that feeds it. Pure.

The lamp adds a step to a supply current that has ripple, noise and drift of its own:

1. The strongest line above 10 Hz is averaged away over one of its periods, then blocks of 20 ms are taken by their
   median, which throws short bursts away.
2. Two levels one step apart above a baseline that may wander, and which of them each block is at, are found in turns: a
   piecewise linear baseline and one step by least squares, then the likeliest way through a two-state hidden Markov
   chain (Viterbi; Rabiner, Proc. IEEE 77, 1989).
3. A step under four standard deviations of what is left is none. What is left may hold no line under 10 Hz, and blocks
   between the levels may be edges only: a slow wave is no lamp.
4. Pulses and gaps shorter than 60 ms are none. Gaps fall into those between blinks, between digits and between codes,
   each clearly longer than the one before.

A code is taken when it was seen twice or more, and every whole repetition says the same, or most of them; in doubt
there is none, and the reason is given: a wrong code sends people to the wrong part.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr  # type: ignore[import-untyped]

Floats = NDArray[np.float64]
Digits = tuple[int, ...]

BLOCK_S = 0.02
SHORTEST_S = 0.06
KNOT_S = 6.0  # of the baseline
REACHES_S = (6.0, 30.0)  # of a first guess: for a baseline that wanders, and for a lamp that stays lit for long
SIGMAS = 4.0
SLOW_HZ = 10.0
LINE_OVER_MEDIAN = 30.0  # of power: a line of ripple
SLOW_SHARE = 0.18  # of the step: amplitude of a line in what is left
BETWEEN = (0.25, 0.75)  # of the step: neither dark nor lit
BETWEEN_PER_EDGE = 1.6
HOLD_S = 0.3  # of a state, for the chain
ROUNDS = 6
GAP_RATIO = 1.5  # between the longest gap of a kind and the shortest of the next, at least
SHORT_TO_ON = 2.2  # a gap longer than this many blinks is none between blinks
MOST_PER_DIGIT = 15
UNEVEN = 2.5  # of the lengths of blinks, nine tenths beside one tenth
LEAST_REPEATS = 2
CLIP = 3.5  # a block further off than so many sigmas is an outlier


@dataclass(frozen=True, slots=True)
class Pulse:
    """One blink, seconds from the beginning of the trace."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Blinks:
    """What a trace says.

    Attributes:
        code: its digits; None when it can't be read, and ``why`` says why.
        confidence: that the code is right, 0..1.
        step_a: of the lamp's current; 0 where no step was found.
        repeats: whole codes that agree.
    """

    code: Digits | None
    confidence: float
    why: str
    pulses: tuple[Pulse, ...] = ()
    step_a: float = 0.0
    repeats: int = 0

    @property
    def text(self) -> str:
        """``2-3``, or nothing."""
        return "" if self.code is None else "-".join(map(str, self.code))


@dataclass(frozen=True, slots=True)
class Levels:
    """Two levels in a trace, and which of them holds; ``lit`` has a value for each block of ``dt_s``."""

    dt_s: float
    lit: NDArray[np.bool_]
    step_a: float
    sigma_a: float
    why_not: str = ""

    @property
    def clear(self) -> bool:
        """Whether there is a lamp's step at all."""
        return not self.why_not


def read_blinks(current_a: Sequence[float], dt_s: float, *, digits: int = 2) -> Blinks:
    """Digits of a blink code.

    Args:
        current_a: evenly sampled supply current, at 50 samples a second or more.
        dt_s: between samples.
        digits: in a code.
    """
    levels = find_levels(current_a, dt_s)
    if not levels.clear:
        return Blinks(None, 0.0, levels.why_not)
    pulses = pulses_of(levels)
    read = read_pulses(pulses, digits=digits)
    blocks = min((pulse.end_s - pulse.start_s for pulse in pulses), default=0.0) / levels.dt_s
    sure = float(ndtr(levels.step_a / levels.sigma_a / 2 * np.sqrt(max(blocks, 1.0)) / 2)) ** len(pulses)
    return Blinks(read.code, read.confidence * sure, read.why, pulses, levels.step_a, read.repeats)


# --- two levels ---


def find_levels(current_a: Sequence[float], dt_s: float) -> Levels:
    """Whether and when the current is one step up."""
    blocks, block_s, smeared = _blocks(np.asarray(current_a, dtype=np.float64), dt_s)
    nothing = np.zeros(len(blocks), dtype=bool)
    if len(blocks) * block_s < 1.0:
        return Levels(block_s, nothing, 0.0, 1.0, "the trace is shorter than a second")
    found = [_in_turns(blocks, block_s, _first_guess(blocks, block_s, reach_s)) for reach_s in REACHES_S]
    rest, lit, step_a, sigma_a = min(found, key=_misfit)
    why_not = _why_no_step(rest, lit, step_a, sigma_a, block_s, smeared)
    return Levels(block_s, lit, max(step_a, 0.0), sigma_a, why_not)


Fitted = tuple[Floats, NDArray[np.bool_], float, float]  # above the baseline, lit, step, standard deviation


def _in_turns(blocks: Floats, block_s: float, lit: NDArray[np.bool_]) -> Fitted:
    """Baseline and step for the states, states for baseline and step, until nothing changes."""
    for _ in range(ROUNDS):
        before = lit
        base, step_a = _fit(blocks, lit, block_s)
        rest = blocks - base
        sigma_a = max(1.4826 * float(np.median(np.abs(rest - step_a * lit))), 1e-6)
        if step_a <= 0:
            break
        lit = _likeliest(rest, step_a, sigma_a, block_s)
        if np.array_equal(lit, before):
            break
    return rest, lit, step_a, sigma_a


def _misfit(fitted: Fitted) -> float:
    """Mean distance from the nearer level; bursts count no more than half a step of the larger kind."""
    rest, lit, step_a, _ = fitted
    return float(np.mean(np.minimum(np.abs(rest - step_a * lit), np.ptp(rest) / 4)))


def _blocks(current_a: Floats, dt_s: float) -> tuple[Floats, float, float]:
    """Medians of blocks, their length, and how many of them an edge is smeared over by averaging a fast line away."""
    period = _period_of_line(current_a, dt_s)
    if period > 1 and len(current_a) > 2 * period:
        sums = np.cumsum(np.insert(current_a, 0, 0.0))
        current_a = (sums[period:] - sums[:-period]) / period
    width = max(round(BLOCK_S / dt_s), 1)
    whole = len(current_a) // width * width
    medians: Floats = np.median(current_a[:whole].reshape(-1, width), axis=1)
    return medians, width * dt_s, period / width


def _period_of_line(current_a: Floats, dt_s: float) -> int:
    """Samples in a period of the strongest line above 10 Hz; 1 where none stands out."""
    if len(current_a) * dt_s < 1.0:
        return 1
    hertz, line_a = _spectrum(np.diff(current_a), dt_s)
    power, fast = line_a**2, hertz > SLOW_HZ
    if not fast.any():
        return 1
    place = int(np.argmax(np.where(fast, power, 0.0)))
    if power[place] < LINE_OVER_MEDIAN * float(np.median(power[fast])):
        return 1
    return max(round(1 / (float(hertz[place]) * dt_s)), 1)


def _spectrum(values: Floats, dt_s: float) -> tuple[Floats, Floats]:
    """Frequencies, and the amplitude of a line at each; Hann window."""
    window = np.hanning(len(values))
    hertz = np.asarray(np.fft.rfftfreq(len(values), dt_s), dtype=np.float64)
    amplitude: Floats = 2 * np.abs(np.fft.rfft((values - values.mean()) * window)) / window.sum()
    return hertz, amplitude


def _first_guess(blocks: Floats, block_s: float, reach_s: float) -> NDArray[np.bool_]:
    """Above what is low nearby by half of how much the trace moves where it moves most."""
    reach = max(round(reach_s / block_s), 3)
    padded = np.pad(blocks, reach // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach)[: len(blocks) : max(reach // 12, 1)]
    at = np.arange(len(windows)) * max(reach // 12, 1)
    low = np.interp(np.arange(len(blocks)), at, np.percentile(windows, 5, axis=1))
    high = np.interp(np.arange(len(blocks)), at, np.percentile(windows, 96, axis=1))
    span = max(float(np.percentile(high - low, 90)), 1e-9)
    guess: NDArray[np.bool_] = blocks > low + span / 2
    return guess


def _fit(blocks: Floats, lit: NDArray[np.bool_], block_s: float) -> tuple[Floats, float]:
    """Baseline and step, least squares, outliers left out once."""
    count = max(int(len(blocks) * block_s / KNOT_S), 1) + 1
    place = np.linspace(0, count - 1, len(blocks))
    hats = np.maximum(1 - np.abs(place[:, None] - np.arange(count)[None, :]), 0.0)
    # Steady light for longer than a few knots looks like drift: neighbouring knots are held together a little.
    bends = np.diff(np.eye(count), axis=0) * 3.0
    design = np.column_stack([hats, lit.astype(float)])
    ties = np.column_stack([bends, np.zeros(count - 1)])
    keep = np.ones(len(blocks), dtype=bool)
    for _ in range(2):
        rows = np.vstack([design[keep], ties])
        wanted = np.concatenate([blocks[keep], np.zeros(count - 1)])
        solved = np.linalg.lstsq(rows, wanted, rcond=None)[0]
        off = np.abs(blocks - design @ solved)
        keep = off <= max(CLIP * 1.4826 * float(np.median(off)), abs(float(solved[-1])) / 3) + 1e-9
    return hats @ solved[:-1], float(solved[-1])


def _likeliest(rest: Floats, step_a: float, sigma_a: float, block_s: float) -> NDArray[np.bool_]:
    """Viterbi over dark and lit."""
    change = block_s / HOLD_S
    stay_cost, change_cost = -np.log(1 - change), -np.log(change)
    scale_a = max(sigma_a, step_a / 8)  # a very clean trace must not make its edges outliers
    costs = np.minimum(((rest[:, None] - np.array([0.0, step_a])) / scale_a) ** 2 / 2, CLIP**2 / 2)
    dark, lit = costs[0]
    came: NDArray[np.bool_] = np.zeros((len(rest), 2), dtype=bool)  # from the other state
    for n in range(1, len(rest)):
        to_dark, to_lit = lit + change_cost < dark + stay_cost, dark + change_cost < lit + stay_cost
        came[n] = to_dark, to_lit
        dark, lit = (
            costs[n, 0] + (lit + change_cost if to_dark else dark + stay_cost),
            costs[n, 1] + (dark + change_cost if to_lit else lit + stay_cost),
        )
    path = np.zeros(len(rest), dtype=bool)
    state = bool(lit < dark)
    for n in range(len(rest) - 1, -1, -1):
        path[n] = state
        state ^= bool(came[n, int(state)])
    return path


def _why_no_step(
    rest: Floats, lit: NDArray[np.bool_], step_a: float, sigma_a: float, block_s: float, smeared: float
) -> str:
    edges = int(np.count_nonzero(np.diff(lit)))
    if step_a < SIGMAS * sigma_a or edges == 0:
        return "no step of a lamp is in this current: it may be fed from elsewhere; count the blinks by eye"
    share = rest / step_a
    between = int(np.count_nonzero((share > BETWEEN[0]) & (share < BETWEEN[1])))
    noise = len(rest) * 2 * float(ndtr(-BETWEEN[0] * step_a / sigma_a))
    if between > (BETWEEN_PER_EDGE + smeared / 2) * edges + 3 * noise + 3:
        return "the current goes up and down slowly, not in steps: that is no lamp"
    left = rest - step_a * lit
    hertz, line_a = _spectrum(np.clip(left, -step_a / 2, step_a / 2), block_s)
    slow = (hertz > 0.4) & (hertz < SLOW_HZ)
    if float(line_a[slow].max(initial=0.0)) > SLOW_SHARE * step_a:
        return "a line slower than 10 Hz is in this current: blinks can't be told from it"
    return ""


# --- pulses and digits ---


def pulses_of(levels: Levels) -> tuple[Pulse, ...]:
    """Whole pulses; those cut off by an end of the trace are none."""
    runs = _runs(levels.lit, round(SHORTEST_S / levels.dt_s))
    inner = runs[1:-1]
    return tuple(Pulse(start * levels.dt_s, end * levels.dt_s) for start, end, lit in inner if lit)


def _runs(lit: NDArray[np.bool_], least: int) -> list[tuple[int, int, bool]]:
    """Runs of one state, those shorter than ``least`` given to what was before."""
    ends = [0, *(np.flatnonzero(np.diff(lit)) + 1).tolist(), len(lit)]
    runs: list[tuple[int, int, bool]] = []
    for start, end in pairwise(ends):
        state = bool(lit[start])
        if runs and (end - start < least or runs[-1][2] == state):
            runs[-1] = (runs[-1][0], end, runs[-1][2])
        else:
            runs.append((start, end, state))
    return runs


def read_pulses(pulses: Sequence[Pulse], *, digits: int = 2) -> Blinks:
    """Digits of pulses that are known, by whatever means: a trace, or somebody's taps."""
    told = tuple(pulses)
    if len(told) < max(digits, 1):
        return Blinks(None, 0.0, f"{len(told)} blinks are fewer than a code of {digits} digits has", told)
    gaps = [after.start_s - before.end_s for before, after in pairwise(told)]
    lengths = [pulse.end_s - pulse.start_s for pulse in told]
    on_s = float(np.median(lengths))
    if float(np.percentile(lengths, 90)) > UNEVEN * float(np.percentile(lengths, 10)):
        return Blinks(None, 0.0, "what blinks is of uneven length: that is no code", told)
    bounds = _bounds(gaps, on_s, digits)
    if bounds is None:
        return Blinks(None, 0.0, "the gaps between blinks, digits and codes are too alike", told)
    short_s, digit_s, margin = bounds
    groups = _grouped(gaps, short_s, digit_s)
    if any(count > MOST_PER_DIGIT for code in groups for count in code):
        return Blinks(None, 0.0, f"more than {MOST_PER_DIGIT} blinks without a pause: that is no code", told)
    whole = [tuple(code) for n, code in enumerate(groups) if len(code) == digits or 0 < n < len(groups) - 1]
    return _agreed(whole, digits, margin, told)


def _bounds(gaps: Sequence[float], on_s: float, digits: int) -> tuple[float, float, float] | None:
    """Where gaps between blinks end, where gaps between digits end, and by how much they stand apart."""
    ordered = sorted(gaps)
    breaks = [(after / before, (before * after) ** 0.5) for before, after in pairwise(ordered) if before > 0]
    clear = sorted(sorted(breaks, reverse=True)[:2], key=lambda each: each[1])
    clear = [each for each in clear if each[0] >= GAP_RATIO]
    has_short = ordered[0] < SHORT_TO_ON * on_s or len(clear) == 2
    if not ordered or (not clear and (digits > 1 or not has_short)):
        return (0.0, float("inf"), 2.0) if not has_short and digits == len(gaps) + 1 else None
    margin = min((ratio for ratio, _ in clear), default=2.0)
    if digits == 1:
        return (clear[0][1], clear[0][1], margin) if clear else (float("inf"), float("inf"), margin)
    long_gaps = sum(gap > clear[0][1] for gap in ordered)
    if len(clear) == 1 and (
        not has_short or (long_gaps >= digits and ordered[0] > on_s * 1.2)
    ):  # then no two blinks belong to one digit
        return 0.0, clear[0][1], clear[0][0]
    if len(clear) == 1:
        return clear[0][1], float("inf"), margin
    return clear[0][1], clear[1][1], margin


def _grouped(gaps: Sequence[float], short_s: float, digit_s: float) -> list[list[int]]:
    """Codes as lists of digits."""
    codes = [[1]]
    for gap_s in gaps:
        if gap_s > digit_s:
            codes.append([1])
        elif gap_s > short_s:
            codes[-1].append(1)
        else:
            codes[-1][-1] += 1
    return codes


def _agreed(codes: Sequence[Digits], digits: int, margin: float, told: tuple[Pulse, ...]) -> Blinks:
    counted = Counter(codes)
    if not counted:
        return Blinks(None, 0.0, "no whole code was seen: record for longer", told)
    (code, times), *others = counted.most_common()
    if len(code) != digits:
        return Blinks(None, 0.0, f"codes of {len(code)} digits were seen, not of {digits}", told)
    against = sum(count for _, count in others)
    if against and times < 2 * against + 1:
        return Blinks(None, 0.0, "the repetitions say different codes", told)
    if times < LEAST_REPEATS:
        return Blinks(None, 0.0, "the code was seen only once: record for longer", told)
    apart = 1 - 0.5 * float(np.exp(-3 * (margin - 1)))
    return Blinks(code, apart * times / (times + against), "", told, repeats=times)
