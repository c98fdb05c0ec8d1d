"""Which readings are compared with the model, in one layout, and how far each may be off.

Columns of every table: voltage of each pin, the chassis sense lead, current of each pin, current
back by pin and by chassis. What a harness can't be asked is left out: the voltage of a pin that
is driven (it is where the model is held), the pin of a control unit whose input capacitor still
holds an old charge, a probed LED lamp whose capacitor is still filling.

Pins that are not fed read nothing but their sensor's offset: all of them together make the
offset of each current column known ten times better than the board promises.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bench.electrical.harness import Harness
from bench.electrical.laws import FILAMENT, UNIT, FloatArray
from bench.electrical.network import Feeds, feeds_of
from bench.profiles.model import BoardErrors, Led, Load, Measurements, Reading

BoolArray = NDArray[np.bool_]

VOLTAGE_STEP_V = 0.001
CURRENT_STEP_A = 0.001
MODEL_VOLTS = 0.01  # of an undriven pin's voltage: what the wires' tolerances don't say
MODEL_BACK_FED = 0.04  # the same when it is up by volts: lamps fed backwards, far from their rating
BACK_FED_V = 0.5
MODEL_FLOAT = 0.03  # the same with no return closed: leaks decide
MODEL_AMPS = 0.003
LED_PIN = 0.3  # an undriven pin behind LED lamps only hangs on their leaks
LED_MOST_V = 1.0
LED_HELD_V = 3.0  # and on what their capacitors still hold
FLOAT_V = 0.1  # with no return closed, input capacitors pull everything about
LED_FLOAT_V = 3.0  # everything, when with no return closed input capacitors hold what they held
LIMITED_AMPS = 0.05  # at the current limit nothing has settled
LED_COLD = 0.05  # of the voltage of a probed or pulsed LED circuit
NOTHING_A = 0.03
SLOW_FARAD = 5e-7  # fills too slowly through the probe resistor
LIFTED_V = 0.7


@dataclass(frozen=True)
class Compared:
    """Readings as tables (readings, columns); ``used`` says which entries count.

    Attributes:
        value: what was read.
        sigma: one standard deviation, sensor noise and model error without the shared errors.
        offset_mean: (columns,), sensor offset learned from idle readings.
        offset_sigma: (columns,), what is still unknown of it.
    """

    harness: Harness
    feeds: Feeds
    value: FloatArray
    sigma: FloatArray
    used: BoolArray
    offset_mean: FloatArray
    offset_sigma: FloatArray

    @cached_property
    def entries(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows and columns of the entries that count."""
        rows, columns = np.nonzero(self.used)
        return rows, columns

    @property
    def pins(self) -> int:
        """Number of pins, which sets the layout."""
        return len(self.harness.pins)

    def describe(self, entry: int, readings: Sequence[Reading]) -> tuple[Reading, str, str, float]:
        """Reading, name, unit and value of the ``entry``-th compared value."""
        row, column = int(self.entries[0][entry]), int(self.entries[1][entry])
        name, unit = column_name(self.harness.pins, column)
        return readings[row], name, unit, float(self.value[row, column])


def column_name(pins: Sequence[int], column: int) -> tuple[str, str]:
    """What a column holds, and its unit."""
    count = len(pins)
    if column < count:
        return f"pin {pins[column]}", "V"
    if column == count:
        return "chassis sense", "V"
    if column <= 2 * count:
        return f"pin {pins[column - count - 1]}", "A"
    return ("pin return", "chassis return")[column - 2 * count - 1], "A"


