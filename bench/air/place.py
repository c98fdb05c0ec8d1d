"""Where a leak is, as far as the couplings can tell: a table of patterns.

The same hole reads differently by what it drains, and when. The relay valve's inlet seat leaks while
the brakes are released; its exhaust seat and the diaphragms only hold pressure while applied. With a
check valve, hoses and spring cavities on the supply coupling are a small volume that falls fast,
the reservoir a large one that falls slowly. What two places share is said to be shared: then a
person listens, or a metered pulse of air reads the volume that falls.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from bench.results import Alternative, Evidence, Finding, FindingKind, Size, Verdict, Where

Test = Literal["supply-released", "supply-applied", "service-applied"]
Volume = Literal["small", "large"]

_FAST_PA_PER_S = 5 * 6894.757 / 60  # psi/min: what 8 times the volume would turn into an unlikely hole
_ALIKE = 0.7


@dataclass(frozen=True, slots=True)
class Pattern:
    """One row: which tests leak, and what that leaves.

    Attributes:
        leaking: verdict of each test, True when it leaks; a test that is absent does not matter.
        alike: whether released and applied must fall at about the same rate.
        volume: what a metered pulse must have read; None when it does not matter.
        places: what remains, likeliest first, with shares of one.
    """

    name: str
    leaking: Mapping[Test, bool]
    kind: FindingKind
    places: tuple[tuple[str, float], ...]
    explain: str
    next: str
    volume: Volume | None = None
    needs_check_valve: bool = False


TABLE = (
    Pattern(
        "service side",
        {"service-applied": True},
        "leak-service",
        (("service line and its glad hand", 0.6), ("relay valve, control side", 0.4)),
        "The closed service line loses air while the brakes are applied.",
        "Listen along the service line from the glad hand to the relay valve; soap the fittings.",
    ),
    Pattern(
        "applied only",
        {"supply-released": False, "supply-applied": True},
        "leak-supply",
        (("brake chamber diaphragm", 0.5), ("relay valve, exhaust seat", 0.5)),
        "The supply falls only while the brakes are applied: a diaphragm or the relay valve's exhaust seat.",
        "With the brakes applied, listen at the relay valve's exhaust, then at each chamber's breather holes.",
    ),
    Pattern(
        "released only",
        {"supply-released": True, "supply-applied": False},
        "leak-supply",
        (("relay valve, inlet seat", 1.0),),
        "The supply falls only while the brakes are released: the relay valve's inlet seat.",
        "With the brakes released, listen at the relay valve's exhaust port.",
        needs_check_valve=True,
    ),
    Pattern(
        "both, small volume",
        {"supply-released": True},
        "leak-supply",
        (("supply line and its glad hand", 0.6), ("spring brake seal", 0.4)),
        "The supply falls whether applied or released, and little air is behind it: supply line, glad hand or a spring "
        "brake's seal.",
        "Listen at the supply glad hand and along the hose, then at the spring brakes' breathers.",
        volume="small",
        needs_check_valve=True,
    ),
    Pattern(
        "both, large volume",
        {"supply-released": True},
        "leak-supply",
        (("reservoir and its drain", 1.0),),
        "The supply falls whether applied or released, and the reservoir's air is behind it.",
        "Soap the reservoir's drain valve and fittings.",
        volume="large",
        needs_check_valve=True,
    ),
    Pattern(
        "both",
        {"supply-released": True},
        "leak-supply",
        (("reservoir and its drain", 0.4), ("supply line and its glad hand", 0.35), ("spring brake seal", 0.25)),
        "The supply falls while the brakes are released.",
        "Listen at the supply glad hand and hose, the spring brakes' breathers and the reservoir's drain; a metered "
        "pulse of air tells a line from a reservoir.",
    ),
    Pattern(
        "applied",
        {"supply-applied": True},
        "leak-supply",
        (("brake chamber diaphragm", 0.3), ("relay valve, exhaust seat", 0.3), ("reservoir or supply line", 0.4)),
        "The supply falls while the brakes are applied; released was not tested.",
        "Repeat with the brakes released: that tells chambers from reservoir.",
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LeakTest:
    """One watched line's outcome: whether it leaks more than allowed, and how fast, Pa/s at 100 psig."""

    leaks: bool
    rate_pa_per_s: float
    limit_pa_per_s: float
    source: str


def locate(tests: Mapping[Test, LeakTest], *, check_valve: bool, volume: Volume | None = None) -> tuple[Finding, ...]:
    """Findings for what leaks: at most one for each side.

    Args:
        tests: decided tests only; one that is unsure is left out.
        check_valve: the profile's; without one the supply coupling does not show the split.
        volume: what a metered pulse read behind the supply coupling.
    """
    supply: Mapping[Test, LeakTest] = {name: test for name, test in tests.items() if name != "service-applied"}
    service: Mapping[Test, LeakTest] = {name: test for name, test in tests.items() if name == "service-applied"}
    rows = (_matching(side, check_valve, volume or _by_speed(side)) for side in (service, supply))
    return tuple(_finding(row, tests, check_valve) for row in rows if row is not None)


def _by_speed(supply: Mapping[Test, LeakTest]) -> Volume | None:
    """A fall this fast and the same both ways is a small volume's; a slow one says nothing."""
    released, applied = supply.get("supply-released"), supply.get("supply-applied")
    if released is None or applied is None or not (released.leaks and applied.leaks):
        return None
    slow, fast = sorted((released.rate_pa_per_s, applied.rate_pa_per_s))
    return "small" if slow > _FAST_PA_PER_S and slow > _ALIKE * fast else None


def _matching(tests: Mapping[Test, LeakTest], check_valve: bool, volume: Volume | None) -> Pattern | None:
    for row in TABLE:
        known = all(name in tests and tests[name].leaks is leaks for name, leaks in row.leaking.items())
        if known and (row.volume in (None, volume)) and (check_valve or not row.needs_check_valve):
            return row
    return None


def _finding(row: Pattern, tests: Mapping[Test, LeakTest], check_valve: bool) -> Finding:
    measured = {name: tests[name] for name in row.leaking if tests[name].leaks}
    worst = max(measured.values(), key=lambda test: test.rate_pa_per_s / test.limit_pa_per_s)
    (place, share), *others = row.places
    without = "" if check_valve else " Without a check valve in the profile, line and reservoir fall together."
    return Finding(
        kind=row.kind,
        circuits=(),
        pins=(),
        verdict=Verdict.FAIL,
        severity="safety",
        confidence=share,
        explain=row.explain + without,
        next=row.next,
        where=Where("component", place),
        size=Size(worst.rate_pa_per_s, "Pa/s"),
        evidence=tuple(
            Evidence(name.replace("-", " line, brakes "), test.rate_pa_per_s, "Pa/s") for name, test in tests.items()
        ),
        alternatives=tuple(Alternative(row.kind, Where("component", name), each) for name, each in others),
        source=worst.source,
    )
