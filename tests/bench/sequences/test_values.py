"""Values beside their limits."""

import pytest

from bench.profiles.model import Limit
from bench.results import Verdict
from bench.sequences.values import judged, limited

GROUND = Limit("ground-path-sound-ohm", None, 0.1, "ohm", "0.1 to 0.2 V in a ground path", "common-practice")


@pytest.mark.parametrize(("value", "verdict"), [(0.1, "pass"), (0.1001, "fail"), (None, "not-tested")])
def test_a_value_at_its_limit_passes_and_beyond_it_fails(value, verdict):
    assert limited("ground path", value, "ohm", GROUND).verdict == verdict


def test_nothing_is_passed_without_a_measurement():
    assert judged("current", None, "A").verdict is Verdict.NOT_TESTED


def test_a_limit_says_how_well_its_source_was_checked():
    assert limited("ground path", 0.05, "ohm", GROUND).source == (
        "0.1 to 0.2 V in a ground path (common practice, no source)"
    )


def test_a_profile_without_the_limit_leaves_the_value_without_bounds():
    value = limited("ground path", 0.05, "ohm", None)

    assert (value.low, value.high, value.source) == (None, None, None)
