"""The look before power: a few milliamperes, then a few milliseconds, into each pin; nothing is lit."""

from collections.abc import Sequence

from bench.contract.readings import Snapshot
from bench.contract.table import Capability, Return
from bench.electrical import Interval
from bench.electrical.plan import feeds_unit, floats, is_pulsed
from bench.profiles.model import Circuit, Filament
from bench.results import Value, Verdict
from bench.safety.permit import VOID_S
from bench.sequences.inspection import Inspection, Outcome, reading_of
from bench.sequences.settle import discharge
from bench.sequences.unfed import read_unfed
from bench.sequences.values import judged, limited

PROBE_S = 0.005
PULSE_S = 0.004
COOLING_S = 1.0
FALLS_SHARE = 0.01  # in that time: then a few percent are left to fall
SURELY_COLD_S = 30.0
DRAWING = "computed from the drawing and its tolerances, four standard uncertainties"


async def look(inspection: Inspection, outcome: Outcome) -> None:
    """All pins with nothing fed, then each pin probed, with both returns and, where that settles, with none.

    With the returns open the harness floats behind the board's pull-downs; the input capacitors of
    LED lamps then take seconds to come to rest.
    """
    guard = inspection.guard
    unfed = await read_unfed(inspection)
    limit = inspection.limit("cross-voltage-v")
    for circuit in inspection.reachable():
        if circuit.pin in unfed.pin_v:
            outcome.values.append(limited(f"{circuit.name} not fed", unfed.pin_v[circuit.pin], "V", limit))
    for circuit in inspection.reachable():
        outcome.values.append(await _probe(inspection, circuit))
    if not inspection.can(Capability.RETURN_SWITCHES):
        outcome.reasons.append("the board can't open its returns: pins were probed with both closed only")
        return
    if floats(inspection.profile):
        return
    await guard.returns(Return.NONE)
    for circuit in inspection.reachable():
        await _probe(inspection, circuit)
    await guard.returns(Return.BOTH)


async def _probe(inspection: Inspection, circuit: Circuit) -> Value:
    rest = await inspection.guard.fresh()
    shot = await inspection.guard.probe(inspection.channel(circuit), PROBE_S)
    inspection.progress(shot, "probed", circuit)
    fed_v = shot.channel(inspection.channel(circuit)).voltage_v
    ohm = behind_ohm(inspection, inspection.identity.probe_ohm, shot.supply_v, fed_v)
    if feeds_unit(inspection.profile, circuit):
        # Its capacitor is still charging: the voltage is no steady state, and says nothing of an open wire.
        return judged(f"{circuit.name} probed", ohm, "ohm")
    inspection.note(reading_of(inspection, "probe", (circuit,), shot, rest=rest))
    return limited(f"{circuit.name} probed", ohm, "ohm", inspection.limit("probe-open-ohm"))


def behind_ohm(inspection: Inspection, fed_through_ohm: float, supply_v: float, pin_v: float) -> float:
    """Resistance from a pin to ground, from the divider with a known resistor, the board's pull-down taken off.

    At most what the voltage error lets the board tell from an open pin.
    """
    board = inspection.identity
    siemens = (supply_v - pin_v) / fed_through_ohm / max(pin_v, 1e-3) - 1 / board.pull_down_ohm
    return 1 / max(siemens, board.voltage_offset_error_v / fed_through_ohm / supply_v)


async def cold_pulse(inspection: Inspection, outcome: Outcome) -> None:
    """Each lit pin pulsed through a known resistor, while its filaments are cold."""
    expected = inspection.expectations(inspection.open_v or float(inspection.profile.nominal_v))
    pulsed = [each for each in inspection.reachable() if is_pulsed(inspection.profile, each)]
    await _until_cold(inspection, pulsed)
    await discharge(inspection.guard)
    # The other way round than the look, so that each pair of pins is seen with clean pins one way or the other.
    for circuit in reversed(pulsed):
        outcome.values.append(await _pulse(inspection, circuit, expected[circuit.name].cold_ohm))


async def _until_cold(inspection: Inspection, pulsed: Sequence[Circuit]) -> None:
    """After lamps were lit, wait until a pulse counts at all, and then until the resistances no longer fall."""
    lit_at_s = inspection.guard.lit_at_s
    seen = await inspection.guard.fresh()
    if lit_at_s is None or seen.uptime_s - lit_at_s > SURELY_COLD_S:
        return
    still_s = max(lit_at_s + VOID_S - seen.uptime_s, 0.0)
    inspection.progress(seen, "waiting until the filaments are cold")
    await inspection.guard.wait(still_s)
    before = await _resistances(inspection, pulsed)
    while (await inspection.guard.wait(COOLING_S)).uptime_s - lit_at_s < SURELY_COLD_S:
        after = await _resistances(inspection, pulsed)
        if all(now > (1 - FALLS_SHARE) * then for then, now in zip(before, after, strict=True)):
            return
        before = after


async def _resistances(inspection: Inspection, pulsed: Sequence[Circuit]) -> list[float]:
    return [(await _pulsed(inspection, circuit))[1] for circuit in pulsed if _has_filament(inspection, circuit)]


def _has_filament(inspection: Inspection, circuit: Circuit) -> bool:
    return any(isinstance(load.type, Filament) for load in inspection.profile.loads_of(circuit.name))


async def _pulsed(inspection: Inspection, circuit: Circuit) -> tuple[Snapshot, float]:
    channel = inspection.channel(circuit)
    shot = await inspection.guard.pulse(channel, PULSE_S)
    return shot, behind_ohm(inspection, inspection.identity.pulse_ohm, shot.supply_v, shot.channel(channel).voltage_v)


async def _pulse(inspection: Inspection, circuit: Circuit, cold: Interval | None) -> Value:
    rest = await inspection.guard.fresh()
    shot, ohm = await _pulsed(inspection, circuit)
    inspection.note(reading_of(inspection, "pulse", (circuit,), shot, rest=rest))
    inspection.progress(shot, "pulsed", circuit)
    if cold is None:
        return judged(f"{circuit.name} cold", ohm, "ohm")
    return judged(
        f"{circuit.name} cold",
        ohm,
        "ohm",
        low=cold.value - 2 * cold.plus_minus,
        high=cold.value + 2 * cold.plus_minus,
        outside=Verdict.UNSURE,
        source=DRAWING,
    )
