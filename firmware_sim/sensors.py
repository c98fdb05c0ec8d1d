"""The board's converters: true values in, raw integers out, with the errors a real board has.

Gains and offsets are drawn once from the seed (they are a property of the board) unless the
scenario gives them; the gain is shared by all channels of a kind, as on a board with one
reference, and each input has its own offset. Noise is per 1 kS/s sample and falls with the
square root of the samples averaged. Raw values are mV, mA and 0.1 degC, quantised to the
converter's step and clamped to a register's range.
"""

from random import Random

from bench.profiles.model import SenseErrors

INT16 = (-0x8000, 0x7FFF)
UINT16 = (0, 0xFFFF)
CURRENT_GAIN_SIGMA = 0.0075  # 1.5 % two sigma
CURRENT_OFFSET_SIGMA_A = 0.005  # 10 mA two sigma
VOLTAGE_GAIN_SIGMA = 0.0015  # 0.3 % two sigma
VOLTAGE_OFFSET_SIGMA_V = 0.0015  # 3 mV two sigma
TEMPERATURE_OFFSET_SIGMA_K = 0.5


class _Input:
    """One converter input with its own offset and its own noise."""

    def __init__(
        self, gain: float, offset: float, noise: float, step: float, limits: tuple[int, int], rng: Random
    ) -> None:
        self._gain, self._offset, self._noise, self._step = gain, offset, noise, step
        self._low, self._high = limits
        self._gauss = rng.gauss
        self._last = 0
        self.stuck = False

    def read(self, true: float, samples: int) -> int:
        """Raw value in thousandths, the mean of ``samples``."""
        if self.stuck:
            return self._last
        value = true * self._gain + self._offset
        if self._noise:
            value += self._gauss(0.0, self._noise) / samples**0.5
        raw = round(round(value / self._step) * self._step * 1000)
        self._last = min(max(raw, self._low), self._high)
        return self._last


class Sensors:
    """All converters of one board.

    Args:
        errors: true errors of the sensors, gains relative (0.01 reads 1 % high); ``None`` ones are drawn from the seed.
        channels: number of channels; channel arguments count from 1.
        seed: decides gains, offsets and the noise.
        nominal_v: 12 or 24.
    """

    def __init__(self, errors: SenseErrors, channels: int, seed: int, nominal_v: int) -> None:
        self.nominal_v = nominal_v
        self._seed = seed
        self._errors = errors
        draw = Random(f"{seed} sensor gains")
        drawn = (draw.gauss(0.0, CURRENT_GAIN_SIGMA), draw.gauss(0.0, VOLTAGE_GAIN_SIGMA))
        self.current_gain = 1 + (drawn[0] if errors.current_gain is None else errors.current_gain)
        self.voltage_gain = 1 + (drawn[1] if errors.voltage_gain is None else errors.voltage_gain)
        numbers = range(1, channels + 1)
        self._voltage = [self._voltage_input(f"voltage {n}") for n in numbers]
        self._current = [self._current_input(f"current {n}") for n in numbers]
        self._supply_v = self._voltage_input("supply voltage", UINT16)
        self._chassis_sense = self._voltage_input("chassis sense")
        self._ground_pin = self._voltage_input("ground pin")
        self._far = [self._voltage_input(f"far {n}") for n in range(1, channels + 2)]
        self._supply_a = self._current_input("supply current")
        self._return_pin = self._current_input("return pin")
        self._return_chassis = self._current_input("return chassis")
        self._reference = self._current_input("reference")
        offsets = Random(f"{seed} thermometers")
        self._temperature_offset_k = [offsets.gauss(0.0, TEMPERATURE_OFFSET_SIGMA_K) for _ in range(2)]

    def _voltage_input(self, name: str, limits: tuple[int, int] = INT16) -> _Input:
        rng = Random(f"{self._seed} {name}")
        drawn = rng.gauss(0.0, VOLTAGE_OFFSET_SIGMA_V)
        offset = drawn if self._errors.voltage_offset_v is None else self._errors.voltage_offset_v
        errors = self._errors
        return _Input(self.voltage_gain, offset, errors.voltage_noise_v, errors.voltage_step_v, limits, rng)

    def _current_input(self, name: str) -> _Input:
        rng = Random(f"{self._seed} {name}")
        drawn = rng.gauss(0.0, CURRENT_OFFSET_SIGMA_A)
        offset = drawn if self._errors.current_offset_a is None else self._errors.current_offset_a
        errors = self._errors
        return _Input(self.current_gain, offset, errors.current_noise_a, errors.current_step_a, INT16, rng)

    def hold(self, stuck: frozenset[str]) -> None:
        """Let the named inputs repeat their last reading, as ``current:3`` or ``voltage:1``; free all others."""
        for kind, inputs in (("current", self._current), ("voltage", self._voltage)):
            for number, one in enumerate(inputs, start=1):
                one.stuck = f"{kind}:{number}" in stuck

    def voltage_mv(self, true_v: float, channel: int, samples: int = 1) -> int:
        """A channel's pin voltage."""
        return self._voltage[channel - 1].read(true_v, samples)

    def current_ma(self, true_a: float, channel: int, samples: int = 1) -> int:
        """A channel's current."""
        return self._current[channel - 1].read(true_a, samples)

    def supply_mv(self, true_v: float, samples: int = 1) -> int:
        """Supply voltage at the board; never negative."""
        return self._supply_v.read(true_v, samples)

    def supply_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the board's outputs."""
        return self._supply_a.read(true_a, samples)

    def return_pin_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the board through the ground pin(s), signed."""
        return self._return_pin.read(true_a, samples)

    def return_chassis_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the board through the chassis clamp, signed."""
        return self._return_chassis.read(true_a, samples)

    def chassis_sense_mv(self, true_v: float, samples: int = 1) -> int:
        """Kelvin sense clamp."""
        return self._chassis_sense.read(true_v, samples)

    def ground_pin_mv(self, true_v: float, samples: int = 1) -> int:
        """Connector ground pin."""
        return self._ground_pin.read(true_v, samples)

    def far_mv(self, true_v: float, place: int, samples: int = 1) -> int:
        """A pin of the second socket: those of the channels, counted from 1, then ground."""
        return self._far[place - 1].read(true_v, samples)

    def reference_ma(self, true_a: float, samples: int = 1) -> int:
        """Current through the reference resistor."""
        return self._reference.read(true_a, samples)

    def ambient_decidegc(self, true_c: float) -> int:
        """Air at the board, in 0.1 degC."""
        return round(10 * (true_c + self._temperature_offset_k[0]))

    def board_decidegc(self, true_c: float) -> int:
        """Hottest switch, in 0.1 degC."""
        return round(10 * (true_c + self._temperature_offset_k[1]))
