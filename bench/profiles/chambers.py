"""Brake chambers by the trade's type number, for everybody who needs an area, a volume or a full stroke.

Sources: the type number is the effective area in square inches (trade convention; a trailer-ABS
maker's manual says so of type 30). Rated volumes and full strokes are 49 CFR 571.121, Table V: type
30 read second-hand in the same manual, every other row from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from bench.profiles.air_model import M3_PER_IN3

_M_PER_IN = 0.0254
_M2_PER_IN2 = _M_PER_IN**2


@dataclass(frozen=True, slots=True)
class Chamber:
    """One type of clamp chamber.

    Attributes:
        area_m2: effective area; the true one shrinks towards full stroke.
        stroke_m, long_stroke_m: full stroke of the standard and the long-stroke kind.
        volume_m3: rated volume at full stroke.
        mark: how well the row was checked.
    """

    type: str
    area_m2: float
    stroke_m: float
    long_stroke_m: float
    volume_m3: float
    mark: str

    def full_stroke_m(self, long_stroke: bool) -> float:
        """Full stroke of either kind."""
        return self.long_stroke_m if long_stroke else self.stroke_m


_ROWS = (  # type, full stroke in, long-stroke in, rated volume in3, mark
    ("6", 1.625, 1.625, 16.0, "memory"),
    ("9", 1.75, 2.10, 25.0, "memory"),
    ("12", 1.75, 2.10, 30.0, "memory"),
    ("14", 2.25, 2.70, 40.0, "memory"),
    ("16", 2.25, 2.70, 46.0, "memory"),
    ("18", 2.25, 2.70, 50.0, "memory"),
    ("20", 2.25, 2.70, 54.0, "memory"),
    ("24", 2.50, 3.20, 67.0, "memory"),
    ("30", 2.50, 3.20, 89.0, "second-hand"),
    ("36", 3.00, 3.60, 135.0, "memory"),
)

CHAMBERS: Mapping[str, Chamber] = {
    row[0]: Chamber(
        row[0], float(row[0]) * _M2_PER_IN2, row[1] * _M_PER_IN, row[2] * _M_PER_IN, row[3] * M3_PER_IN3, row[4]
    )
    for row in _ROWS
}
