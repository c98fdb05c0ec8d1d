"""The board's analogue inputs: true values in, raw integers in Pa, um or mK out.

A reading is the mean of the last 10 ms (the contract's snapshot), seen through the transducer's known delay; a
sample of the capture memory is the mean of 1 ms, noisier by the root of that ratio. Pressure inputs have a zero
error, white noise and a zero that walks slowly; all inputs are quantised to 14 bits of their range and end a little
outside it, as a converter does. An unplugged transducer reads 0 V, which for the usual 0.5 to 4.5 V of a ratiometric
one is an eighth of the range below its low end.
"""

import numpy as np

from bench.contract.table import AIR_INPUTS
from bench.profiles.air_model import AirFault, AirInput, AirScenario

BITS = 14
MEAN_S = 0.010
SAMPLE_S = 0.001
STROKE_NOISE_UM = 20.0
SKIN_NOISE_MK = 30.0
END_SHARE = 1 / 8  # of the range, from its end to the converter's end


class Transducer:
    """One input.

    Args:
        wired: what it measures.
        scenario: errors.
        seed: decides noise and drift.
    """

    def __init__(self, wired: AirInput, scenario: AirScenario, seed: int) -> None:
        self.wired = wired
        self._rng = np.random.default_rng([seed, wired.number])
        pressure = wired.quantity not in ("stroke", "tank-skin")
        other_noise = STROKE_NOISE_UM if wired.quantity == "stroke" else SKIN_NOISE_MK
        self._zero = scenario.sensor_zero_pa if pressure else 0.0
        self._noise = scenario.sensor_noise_pa if pressure else other_noise
        self._walk_per_sqrt_s = scenario.sensor_drift_pa_per_sqrt_min / 60**0.5 if pressure else 0.0
        self._walked, self._seen_s = 0.0, 0.0
        self._step = (wired.high - wired.low) / 2**BITS
        self._last: int | None = None

    def read(self, true: float, time_s: float, faults: frozenset[str], mean_s: float = MEAN_S) -> int:
        """Raw reading of a true value in the input's own unit, averaged for so long."""
        margin = END_SHARE * (self.wired.high - self.wired.low)
        if "sensor-unplugged" in faults:
            return round(self.wired.low - margin)
        if "sensor-stuck" in faults and self._last is not None:
            return self._last
        noise = self._noise * (MEAN_S / mean_s) ** 0.5
        value = true + self._zero + self._walk(time_s) + noise * float(self._rng.standard_normal())
        steps = round((value - self.wired.low) / self._step)
        least, most = self.wired.low - margin, self.wired.high + margin
        self._last = round(min(max(self.wired.low + steps * self._step, least), most))
        return self._last

    def _walk(self, time_s: float) -> float:
        elapsed_s, self._seen_s = time_s - self._seen_s, time_s
        self._walked += self._walk_per_sqrt_s * max(elapsed_s, 0.0) ** 0.5 * float(self._rng.standard_normal())
        return self._walked


class Transducers:
    """All six inputs; those that are not wired read 0."""

    def __init__(self, inputs: tuple[AirInput, ...], scenario: AirScenario, seed: int) -> None:
        self.inputs = tuple(Transducer(each, scenario, seed) for each in inputs)

    @property
    def longest_delay_s(self) -> float:
        """How far back true values are wanted."""
        return MEAN_S + max((each.wired.filter_delay_s for each in self.inputs), default=0.0)

    def read(
        self, true: dict[int, float], time_s: float, faults: list[AirFault], mean_s: float = MEAN_S
    ) -> tuple[int, ...]:
        """Raw readings by input number from true values by input number."""
        swapped = any(fault.kind == "sensors-swapped" for fault in faults)
        raw = [0] * AIR_INPUTS
        for each in self.inputs:
            here = frozenset(fault.kind for fault in faults if fault.place == each.wired.quantity)
            source = self._swapped_with(each) if swapped else each
            raw[each.wired.number - 1] = each.read(true[source.wired.number], time_s, here, mean_s)
        return tuple(raw)

    def _swapped_with(self, one: Transducer) -> Transducer:
        other = {"supply": "service", "service": "supply"}.get(one.wired.quantity)
        return next((each for each in self.inputs if each.wired.quantity == other), one)
