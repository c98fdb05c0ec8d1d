"""Does a probe or a cold pulse show a short? Errs to the side of not driving.

The pin and the known resistor that feeds it divide the supply voltage, so its resistance is
``r = V / ((V_supply - V) / R)``. A sound circuit shows at least the cold resistance of its
loads, and of the loads of every other pin that comes up with it (a cross-connection is not a
short). Half of that, with two standard uncertainties of the voltage to spare, is a short.
A 1 kohm probe resolves a quarter of an ohm, so it finds shorts of LED circuits only; the pulse
finds those of filaments. The board's own current limit stands behind both.
"""

from bench.contract.readings import Identity, Snapshot
from bench.contract.table import SHORT_RESISTANCE_OHM, Return
from bench.safety.setup import Setup

COMES_UP_WITH = 0.7  # of the fed pin's voltage: tied to it by metal
SOUND_SHARE = 0.5


def shows_short(setup: Setup, identity: Identity, shot: Snapshot, channel: int, fed_through_ohm: float) -> bool | None:
    """True for a short, False for none, None when this reading can't tell.

    Args:
        setup: the circuits and their loads.
        identity: the board's voltage accuracy.
        shot: latched while ``channel`` was fed.
        channel: the channel fed, counted from 1.
        fed_through_ohm: probe or pulse resistor.
    """
    fed_v = shot.channel(channel).voltage_v
    fed_a = (shot.supply_v - fed_v) / fed_through_ohm
    if shot.returns is Return.NONE:
        return None
    if fed_a <= 0:
        return False
    resistance_ohm = max(fed_v, 0.0) / fed_a
    uncertain_ohm = 2 * identity.voltage_offset_error_v / fed_a
    limit_ohm = _limit_ohm(setup, shot, channel, fed_v)
    if resistance_ohm + uncertain_ohm < limit_ohm:
        return True
    return False if resistance_ohm - uncertain_ohm > limit_ohm else None


def _limit_ohm(setup: Setup, shot: Snapshot, channel: int, fed_v: float) -> float:
    together = {
        other
        for other in setup.circuits
        if other <= len(shot.channels) and shot.channel(other).voltage_v >= COMES_UP_WITH * fed_v > 0
    }
    siemens = sum(setup.cold_siemens[other] for other in together | {channel})
    return min(SOUND_SHARE / siemens, SHORT_RESISTANCE_OHM) if siemens else SHORT_RESISTANCE_OHM
