"""One line's leak: readings in, a judgement out, second by second or of a stored trace.

The rate is the fall of pressure that the leak causes at 100 psig with everything settled, whatever
the pressure was. It is not a flow: the same hole empties a line nine times as fast as a reservoir.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bench.air.gas import ATMOSPHERE_PA, PSI_PA, REFERENCE_PA, leak_of_rate, rate_of_leak
from bench.air.sequential import Zone, interval
from bench.air.settling import GAMMA, FloatArray
from bench.air.steady import SUSPICIOUS
from bench.air.trace import at_rest, implausible
from bench.air.watch import DROPPED_S, FIRST_DECISION_S, NOTHING, PASSED, UNDECIDED_S, WAIT_S, Sensor, Watch
from bench.profiles.traces import PressureTrace
from bench.results import Verdict

BIN_S = 1.0
WALK_PA = 0.03 * PSI_PA / math.sqrt(60)  # of a sensor over one second
BIAS_PA_PER_S = 0.1 * PSI_PA / 60  # 0.25 K/min of the tank's own, which nobody measures
_LEAST_BINS = 12
_NOISE_STEP = 1.25
_LEAST_NOISE = 0.02 * PSI_PA / REFERENCE_PA
_BIAS_WITH_SKIN_PA_PER_S = 0.03 * PSI_PA / 60
_AMBIENT_DRIFT_K_PER_S = 0.2 / 60
_FOLLOWS, _FOLLOWS_DOUBT = 0.5, 0.29  # of the weather by a wall, as anything from not at all to wholly: its mean and
# standard deviation
_LEAST_WEATHER_S = 30.0  # a thermometer tells tenths of a kelvin
_JUMP = 12.0
_LONGEST_GAP_S = 30.0
_SLOW_SETTLING = 0.5
_MOST_BY_SETTLING = 0.25  # of ln p: no charge leaves air 60 K warmer than its wall
_EVEN = 0.3
_READING = 0.01  # of ln p: far more than any noise
_LEAST_PA = 1e3

_ALWAYS = (
    "where it leaks: only that this line loses air",
    "a flow in litres or cubic feet: that needs the volume behind the line",
)


@dataclass(frozen=True, slots=True)
class LeakJudgement:
    """What is known of a line's leak so far.

    Attributes:
        verdict: None while it is still open.
        rate_pa_per_s, low_pa_per_s, high_pa_per_s: fall at 100 psig and its 95 % interval; None before any estimate.
        decided_at_s: trace time of the decision.
        steady: False when the slope changed while it was watched.
        reason: why it is unsure or still open, in one sentence.
        cannot_tell: what this measurement can't know.
        seconds_to_go: about how long a decision will take yet.
    """

    verdict: Verdict | None
    reason: str | None = None
    rate_pa_per_s: float | None = None
    low_pa_per_s: float | None = None
    high_pa_per_s: float | None = None
    decided_at_s: float | None = None
    steady: bool = True
    changed_at_s: float | None = None
    seconds_to_go: float | None = None
    cannot_tell: tuple[str, ...] = _ALWAYS


@dataclass(frozen=True, slots=True)
class Weather:
    """What a tank's wall makes of the air around it: how fast ``y`` rises by it, and how far that is known, 1/s."""

    rise: float
    bias: float

    @classmethod
    def of(cls, ambient_k_per_s: float) -> "Weather":
        """Of a drift of the air around; 0 when nobody measured one."""
        whole = ambient_k_per_s / 293.15
        return cls(_FOLLOWS * whole, math.hypot(leak_of_rate(BIAS_PA_PER_S), _FOLLOWS_DOUBT * whole))