def compare(measurements: Measurements, harness: Harness) -> Compared:
    """Lay out ``measurements``; readings that tripped are left out entirely."""
    readings = measurements.readings
    grounds = measurements.profile.connector.ground_pins
    feeds = feeds_of(readings, harness.pins, grounds, measurements.board, measurements.supply_v)
    value = np.array([_row(reading, harness.pins) for reading in readings]).reshape(len(readings), -1)
    read = ~np.isnan(value)
    idle = read & _idle(feeds, len(harness.pins))
    offsets = _offsets(np.where(idle, value, np.nan), measurements.board, len(harness.pins))
    used = read & ~idle & _meaningful(readings, harness, feeds)
    sigma = _sigma(measurements, harness, value)
    return _without_strangers(Compared(harness, feeds, np.nan_to_num(value), sigma, used, *offsets))


def _without_strangers(compared: Compared) -> Compared:
    """With a circuit fed from outside, cold readings catch its lamps half warm: keep only that they are up."""
    pins = compared.harness.pins
    lifted = [c.pin for c in compared.harness.profile.circuits if c.name in lifted_circuits(compared)]
    if not lifted:
        return compared
    columns = np.isin(np.arange(compared.used.shape[1]), [pins.index(pin) for pin in lifted])
    # Two supplies on one wire share its current by millivolts that nobody knows.
    contested = compared.feeds.fed[:, [pins.index(pin) for pin in lifted]].any(axis=1) & ~compared.feeds.cold
    used = compared.used & (~compared.feeds.cold[:, None] | columns) & ~contested[:, None]
    return replace(compared, used=used)


def _row(reading: Reading, pins: Sequence[int]) -> list[float]:
    nothing = np.nan
    return [
        *(reading.pin_v.get(pin, nothing) for pin in pins),
        nothing if reading.chassis_sense_v is None else reading.chassis_sense_v,
        *(reading.pin_a.get(pin, nothing) for pin in pins),
        reading.return_a.get("pin", nothing),
        reading.return_a.get("chassis", nothing),
    ]


def _idle(feeds: Feeds, count: int) -> BoolArray:
    """Current columns of pins that are not fed and of returns that are open."""
    idle = np.zeros((len(feeds.siemens), 2 * count + 3), dtype=bool)
    idle[:, count + 1 : 2 * count + 1] = ~feeds.fed
    idle[:, -2] = ~feeds.pin_return
    idle[:, -1] = ~feeds.chassis_return
    return idle


def _offsets(idle: FloatArray, board: BoardErrors, count: int) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each column's offset, given its idle readings."""
    prior = np.full(idle.shape[1], board.current_offset_a)
    prior[: count + 1] = board.voltage_offset_v
    seen = np.sum(~np.isnan(idle), axis=0)
    noise = board.current_noise_a**2 + CURRENT_STEP_A**2 / 12
    variance = 1 / (1 / prior**2 + seen / noise)
    return variance * np.nansum(idle, axis=0) / noise, variance**0.5


def _meaningful(readings: Sequence[Reading], harness: Harness, feeds: Feeds) -> BoolArray:
    count = len(harness.pins)
    slow, holding = slow_pins(harness, SLOW_FARAD), _unit_pins(harness)
    holding_charge = slow_pins(harness, 0.0) & ~_pins_with(harness, FILAMENT)
    keep = np.ones((len(readings), 2 * count + 3), dtype=bool)
    keep[:, :count] &= ~holding
    keep[:, count + 1 : 2 * count + 1] &= ~(feeds.cold[:, None] & holding)
    for row, reading in enumerate(readings):
        driven = feeds.fed[row]
        if reading.how == "drive":
            keep[row, :count] &= ~driven
        if reading.how != "drive":
            keep[row, :count] &= ~(~driven & holding_charge)
        if reading.how == "probe":
            keep[row, :count] &= ~(driven & slow)
            keep[row, count + 1 :] = False  # a few milliamperes: nothing but offset
        crowded = reading.limited and len(reading.driven) > 1  # the others have not settled
        if reading.tripped or crowded or (feeds.cold[row] and np.any(driven & holding)):
            keep[row] = False
    return keep


