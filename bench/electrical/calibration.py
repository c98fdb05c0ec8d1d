"""The board's current gain, measured against its own reference resistor.

All current inputs of a board share most of their gain error (one converter, one reference), so a
known resistor on a spare input shows it: what is read is ``gain * supply / resistance``. What is
left is how well the resistor, the supply voltage and that one reading are known, and the part of
the gain error that each input has for itself.

What an input reads with nothing connected is its offset, and is taken off.
"""

from dataclasses import replace
from math import hypot

from bench.profiles.model import BoardErrors, Measurements, Reading

REFERENCE_TOLERANCE = 0.001  # of the resistor, relative, one standard uncertainty
OWN_SHARE = 0.44  # of the stated gain error, that each input has for itself (assumption)
LARGEST_SIGMAS = 4.0  # beyond, the resistor or its wiring is in doubt, not the gain
SAMPLES = 10  # in a reading: means of 10 ms at 1 kS/s


def calibrated(
    board: BoardErrors, *, reference_ohm: float, supply_v: float, reference_a: float, offset_a: float
) -> BoardErrors:
    """The board's errors with its gain as measured; unchanged where the measurement can't be true.

    Args:
        board: as the board states them.
        reference_ohm: the resistor.
        supply_v: across it.
        reference_a: through it, as read.
        offset_a: the same input with the resistor disconnected.
    """
    expected_a = supply_v / reference_ohm
    if expected_a <= 0:
        return board
    gain = (reference_a - offset_a) / expected_a
    reading = 2**0.5 * board.current_noise_a / SAMPLES**0.5 / expected_a
    volts = hypot(board.voltage_gain_error, board.voltage_offset_v / supply_v)
    shared = hypot(REFERENCE_TOLERANCE, reading, volts)
    if abs(gain - 1) > LARGEST_SIGMAS * hypot(board.current_gain_error, shared):
        return board
    left = hypot(shared, OWN_SHARE * board.current_gain_error)
    return replace(board, current_gain=gain, current_gain_error=min(left, board.current_gain_error))


def corrected(measurements: Measurements) -> Measurements:
    """The readings as a board with a true gain would have read them."""
    gain = measurements.board.current_gain
    if gain == 1.0:
        return measurements
    return replace(
        measurements,
        board=replace(measurements.board, current_gain=1.0),
        readings=tuple(_divided(reading, gain) for reading in measurements.readings),
    )


def _divided(reading: Reading, gain: float) -> Reading:
    inrush = reading.inrush
    return replace(
        reading,
        pin_a={pin: amps / gain for pin, amps in reading.pin_a.items()},
        return_a={path: amps / gain for path, amps in reading.return_a.items()},
        inrush=inrush and replace(inrush, a=tuple(amps / gain for amps in inrush.a)),
    )