class LeakWatch:
    """A line that is being watched; readings may come at any rate, from 0.2 Hz up."""

    def __init__(self, limit_pa_per_s: float, waited_s: float = 0.0, ambient_k_per_s: float = 0.0) -> None:
        """Begin at the closing of the valve.

        Args:
            limit_pa_per_s: largest fall at 100 psig that passes.
            waited_s: how long ago the fill ended when time was zero; 0 when not known.
            ambient_k_per_s: drift of the air around, when it was measured.
        """
        self._limit = limit_pa_per_s
        self._waited_s = waited_s
        self._ambient = ambient_k_per_s
        self._by_weather = Weather.of(ambient_k_per_s)
        self._bin: list[tuple[float, float, float | None]] = []
        self._bins: list[tuple[float, float]] = []
        self._skin_0: float | None = None
        self._has_skin = False
        self._watch: Watch | None = None
        self._noise = 0.0
        self._measured_at = 0
        self._jumped_at_s: float | None = None
        self._emptied: LeakJudgement | None = None

    def add(self, time_s: float, pressure_pa: float, tank_c: float | None = None) -> None:
        """Take a gauge reading, and the tank's skin temperature where there is a sensor; time rises."""
        if self._bin and math.floor(time_s / BIN_S) != math.floor(self._bin[0][0] / BIN_S):
            self._close_bin()
        self._bin.append((time_s, pressure_pa, tank_c))

    def judgement(self, *, last: bool = False) -> LeakJudgement:
        """What is known now; ``last`` when no more readings will come."""
        if last and self._bin:
            self._close_bin()
        if self._emptied is not None:
            return self._emptied
        watch = self._watch
        if watch is None:
            return self._open("too few readings for an estimate", last)
        if self._jumped_at_s is not None:
            return self._unsteady(watch, self._jumped_at_s, "the pressure jumped")
        watch.scan()  # after the decision too: a stored trace goes on, and must not contradict it
        if watch.bent[0] >= SUSPICIOUS:
            return self._unsteady(watch, float(watch.bent_at_s[0]), "the slope changed")
        if watch.decided[0] != NOTHING and not watch.rises()[0]:
            verdict = Verdict.PASS if watch.decided[0] == PASSED else Verdict.FAIL
            return self._estimated(watch, verdict, None, float(watch.decided_at_s[0]))
        over = last or self._bins[-1][0] >= UNDECIDED_S
        return self._estimated(watch, Verdict.UNSURE if over else None, self._why_open(watch, over), None)

    # --- readings ---

    def _close_bin(self) -> None:
        """One mean a second: other rates carry no more than their noise tells."""
        times, pressures, skins = zip(*self._bin, strict=True)
        self._bin = []
        y = math.log(max(float(np.median(pressures)) + ATMOSPHERE_PA, _LEAST_PA))
        if all(skin is not None for skin in skins):
            y -= self._by_skin(float(np.mean(skins)))
        time_s = float(np.mean(times))
        if time_s >= DROPPED_S:
            self._look_for_jump(time_s, y)
            self._bins.append((time_s, y))
            self._look_for_emptying()
        decided = self._watch is not None and self._watch.decided[0] != NOTHING
        if not decided and len(self._bins) >= max(_LEAST_BINS, 2 * self._measured_at):
            self._measure_noise()
        elif self._watch is not None and time_s >= DROPPED_S:
            self._feed(self._watch, time_s, y)

    def _feed(self, watch: Watch, time_s: float, y: float) -> None:
        by_weather = 0.0 if self._has_skin else self._by_weather.rise * time_s
        watch.add(time_s, np.array([y - by_weather]))

    def _by_skin(self, tank_c: float) -> float:
        """What the wall's own warming adds to ``y``."""
        self._has_skin = True
        kelvins = tank_c + 273.15
        if self._skin_0 is None:
            self._skin_0 = kelvins
        return math.log(kelvins / self._skin_0)

    def _look_for_jump(self, time_s: float, y: float) -> None:
        if self._watch is None or len(self._bins) < 2 or self._jumped_at_s is not None:
            return
        (before_s, before), (last_s, last) = self._bins[-2:]
        expected = last + (last - before) / (last_s - before_s) * (time_s - last_s)
        spread = self._noise * (time_s - before_s) / (last_s - before_s) * math.sqrt(6)
        if abs(y - expected) > _JUMP * spread and abs(y - last) > _JUMP * self._noise:
            self._jumped_at_s = time_s

    def _look_for_emptying(self) -> None:
        """A line that loses a quarter of its air, more than settling can, and evenly, needs no statistics.

        It may be empty, and its flow no longer choked, before a minute is over.
        """
        (began_s, full), (now_s, y) = self._bins[0], self._bins[-1]
        watched_s, lost = now_s - began_s, full - y
        allowed = _MOST_BY_SETTLING + 2 * leak_of_rate(self._limit) * watched_s
        if self._emptied is not None or watched_s < FIRST_DECISION_S or lost < allowed:
            return
        halfway = next(each for time_s, each in self._bins if time_s >= began_s + watched_s / 2)
        if full - halfway < _EVEN * lost:
            return  # it began later: the watch finds that it is not steady
        shares = (lost / GAMMA**0.5, (lost - _MOST_BY_SETTLING) / GAMMA, lost + _READING)
        rate, low, high = (rate_of_leak(share / watched_s) for share in shares)
        self._emptied = LeakJudgement(
            Verdict.FAIL, "it empties", rate, low, high, now_s, cannot_tell=self._cannot_tell()
        )

    def _measure_noise(self) -> None:
        """Take the noise from what is there, and begin again with it: later readings know it better."""
        self._measured_at = len(self._bins)
        times, y = (np.array(column) for column in zip(*self._bins, strict=True))
        self._noise = sensor_noise(times, y)
        level_pa = math.exp(float(y[0]))
        bias = leak_of_rate(_BIAS_WITH_SKIN_PA_PER_S) if self._has_skin else self._by_weather.bias
        sensor = Sensor(self._noise, WALK_PA / level_pa)
        self._watch = Watch(
            1, Zone(leak_of_rate(self._limit), bias), sensor, self._waited_s, not_before_s=float(times[-1])
        )
        for time_s, each in self._bins:
            self._feed(self._watch, time_s, each)

    # --- words ---

    def _estimated(
        self, watch: Watch, verdict: Verdict | None, reason: str | None, decided_at_s: float | None
    ) -> LeakJudgement:
        mean, deviation = watch.estimate()
        low, high = interval(mean, deviation)
        to_go = watch.seconds_to_decision() if verdict is None else None
        rate, below, above = (rate_of_leak(float(each[0])) for each in (mean, low, high))
        return LeakJudgement(
            verdict, reason, rate, below, above, decided_at_s, seconds_to_go=to_go, cannot_tell=self._cannot_tell()
        )

    def _unsteady(self, watch: Watch, when_s: float, what: str) -> LeakJudgement:
        seen = self._estimated(watch, Verdict.UNSURE, None, None)
        reason = f"not steady: {what} at t = {when_s:.0f} s (a valve reseated, or a leak began); repeat"
        return LeakJudgement(
            Verdict.UNSURE, reason, seen.rate_pa_per_s, seen.low_pa_per_s, seen.high_pa_per_s,
            steady=False, changed_at_s=when_s, cannot_tell=seen.cannot_tell,
        )  # fmt: skip

    def _open(self, reason: str, last: bool) -> LeakJudgement:
        return LeakJudgement(Verdict.UNSURE if last else None, reason, cannot_tell=self._cannot_tell())

    def _why_open(self, watch: Watch, over: bool) -> str:
        if watch.rises()[0]:
            return "the pressure rises with the valve shut: the valve passes, or the tank is being warmed"
        time_s = self._bins[-1][0]
        needed_s = WAIT_S - self._waited_s
        if time_s < needed_s:
            return f"waiting for the air to settle after the fill: nothing is decided before {needed_s:.0f} s"
        if float(watch.settling()[0]) > _SLOW_SETTLING * leak_of_rate(self._limit):
            return "the tank still settles after charging: it needs a longer wait"
        if over and time_s < UNDECIDED_S:
            return f"the trace ends at {time_s:.0f} s, before the evidence decides: watch longer"
        return "close to the limit: the evidence does not decide yet"

    def _cannot_tell(self) -> tuple[str, ...]:
        said = list(_ALWAYS)
        if not self._has_skin:
            said.append("leaking from warming or cooling of the tank: 0.5 K/min reads as 0.2 psi/min (1.4 kPa/min)")
        if abs(self._ambient) > _AMBIENT_DRIFT_K_PER_S:
            said.append(f"how much of it is the weather: the air around moved by {self._ambient * 60:+.1f} K/min")
        if any(later - earlier > _LONGEST_GAP_S for (earlier, _), (later, _) in pairwise(self._bins)):
            said.append("what happened in the gaps of the record")
        return tuple(said)