def _loads_on(harness: Harness, pin: int) -> list[Load]:
    names = {circuit.name for circuit in harness.profile.circuits if circuit.pin == pin}
    return [load for load in harness.loads if load.circuit in names]


def slow_pins(harness: Harness, farad: float) -> BoolArray:
    """Pins with an LED lamp whose input capacitor is larger than ``farad``."""

    def slow(load: Load) -> bool:
        return isinstance(load.type, Led) and load.type.capacitance_f > farad

    return np.array([any(slow(load) for load in _loads_on(harness, pin)) for pin in harness.pins])


def _unit_pins(harness: Harness) -> BoolArray:
    return _pins_with(harness, UNIT)


def _pins_with(harness: Harness, kind: int) -> BoolArray:
    kinds = {load.name: int(law) for load, law in zip(harness.loads, harness.laws.kind, strict=True)}
    return np.array([any(kinds[load.name] == kind for load in _loads_on(harness, pin)) for pin in harness.pins])


def _carries_nothing(reading: Reading) -> bool:
    """Whether a driven harness takes no current: then it floats, and leaks decide its voltages."""
    amps = [reading.pin_a[pin] for pin in reading.driven if pin in reading.pin_a]
    return bool(amps) and sum(amps) < NOTHING_A


def _sigma(measurements: Measurements, harness: Harness, value: FloatArray) -> FloatArray:
    board, count = measurements.board, len(harness.pins)
    size = np.abs(np.nan_to_num(value))
    sigma = np.empty_like(size)
    sigma[:, : count + 1] = np.hypot(board.voltage_noise_v, VOLTAGE_STEP_V)
    sigma[:, count + 1 :] = np.hypot(board.current_noise_a, CURRENT_STEP_A)
    sigma[:, count + 1 :] = np.hypot(sigma[:, count + 1 :], MODEL_AMPS * size[:, count + 1 :])
    filament, slow = _pins_with(harness, FILAMENT), slow_pins(harness, 0.0)
    capacitive = bool(np.any(slow | _unit_pins(harness)))
    for row, reading in enumerate(measurements.readings):
        share = np.where(size[row, : count + 1] > BACK_FED_V, MODEL_BACK_FED, MODEL_VOLTS)
        share = np.full(count + 1, MODEL_FLOAT) if reading.returns == "none" else share
        floor = np.full(count + 1, FLOAT_V if reading.returns == "none" else 0.0)
        driven = np.array([pin in reading.driven for pin in harness.pins])
        share[:count] = np.where(driven, MODEL_VOLTS, share[:count])
        share[:count] = np.where(filament, share[:count], np.where(driven, LED_COLD, 0.0))
        leaks = np.minimum(LED_PIN * size[row, :count], LED_MOST_V)
        held = np.where(slow, LED_HELD_V, 0.0)
        floor[:count] = np.where(filament | driven, floor[:count], np.hypot(leaks, held))
        if reading.returns == "none" and capacitive:
            floor[:] = LED_FLOAT_V
        if reading.how == "drive" and _carries_nothing(reading):
            floor[:] = LED_FLOAT_V
        if reading.limited:
            sigma[row, count + 1 :] = np.hypot(sigma[row, count + 1 :], LIMITED_AMPS * size[row, count + 1 :])
        extra = np.hypot(share * size[row, : count + 1], floor)
        sigma[row, : count + 1] = np.hypot(sigma[row, : count + 1], extra)
    return sigma


def lifted_circuits(compared: Compared) -> list[str]:
    """Circuits that are up in every reading with a return closed although only others are fed."""
    feeds, harness = compared.feeds, compared.harness
    closed = feeds.pin_return | feeds.chassis_return
    lifted = []
    for circuit in harness.profile.circuits:
        column = harness.pins.index(circuit.pin)
        rows = closed & ~feeds.fed[:, column]
        if rows.sum() >= 2 and compared.value[rows, column].min() > LIFTED_V:
            lifted.append(circuit.name)
    return lifted
