"""Corrections of the board's readings: kept through restarts, applied to whatever the converters say.

A corrected reading is ``(reading - offset) * (1 + gain)``. Protection does not use it: its
comparators have no part in a converter's error.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from bench.contract.fields import RawValue
from bench.contract.table import CALIBRATION, CALIBRATION_COMMON
from firmware_sim.firmware.sensing import Sensing

INT16 = (-0x8000, 0x7FFF)
UINT16 = (0, 0xFFFF)
OFFSET_PER_RAW = 0.1  # raw offsets are tenths of the raw readings, mV or mA
GAIN_PER_RAW = 1e-5
_ERRORS = slice(7, 11)


@dataclass(frozen=True, slots=True)
class Correction:
    """Of one input, in raw values of the contract."""

    offset: int = 0
    gain: int = 0

    def of(self, reading: int, limits: tuple[int, int] = INT16) -> int:
        """The corrected reading, in mV or mA like the reading."""
        if not (self.offset or self.gain):
            return reading
        corrected = round((reading - self.offset * OFFSET_PER_RAW) * (1 + self.gain * GAIN_PER_RAW))
        return min(max(corrected, limits[0]), limits[1])


NO_CORRECTION = Correction()
_CORRECTED = (
    "voltage_mv", "current_ma", "supply_mv", "supply_ma", "reference_ma", "return_pin_ma", "return_chassis_ma",
    "chassis_sense_mv", "ground_pin_mv",
)  # fmt: skip


class Calibration:
    """The board's non-volatile memory of its corrections.

    Attributes:
        of_channel, common: as written.
        current, voltage: of each channel.
        first: called once, when the first correction comes.
        others: of the supply voltage; of chassis sense and ground pin, which have no offset of their own; then of the
            currents of supply, reference, ground pin and chassis clamp.
    """

    def __init__(self, channels: int) -> None:
        self.of_channel: list[tuple[int, ...]] = [(0,) * len(CALIBRATION.header)] * channels
        self.common: tuple[RawValue, ...] = (*(0,) * (len(CALIBRATION_COMMON.header) - 1), "")
        self.current = [NO_CORRECTION] * channels
        self.voltage = [NO_CORRECTION] * channels
        self.others = [NO_CORRECTION] * len(CALIBRATION_COMMON.header)
        self.first: Callable[[], None] | None = None

    def _begin(self) -> None:
        begin, self.first = self.first, None
        if begin is not None:
            begin()

    def set_channel(self, number: int, raw: Sequence[int]) -> None:
        """Keep the corrections of one channel."""
        self._begin()
        self.of_channel[number - 1] = offset_ma, gain_a, offset_mv, gain_v = tuple(raw)
        self.current[number - 1] = Correction(offset_ma, gain_a)
        self.voltage[number - 1] = Correction(offset_mv, gain_v)

    def set_common(self, raw: Sequence[RawValue]) -> None:
        """Keep the others, and the date.

        Raises:
            ValueError: the date is none.
        """
        date.fromisoformat(str(raw[-1]))
        self._begin()
        self.common = tuple(raw)
        offset_mv, gain_v, *offsets_ma, gain_a = (int(value) for value in raw[:7])
        self.others = [
            Correction(offset_mv, gain_v),
            Correction(0, gain_v),
            *(Correction(o, gain_a) for o in offsets_ma),
        ]

    @property
    def date(self) -> str:
        """``YYYY-MM-DD``, or nothing before the first calibration."""
        return str(self.common[-1])

    @property
    def errors(self) -> tuple[int, ...]:
        """What is left: current gain and offset, voltage gain and offset, as the identity has them."""
        return tuple(int(value) for value in self.common[_ERRORS])


class Corrected:
    """Converters behind their corrections; fulfils :class:`Sensing`.

    Until there is a first correction the converters are asked directly: a snapshot has dozens of readings.
    """

    def __init__(self, sensors: Sensing, calibration: Calibration) -> None:
        self._sensors = sensors
        self._kept = calibration
        for name in _CORRECTED:
            setattr(self, name, getattr(sensors, name))
        calibration.first = self._correct
        self.ambient_decidegc = sensors.ambient_decidegc
        self.board_decidegc = sensors.board_decidegc
        self.hold = sensors.hold

    def _correct(self) -> None:
        """From now on through the methods below."""
        for name in _CORRECTED:
            delattr(self, name)

    def voltage_mv(self, true_v: float, channel: int, samples: int = 1) -> int:
        """Pin voltage."""
        return self._kept.voltage[channel - 1].of(self._sensors.voltage_mv(true_v, channel, samples))

    def current_ma(self, true_a: float, channel: int, samples: int = 1) -> int:
        """Pin current."""
        return self._kept.current[channel - 1].of(self._sensors.current_ma(true_a, channel, samples))

    def supply_mv(self, true_v: float, samples: int = 1) -> int:
        """Supply voltage."""
        return self._kept.others[0].of(self._sensors.supply_mv(true_v, samples), UINT16)

    def supply_ma(self, true_a: float, samples: int = 1) -> int:
        """Supply current."""
        return self._kept.others[2].of(self._sensors.supply_ma(true_a, samples))

    def reference_ma(self, true_a: float, samples: int = 1) -> int:
        """Current through the reference resistor."""
        return self._kept.others[3].of(self._sensors.reference_ma(true_a, samples))

    def return_pin_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the ground pin."""
        return self._kept.others[4].of(self._sensors.return_pin_ma(true_a, samples))

    def return_chassis_ma(self, true_a: float, samples: int = 1) -> int:
        """Current into the chassis clamp."""
        return self._kept.others[5].of(self._sensors.return_chassis_ma(true_a, samples))

    def chassis_sense_mv(self, true_v: float, samples: int = 1) -> int:
        """Kelvin sense clamp."""
        return self._kept.others[1].of(self._sensors.chassis_sense_mv(true_v, samples))

    def ground_pin_mv(self, true_v: float, samples: int = 1) -> int:
        """Connector ground pin."""
        return self._kept.others[1].of(self._sensors.ground_pin_mv(true_v, samples))

    def far_mv(self, true_v: float, place: int, samples: int = 1) -> int:
        """Pin of the second socket."""
        return self._kept.others[1].of(self._sensors.far_mv(true_v, place, samples))
