"""Contact resistance by four wires: the pin is one sense point, the sense lead behind the contact is the other.

The operator clips the sense lead where the drawing has the far side of each circuit's contact. Both are read with
nothing fed, then with the circuit's own current. A circuit with too little current for its limit is unsure, and says
how uncertain it is.
"""

from bench.contract.readings import Snapshot
from bench.electrical.four_wire import Pair, Resistance, four_wire
from bench.profiles.model import CHASSIS, Circuit, Joint, pin_node
from bench.results import Value, Verdict
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.operator import Question, is_yes
from bench.sequences.settle import MEAN_S, settle
from bench.sequences.values import judged, source_of

READINGS = 16
LIMIT = "contact-ohm"
BACK = Question(
    "sense-lead-back",
    "The contacts are done. Is the sense lead back on the frame, or off the harness?",
    safety=False,
    lasts=False,
    node=CHASSIS,
)


async def contacts(inspection: Inspection, outcome: Outcome) -> None:
    """Read each circuit's contact; those that nobody clips the lead to are not tested."""
    await inspection.guard.off()
    for circuit in inspection.chosen():
        joint = _contact(inspection, circuit)
        if joint is None:
            outcome.reasons.append(f"the drawing has no contact on pin {circuit.pin}")
        elif circuit not in inspection.sound():
            outcome.values.append(judged(f"contact of pin {circuit.pin}", None, "ohm", source="it can't be fed"))
        else:
            outcome.values.append(await _measured(inspection, circuit, joint))
    await inspection.operator.ask(BACK)


def _contact(inspection: Inspection, circuit: Circuit) -> Joint | None:
    front = pin_node(circuit.pin)
    return next((joint for joint in inspection.profile.joints if front in (joint.a, joint.b)), None)


async def _measured(inspection: Inspection, circuit: Circuit, joint: Joint) -> Value:
    node = joint.b if joint.a == pin_node(circuit.pin) else joint.a
    name = f"contact of pin {circuit.pin}"
    question = Question(
        "sense-lead",
        f"Clip the sense lead behind the contact of pin {circuit.pin}, on {node}. Everything is off. Is it on?",
        lasts=False,
        node=node,
    )
    if not is_yes(await inspection.operator.ask(question)):
        return judged(name, None, "ohm", source=f"nobody clipped the sense lead to {node}")
    channel = inspection.channel(circuit)
    at_rest = await _pairs(inspection, channel)
    await inspection.guard.drive(channel)
    await settle(inspection.guard, {channel})
    flowing = await _pairs(inspection, channel)
    await inspection.guard.off([channel])
    board = inspection.identity
    found = four_wire(
        flowing,
        at_rest,
        voltage_gain_error=board.voltage_gain_error,
        current_gain_error=board.current_gain_error,
        current_offset_a=board.current_offset_error_a,
    )
    return _judged(inspection, name, found)


async def _pairs(inspection: Inspection, channel: int) -> list[Pair]:
    seen: list[Snapshot] = [await inspection.guard.wait(MEAN_S) for _ in range(READINGS)]
    return [
        Pair(each.channel(channel).voltage_v, each.chassis_sense_v, each.channel(channel).current_a) for each in seen
    ]


def _judged(inspection: Inspection, name: str, found: Resistance | None) -> Value:
    limit = inspection.limit(LIMIT)
    if found is None:
        return judged(name, None, "ohm", source="its current is too small to tell")
    high = limit.high if limit else None
    source = f"four-wire, ± {found.plus_minus:.2g} ohm (95 %)" + (f"; {source_of(limit)}" if limit else "")
    if high is not None and abs(found.ohm - high) < found.plus_minus:
        return Value(name, found.ohm, "ohm", high=high, verdict=Verdict.UNSURE, source=source)
    return judged(name, found.ohm, "ohm", high=high, source=source)
