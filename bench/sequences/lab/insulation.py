"""Insulation at the bench's own voltage: what leaks from a net into the pins that the drawing keeps apart from it.

The returns are open and one pin of a net is tied to the supply through the probe resistor; the whole net then stands
at nearly the supply's voltage. A pin of another net is held down by nothing but the board's pull-down, so what leaks
into it lifts it: r = (v - u) R / u, with u read beside its value when nothing is fed. A millivolt on 100 kilohm is
10 nA, about a gigohm at 12 V.

It shows dirt, water and chafed wires. It is no test at a test voltage: a gap that breaks down at 500 V is not seen.
"""

from collections.abc import Mapping
from math import inf
from statistics import fmean

from bench.contract.table import Return
from bench.electrical.nets import nets
from bench.profiles.model import Circuit
from bench.results import Value
from bench.sequences.inspection import Inspection, Outcome
from bench.sequences.settle import MEAN_S
from bench.sequences.values import judged, limited

READINGS = 8
SETTLES_S = 0.1
SMALLEST_V = 0.0015  # of a mean of eight, beside another: less is not told from nothing
MOST_OHM = 1e9
LIMIT = "insulation-ohm"


async def insulation(inspection: Inspection, outcome: Outcome) -> None:
    """Lift one net after the other and see what comes up elsewhere."""
    every = nets(inspection.profile)
    if len(every) < 2:
        outcome.reasons.append("the drawing joins all pins: there is nothing to leak between")
        return
    guard = inspection.guard
    await guard.returns(Return.NONE)
    rest_v = await _mean(inspection)
    for net in every:
        feeds = [circuit for circuit in inspection.reachable() if circuit.pin in net]
        if feeds:
            outcome.values += await _lifted(inspection, net, feeds[0], rest_v)
    await guard.returns(Return.BOTH)
    alone = [net for net in every if not any(circuit.pin in net for circuit in inspection.reachable())]
    if alone:
        pins = ", ".join(str(pin) for net in alone for pin in sorted(net))
        outcome.reasons.append(f"pin {pins}: read only, no circuit of the profile feeds it")


async def _lifted(
    inspection: Inspection, net: frozenset[int], circuit: Circuit, rest_v: Mapping[int, float]
) -> list[Value]:
    guard = inspection.guard
    await guard.keep_probing(inspection.channel(circuit))
    await guard.wait(SETTLES_S)
    volts = await _mean(inspection)
    await guard.off([inspection.channel(circuit)])
    others = [pin for pin in volts if pin not in net]
    return [
        limited(
            f"insulation of pin {circuit.pin} to pin {pin}",
            leak_ohm(volts[circuit.pin], volts[pin] - rest_v[pin], inspection.identity.pull_down_ohm),
            "ohm",
            inspection.limit(LIMIT),
        )
        for pin in others
    ] or [judged(f"insulation of pin {circuit.pin}", None, "ohm")]


def leak_ohm(net_v: float, lifted_v: float, pull_down_ohm: float) -> float:
    """Resistance from a net at ``net_v`` to a pin that it lifts by ``lifted_v``; at most what can be told."""
    told_v = max(lifted_v, SMALLEST_V)
    ohm = (net_v - told_v) * pull_down_ohm / told_v if net_v > told_v else inf
    return min(ohm, MOST_OHM)


async def _mean(inspection: Inspection) -> dict[int, float]:
    """Voltage of every pin with a channel, the mean of some readings that share no sample."""
    seen = [await inspection.guard.wait(MEAN_S) for _ in range(READINGS)]
    readable = {pin: n for pin, n in inspection.profile.channel_of_pin.items() if n <= inspection.identity.channels}
    return {pin: fmean(each.channel(channel).voltage_v for each in seen) for pin, channel in readable.items()}
