"""Wire sizes as people write them, turned into copper areas.

Source: ASTM B258, d = 0.127 mm x 92^((36 - n) / 39), solid round wire.
"""

import math

METRES_PER_FOOT = 0.3048  # exact by definition
METRES_PER_INCH = 0.0254


def awg_area_mm2(gauge: int) -> float:
    """Cross-section of solid wire of American wire gauge ``gauge``, in mm2."""
    diameter_mm = 0.127 * math.pow(92, (36 - gauge) / 39)
    return math.pi / 4 * diameter_mm**2
