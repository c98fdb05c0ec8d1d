"""The ABS warning lamp's check when power comes on, from the current of the unit that feeds it. Pure.

49 CFR 571.121 S5.2.3.3: the lamp is lit as a check of its function when power is first supplied, and goes out at the
end of the check unless there is a malfunction. So the current falls by one lamp after some seconds. Where no step is
seen, the level tells a lamp that never lit from one that stays lit, if the drawing is known well enough.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from bench.electrical.blinks import find_levels

SOURCE = "49 CFR 571.121 S5.2.3.3"
BURST_S = 0.4  # after power-on: charge and start of the unit
LAST_S = 1.0
LEAST_SIGMAS = 2.0
STEP_SHARE = (0.4, 1.8)  # of the drawn lamp

How = Literal["sound", "dark", "stays-lit", "unclear"]


@dataclass(frozen=True, slots=True)
class BulbCheck:
    """What the lamp did.

    Attributes:
        out_after_s: from power-on, for a sound one.
        step_a: by which the current fell; 0 where it did not.
        level_a: at the end.
    """

    how: How
    out_after_s: float | None
    step_a: float
    level_a: float


def bulb_check(current_a: Sequence[float], dt_s: float, *, unit_a: float, lamp_a: float, share: float) -> BulbCheck:
    """Judge a recording from power-on.

    Args:
        current_a: evenly sampled.
        dt_s: between samples.
        unit_a: of the drawn unit without its lamp.
        lamp_a: of the drawn lamp.
        share: standard uncertainty of ``unit_a``, relative, the board's gain included.
    """
    skipped = round(BURST_S / dt_s)
    trace = list(current_a[skipped:])
    level_a = float(np.median(trace[-max(round(LAST_S / dt_s), 1) :])) if trace else 0.0
    levels = find_levels(trace, dt_s)
    edges = np.flatnonzero(np.diff(levels.lit)) if levels.clear else np.array([], dtype=int)
    one_step = levels.clear and STEP_SHARE[0] * lamp_a < levels.step_a < STEP_SHARE[1] * lamp_a
    if one_step and len(edges) == 1 and levels.lit[0]:
        return BulbCheck("sound", BURST_S + float(edges[0] + 1) * levels.dt_s, levels.step_a, level_a)
    sigma_a = share * unit_a
    if lamp_a / 2 < LEAST_SIGMAS * sigma_a or levels.clear:
        return BulbCheck("unclear", None, levels.step_a, level_a)
    return BulbCheck("dark" if level_a < unit_a + lamp_a / 2 else "stays-lit", None, 0.0, level_a)
