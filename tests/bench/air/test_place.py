"""Where a leak is: what is known is said, what is shared is said to be shared."""

from itertools import product

import pytest

from bench.air.gas import PSI_PA
from bench.air.place import TABLE, LeakTest, Test, Volume, locate
from bench.results import Finding

PSI_PER_MIN = PSI_PA / 60


def leak_test(psi_per_min: float) -> LeakTest:
    return LeakTest(psi_per_min > 1.5, psi_per_min * PSI_PER_MIN, 1.5 * PSI_PER_MIN, "a limit")


def found(
    released: float | None = None,
    applied: float | None = None,
    service: float | None = None,
    *,
    check_valve: bool = True,
    volume: Volume | None = None,
) -> tuple[Finding, ...]:
    rates: dict[Test, float | None] = {
        "supply-released": released,
        "supply-applied": applied,
        "service-applied": service,
    }
    tests = {name: leak_test(rate) for name, rate in rates.items() if rate is not None}
    return locate(tests, check_valve=check_valve, volume=volume)


def places(finding: Finding) -> set[str]:
    others = {each.where.name for each in finding.alternatives if each.where}
    return others | ({finding.where.name} if finding.where else set())


@pytest.mark.parametrize(
    ("released", "applied", "service", "volume", "named"),
    [  # what the same 3.6 L/min leak reads at each place (prototype figures; simulation)
        (8.6, 8.6, 0.1, None, {"supply line and its glad hand", "spring brake seal"}),
        (2.1, 2.1, 0.1, None, {"reservoir and its drain", "supply line and its glad hand", "spring brake seal"}),
        (2.1, 2.1, 0.1, "large", {"reservoir and its drain"}),
        (2.1, 0.1, 0.1, None, {"relay valve, inlet seat"}),
        (0.1, 2.0, 0.1, None, {"brake chamber diaphragm", "relay valve, exhaust seat"}),
        (0.1, 0.1, 25.0, None, {"service line and its glad hand", "relay valve, control side"}),
    ],
)
def test_a_pattern_names_its_places(
    released: float, applied: float, service: float, volume: Volume | None, named: set[str]
) -> None:
    (finding,) = found(released, applied, service, volume=volume)

    assert places(finding) == named
    assert "isten" in finding.next or "Soap" in finding.next
    assert finding.source == "a limit"
    assert finding.confidence + sum(each.confidence for each in finding.alternatives) == pytest.approx(1)


def test_both_sides_have_findings_of_their_own() -> None:
    assert [each.kind for each in found(0.1, 2.0, 25.0)] == ["leak-service", "leak-supply"]


def test_without_a_check_valve_nothing_is_split_by_speed() -> None:
    (finding,) = found(8.6, 8.6, check_valve=False)

    assert "reservoir and its drain" in places(finding)
    assert "check valve" in finding.explain


def test_one_test_alone_leaves_more_open() -> None:
    (finding,) = found(applied=2.0)

    assert len(places(finding)) == 3
    assert "released" in finding.next


def test_nothing_leaks_nothing_found() -> None:
    assert found(0.1, 0.1, 0.1) == ()
    assert found() == ()


def test_every_pattern_of_results_has_at_most_one_finding_a_side() -> None:
    for rates in product((None, 0.1, 2.0, 9.0), repeat=3):
        kinds = [each.kind for each in found(*rates)]
        assert len(kinds) == len(set(kinds))
        leaks = [rate is not None and rate > 1.5 for rate in rates]
        assert bool(kinds) is any(leaks)


def test_shares_of_a_row_add_up_and_say_what_next() -> None:
    for row in TABLE:
        assert sum(share for _, share in row.places) == pytest.approx(1)
        assert row.next.endswith(".")
