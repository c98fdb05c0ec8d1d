"""Brake chambers whose volume grows with the push rod.

The rod stands still until the return spring yields (3 psi), travels to the drum until 8 psi, then
follows the elasticity of the brake, and stops where the chamber bottoms. Stroke is a function of
pressure alone (the rod's own inertia and friction are left out), so a chamber needs no state of its
own. The two spring pressures and the elasticity are common practice, no source.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from bench.profiles.air_model import PA_PER_PSI, WheelEnd
from bench.profiles.chambers import CHAMBERS
from firmware_sim.air.flow import FloatArray

RETURN_SPRING_PA = 3 * PA_PER_PSI
CONTACT_PA = 8 * PA_PER_PSI
TRAVEL_SPAN_PA = CONTACT_PA - RETURN_SPRING_PA
STATED_AT_PA = 85 * PA_PER_PSI  # strokes are stated fully applied, at 80 to 90 psi
ELASTIC_M_PER_PA = 0.35 * 0.0254 / (STATED_AT_PA - CONTACT_PA)
USUAL_STROKE_SHARE = 0.6  # of full stroke: a well adjusted brake


@dataclass(frozen=True, slots=True)
class Chambers:
    """All chambers of a trailer; every field has shape (wheel ends,).

    Attributes:
        clear_m3: volume with the rod fully back.
        contact_m: stroke at which shoes or pads touch.
        elastic_m: most that the brake gives after that, until the chamber bottoms.
    """

    area_m2: FloatArray
    clear_m3: FloatArray
    contact_m: FloatArray
    elastic_m: FloatArray

    @classmethod
    def of(cls, wheel_ends: tuple[WheelEnd, ...], strokes_m: list[float]) -> Self:
        """Chambers of these wheel ends with these strokes at 85 psi; a stroke past the end is the full stroke."""
        types = [CHAMBERS[each.chamber] for each in wheel_ends]
        full = np.array([kind.full_stroke_m(end.long_stroke) for kind, end in zip(types, wheel_ends, strict=True)])
        area = np.array([kind.area_m2 for kind in types])
        rated = np.array([kind.volume_m3 for kind in types])
        standard = np.array([kind.stroke_m for kind in types])
        contact = np.clip(np.array(strokes_m) - ELASTIC_M_PER_PA * (STATED_AT_PA - CONTACT_PA), 0.0, full)
        return cls(area, np.maximum(rated - area * standard, 0.1 * rated), contact, full - contact)

    def stroke_and_growth(self, gauge_pa: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Push-rod stroke in m and its derivative in m/Pa, shape (..., wheel ends)."""
        if not (gauge_pa > RETURN_SPRING_PA).any():  # released, as they mostly are: nothing to work out
            return np.zeros(gauge_pa.shape), np.zeros(gauge_pa.shape)
        share = np.minimum(np.maximum((gauge_pa - RETURN_SPRING_PA) * (1 / TRAVEL_SPAN_PA), 0.0), 1.0)
        travel = self.contact_m * share * share * (3 - 2 * share)
        yields = (gauge_pa - CONTACT_PA) * ELASTIC_M_PER_PA
        stroke = travel + np.minimum(np.maximum(yields, 0.0), self.elastic_m)
        gives = (yields > 0) & (yields < self.elastic_m)
        growth = self.contact_m * (6 / TRAVEL_SPAN_PA) * share * (1 - share) + ELASTIC_M_PER_PA * gives
        return stroke, growth

    def stroke_m(self, gauge_pa: FloatArray) -> FloatArray:
        """Push-rod stroke, shape (..., wheel ends)."""
        return self.stroke_and_growth(gauge_pa)[0]

    def volume_m3(self, gauge_pa: FloatArray) -> FloatArray:
        """Volume at rest at this pressure."""
        volume: FloatArray = self.clear_m3 + self.area_m2 * self.stroke_m(gauge_pa)
        return volume
