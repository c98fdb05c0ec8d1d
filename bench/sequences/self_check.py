"""The board before the harness: itself, its zero readings, its reference resistor."""

from bench.contract.readings import Snapshot
from bench.contract.table import BOARD_HOT_DEGC, Capability
from bench.electrical import calibrated
from bench.electrical.calibration import REFERENCE_TOLERANCE
from bench.results import Verdict
from bench.sequences.inspection import Inspection, Outcome, board_errors
from bench.sequences.settle import MEAN_S
from bench.sequences.values import judged

SIGMAS = 4.0  # of eight channels, one in thousands of sound boards is beyond
OWN_ACCURACY = "the accuracy that the board states, four standard uncertainties"


async def self_check(inspection: Inspection, outcome: Outcome) -> None:
    """Self test, temperature, current readings with everything off, reference resistor, calibration date."""
    guard = inspection.guard
    await guard.self_test()
    seen = await guard.wait(MEAN_S)
    inspection.ambient_c = seen.ambient_c
    outcome.values += [
        judged("board temperature", seen.board_c, "degC", high=BOARD_HOT_DEGC, source="board contract"),
        judged("ambient temperature", seen.ambient_c, "degC"),
        judged(
            "largest current with everything off",
            max((abs(channel.current_a) for channel in seen.channels), default=0.0),
            "A",
            high=SIGMAS * inspection.identity.current_offset_error_a,
            source=OWN_ACCURACY,
        ),
    ]
    if inspection.can(Capability.REFERENCE_RESISTOR):
        await _reference(inspection, outcome, seen.reference_a)
    else:
        outcome.reasons.append("the board has no reference resistor: its current reading was not checked")
    if not inspection.identity.calibrated:
        outcome.reasons.append("the board has no calibration date")


async def _reference(inspection: Inspection, outcome: Outcome, offset_a: float) -> None:
    """The resistor against the board's stated accuracy; then the board's current gain against the resistor."""
    await inspection.guard.reference(True)
    seen = await inspection.guard.wait(MEAN_S)
    await inspection.guard.reference(False)
    nominal_ohm = inspection.identity.reference_ohm
    spread_ohm = SIGMAS * nominal_ohm * _relative_error(inspection, seen)
    outcome.values.append(
        judged(
            "reference resistor",
            seen.supply_v / seen.reference_a if seen.reference_a > 0 else None,
            "ohm",
            low=nominal_ohm - spread_ohm,
            high=nominal_ohm + spread_ohm,
            outside=Verdict.FAIL,
            source=OWN_ACCURACY,
        )
    )
    stated = board_errors(inspection.identity)
    measured = calibrated(
        stated,
        reference_ohm=nominal_ohm,
        supply_v=seen.supply_v,
        reference_a=seen.reference_a,
        offset_a=offset_a,
    )
    if measured == stated:
        return
    inspection.board = measured
    outcome.values += [
        judged("current gain against the reference resistor", measured.current_gain, "1"),
        judged("what is left of its error", measured.current_gain_error, "1"),
    ]


def _relative_error(inspection: Inspection, seen: Snapshot) -> float:
    board = inspection.identity
    nominal_a = seen.supply_v / board.reference_ohm
    offsets = (board.current_offset_error_a / nominal_a) ** 2 + (board.voltage_offset_error_v / seen.supply_v) ** 2
    gains = board.current_gain_error**2 + board.voltage_gain_error**2 + REFERENCE_TOLERANCE**2
    return float((offsets + gains) ** 0.5)
