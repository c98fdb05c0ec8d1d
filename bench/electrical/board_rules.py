"""What the readings say of the board itself: a current sensor that can't be true.

Kirchhoff's current law: what a circuit that is fed alone takes comes back through the two returns.
Where one circuit's sensor and the returns disagree while those of the others agree, it is that sensor.
Where all disagree alike, current comes back by a third way, and that is the harness's affair.
"""

from math import hypot

from bench.electrical.wording import finding
from bench.profiles.model import BoardErrors, Circuit, Measurements, Reading
from bench.results import Evidence, Finding, Verdict

SIGMAS = 6.0
LEAST_SHARE = 0.15  # of the larger of the two: a stuck or dead sensor is off by more
LEAST_AGREEING = 2


def board_faults(measurements: Measurements) -> tuple[Finding, ...]:
    """A finding for each circuit whose current sensor contradicts the returns; none without return currents."""
    wrong, agreeing = [], 0
    for circuit in measurements.profile.circuits:
        reading = _alone(measurements, circuit)
        if reading is None:
            continue
        if _contradicts(reading, circuit.pin, measurements.board):
            wrong.append((circuit, reading))
        else:
            agreeing += 1
    if not wrong or agreeing < LEAST_AGREEING or len(wrong) > agreeing:
        return ()
    return tuple(_finding(circuit, reading) for circuit, reading in wrong)


def _alone(measurements: Measurements, circuit: Circuit) -> Reading | None:
    for reading in measurements.readings:
        fed = reading.how == "drive" and reading.driven == (circuit.pin,) and circuit.pin in reading.pin_a
        if fed and not reading.tripped and {"pin", "chassis"} <= reading.return_a.keys():
            return reading
    return None


def _contradicts(reading: Reading, pin: int, board: BoardErrors) -> bool:
    fed_a, back_a = reading.pin_a[pin], sum(reading.return_a.values())
    largest_a = max(abs(fed_a), abs(back_a))
    # Two returns and one channel, each with its own offset and its own share of the gain error.
    sigma_a = hypot(3**0.5 * board.current_offset_a, board.current_gain_error * largest_a)
    return abs(fed_a - back_a) > max(SIGMAS * sigma_a, LEAST_SHARE * largest_a)


def _finding(circuit: Circuit, reading: Reading) -> Finding:
    return finding(
        "board-fault",
        [circuit],
        confidence=0.9,
        verdict=Verdict.UNSURE,
        evidence=[
            Evidence(f"pin {circuit.pin}, driven alone", round(reading.pin_a[circuit.pin], 3), "A"),
            Evidence("back by both returns", round(sum(reading.return_a.values()), 3), "A"),
        ],
    )
