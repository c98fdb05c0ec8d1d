"""Wire sizes against published tables."""

import pytest

from bench.profiles.model import COPPER_OHM_MM2_PER_M, Segment
from bench.profiles.wire import METRES_PER_FOOT, METRES_PER_INCH, awg_area_mm2

# gauge: diameter mm, area mm2 (ASTM B258 formula, worked out by hand) and ohm per 1000 ft at 20 degC, as printed in
# electrical handbooks' copper wire tables (handbook column from memory)
TABLE = {
    18: (1.0237, 0.823, 6.385),
    16: (1.2908, 1.309, 4.016),
    14: (1.6277, 2.081, 2.525),
    12: (2.0525, 3.309, 1.588),
    10: (2.5882, 5.261, 0.9989),
    8: (3.2636, 8.366, 0.6282),
    6: (4.1154, 13.30, 0.3951),
    4: (5.1894, 21.15, 0.2485),
}


@pytest.mark.parametrize("gauge", TABLE)
def test_gauge_has_the_area_of_astm_b258(gauge: int) -> None:
    _, area_mm2, _ = TABLE[gauge]

    assert awg_area_mm2(gauge) == pytest.approx(area_mm2, rel=5e-4)


@pytest.mark.parametrize("gauge", TABLE)
def test_a_thousand_feet_of_copper_have_the_handbooks_resistance(gauge: int) -> None:
    *_, ohm = TABLE[gauge]
    wire = Segment("w", "a", "b", 1000 * METRES_PER_FOOT, awg_area_mm2(gauge))

    assert wire.resistance_ohm == pytest.approx(ohm, rel=1e-3)


def test_three_gauges_smaller_is_half_the_copper() -> None:
    """The trade's rule of thumb, true to 1 %."""
    assert awg_area_mm2(12) / awg_area_mm2(15) == pytest.approx(2.0, rel=0.01)


# ISO 6722 maximum resistance at 20 degC of bare copper, milliohm per metre (from memory)
@pytest.mark.parametrize(("area_mm2", "most_milliohm"), [(0.75, 24.7), (1.5, 12.7), (2.5, 7.60), (4.0, 4.71)])
def test_metric_wire_is_not_above_the_largest_resistance_of_iso_6722(area_mm2: float, most_milliohm: float) -> None:
    milliohm = COPPER_OHM_MM2_PER_M / area_mm2 * 1000

    assert 0.85 * most_milliohm < milliohm < most_milliohm


def test_a_foot_is_twelve_inches() -> None:
    assert pytest.approx(12 * METRES_PER_INCH) == METRES_PER_FOOT
