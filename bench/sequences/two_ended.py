"""Where along the wire a short is: one more reading, with the sense lead at the far end of that wire.

From the front alone a short's own contact resistance can't be told from more wire. No current flows
in the wire behind the short, so the sense lead at its far end reads the voltage across the contact
itself; the rest of what the pin shows is wire, and wire is metres. The current is that of the cold
pulse: a known resistor limits it, and its few milliseconds heat nothing.
"""

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

from bench.contract.readings import Snapshot
from bench.electrical.far_end import FarEnd, far_end
from bench.profiles.model import CHASSIS, Circuit, Reading
from bench.results import Value, Verdict
from bench.safety.permit import VOID_S
from bench.sequences.before_power import PULSE_S
from bench.sequences.inspection import Inspection, Outcome, reading_of
from bench.sequences.operator import Question, is_yes
from bench.sequences.values import judged

PULSES = 8  # their mean has a third of the noise of one
BACK = Question(
    "sense-lead-back",
    "The far-end reading is done. Is the sense lead back on the frame?",
    safety=False,
    lasts=False,
    node=CHASSIS,
)


def shorted(inspection: Inspection) -> list[Circuit]:
    """Circuits that a probe or pulse of this run found shorted."""
    return [each for each in inspection.reachable() if inspection.channel(each) in inspection.guard.shorted]


def any_shorted(inspection: Inspection) -> bool:
    """Whether there is a short to place."""
    return bool(shorted(inspection))


async def two_ended(inspection: Inspection, outcome: Outcome) -> None:
    """For each shorted circuit: ask for the sense lead at its far end, pulse, read."""
    await inspection.guard.off()
    clipped = False
    for circuit in shorted(inspection):
        end = far_end(inspection.profile, circuit)
        if end is None:
            outcome.reasons.append(f"{circuit.name} has no far end that a lead could be clipped to")
            continue
        if not is_yes(await inspection.operator.ask(_question(circuit, end))):
            outcome.values.append(judged(f"{circuit.name} at its far end", None, "V"))
            outcome.reasons.append(
                f"nobody clipped the sense lead to {end.node}: the short is placed from the front only"
            )
            continue
        clipped = True
        outcome.values += await _read(inspection, circuit, end)
    if clipped:
        await inspection.operator.ask(BACK)


def _question(circuit: Circuit, end: FarEnd) -> Question:
    return Question(
        "sense-lead",
        f"{circuit.name} is shorted. To find where, clip the sense lead to the far end of its wire: {end.node} "
        f"({end.words}), {end.from_connector_m:.1f} m of wire from the connector. Everything is off. Is it on?",
        lasts=False,
        node=end.node,
    )


async def _read(inspection: Inspection, circuit: Circuit, end: FarEnd) -> list[Value]:
    guard = inspection.guard
    rest = await guard.fresh()
    if guard.lit_at_s is not None:
        rest = await guard.wait(max(guard.lit_at_s + VOID_S - rest.uptime_s, 0.0))
    shots = [await guard.pulse(inspection.channel(circuit), PULSE_S) for _ in range(PULSES)]
    inspection.progress(shots[-1], f"pulsed, sense lead at {end.node}", circuit)
    reading = inspection.note(_mean(inspection, circuit, shots, rest, end.node))
    return [
        Value(f"{circuit.name} pulsed, at the pin", round(reading.pin_v[circuit.pin], 4), "V"),
        judged(f"{circuit.name} at its far end", reading.chassis_sense_v, "V", outside=Verdict.UNSURE),
    ]


def _mean(inspection: Inspection, circuit: Circuit, shots: Sequence[Snapshot], rest: Snapshot, node: str) -> Reading:
    """All shots as one reading."""
    each = [reading_of(inspection, "pulse", (circuit,), shot, rest=rest) for shot in shots]
    senses = [reading.chassis_sense_v for reading in each if reading.chassis_sense_v is not None]
    supplies = [reading.supply_v for reading in each if reading.supply_v is not None]
    first = each[0]
    return replace(
        first,
        pin_v={pin: fmean(reading.pin_v[pin] for reading in each) for pin in first.pin_v},
        pin_a={pin: fmean(reading.pin_a[pin] for reading in each) for pin in first.pin_a},
        return_a={path: fmean(reading.return_a[path] for reading in each) for path in first.return_a},
        chassis_sense_v=fmean(senses) if senses else None,
        supply_v=fmean(supplies) if supplies else None,
        sense_at=node,
    )