def judge_trace(trace: PressureTrace, line: str, limit_pa_per_s: float, waited_s: float = 0.0) -> LeakJudgement:
    """The leak decision on a stored trace that begins when the valve closes.

    Args:
        trace: at least one pressure column.
        line: which of them.
        limit_pa_per_s: largest fall at 100 psig that passes.
        waited_s: how long ago the fill ended when the trace began; 0 when not known.

    Raises:
        KeyError: the trace has no such column.
    """
    if at_rest(trace, line):
        return LeakJudgement(Verdict.NOT_TESTED, "at rest all along: brakes released, nothing in it to leak")
    wrong = implausible(trace, line)
    if wrong:
        return LeakJudgement(Verdict.UNSURE, wrong)
    watch = LeakWatch(limit_pa_per_s, waited_s, ambient_drift(trace.time_s, trace.ambient_c))
    skins = trace.tank_c if trace.tank_c is not None else [None] * trace.time_s.size
    since_s = trace.time_s - trace.time_s[0]
    for time_s, pressure_pa, skin in zip(since_s, trace.pressure_pa[line], skins, strict=True):
        watch.add(float(time_s), float(pressure_pa), None if skin is None else float(skin))
    return watch.judgement(last=True)


def ambient_drift(time_s: FloatArray, ambient_c: FloatArray | None) -> float:
    """Slope of the air's temperature, K/s; 0 while there is too little to tell."""
    if ambient_c is None or time_s.size < 3 or time_s[-1] - time_s[0] < _LEAST_WEATHER_S:
        return 0.0
    centred = time_s - time_s.mean()
    return float(centred @ ambient_c / (centred @ centred))


def sensor_noise(times_s: FloatArray, y: FloatArray) -> float:
    """Standard deviation of a sample of ``y``, rounded to a row of levels so that few different ones occur.

    From second differences, which are blind to any straight line; their median is blind to spikes.
    """
    gaps = np.diff(times_s)
    bends = (y[2:] - y[1:-1]) - (y[1:-1] - y[:-2]) * gaps[1:] / gaps[:-1]
    scale = np.sqrt(1 + (1 + gaps[1:] / gaps[:-1]) ** 2 + (gaps[1:] / gaps[:-1]) ** 2)
    measured = float(np.median(np.abs(bends) / scale)) / 0.6745
    steps = math.ceil(math.log(max(measured / _LEAST_NOISE, 1.0), _NOISE_STEP) - 0.3)
    return float(_LEAST_NOISE * _NOISE_STEP ** max(steps, 0))
