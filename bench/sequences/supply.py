"""The bench's own supply: without load, and under the reference resistor, which heats no lamp."""

from bench.contract.table import SUPPLY_WINDOWS, Capability
from bench.results import Value, Verdict
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.settle import MEAN_S
from bench.sequences.unfed import read_unfed
from bench.sequences.values import judged, limited, source_of


async def supply(inspection: Inspection, outcome: Outcome) -> None:
    """Open-circuit voltage, sag and source resistance under a light load."""
    await read_unfed(inspection)
    seen = await inspection.guard.fresh()
    inspection.open_v = seen.supply_v
    inspection.progress(seen, f"{seen.supply_v:.2f} V without load")
    outcome.values.append(_open_circuit(inspection, seen.supply_v))
    if not inspection.can(Capability.REFERENCE_RESISTOR):
        outcome.reasons.append("no reference resistor to load the supply with: see all-lamps for its sag")
        return
    await inspection.guard.reference(True)
    loaded = await inspection.guard.wait(MEAN_S)
    await inspection.guard.reference(False)
    outcome.values += sag(inspection, seen.supply_v - loaded.supply_v, loaded.reference_a, "reference resistor")


def _open_circuit(inspection: Inspection, volts: float) -> Value:
    low = inspection.limit("supply-low-v")
    return judged(
        "open-circuit voltage",
        volts,
        "V",
        low=low.low if low else None,
        high=SUPPLY_WINDOWS[inspection.profile.nominal_v].high_v,
        outside=Verdict.UNSURE,  # it is the bench's, not the harness's
        source=source_of(low) if low else None,
    )


def sag(inspection: Inspection, sag_v: float, load_a: float, load: str) -> list[Value]:
    """Sag under a load and the source resistance that it shows."""
    return [
        limited(f"sag under {load}", sag_v, "V", inspection.limit("supply-sag-v"), Verdict.UNSURE),
        judged(f"source resistance under {load}", sag_v / load_a if load_a > 0 else None, "ohm"),
    ]
