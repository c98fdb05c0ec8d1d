"""A unit's history in plain words: how values moved, which faults came back, what a retest proved. Pure."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from bench import units
from bench.records.history import Found, History, Point
from bench.records.statistics import LEAST, Change, change
from bench.results import Verdict
from bench.units import System

RESOLUTION = 0.01  # of the largest value: what boards tell apart at best
LEAST_WATCHED = 3  # visits
MARKED = 0.25  # of the room within the limits: noise does not move so far the same way three times


@dataclass(frozen=True, slots=True)
class Trend:
    """One value through the visits.

    Attributes:
        change: the clearest step or drift, if there is one.
        words: the same in a sentence.
        watch: too few visits for a change, but it moved the same way each time, and far within its limits.
    """

    name: str
    unit: str
    profile: str
    points: tuple[Point, ...]
    change: Change | None
    words: str
    watch: bool = False

    @property
    def moved(self) -> bool:
        """Whether there is something to tell."""
        return self.watch or self.change is not None


@dataclass(frozen=True, slots=True)
class Recurring:
    """A fault that was found in more than one visit; ``came_back`` after a retest had closed it."""

    kind: str
    circuits: tuple[str, ...]
    places: tuple[str, ...]
    run_ids: tuple[str, ...]
    came_back: bool


def trends(history: History, system: System) -> list[Trend]:
    """Every value that was measured in two visits or more; those that moved first."""
    series: dict[tuple[str, str, str], list[Point]] = defaultdict(list)
    for point in history.points:
        series[point.profile, point.name, point.unit].append(point)
    told = [trend_of(points, system) for points in series.values() if len({point.run_id for point in points}) > 1]
    return sorted(told, key=lambda trend: not trend.moved)


def recurring(history: History) -> list[Recurring]:
    """Faults of the same kind on the same circuits in more than one visit, the most frequent first.

    A retest that finds the fault it was made for is not another visit.
    """
    retests = {visit.id for visit in history.visits if visit.command == "retest"}
    same: dict[tuple[str, tuple[str, ...]], list[Found]] = defaultdict(list)
    for found in history.findings:
        if found.verdict is Verdict.FAIL and found.run_id not in retests:
            same[found.kind, found.circuits].append(found)
    every = [_recurring(found) for found in same.values() if len({each.run_id for each in found}) > 1]
    return sorted(every, key=lambda each: -len(each.run_ids))


def _recurring(found: Sequence[Found]) -> Recurring:
    first = found[0]
    places = tuple(dict.fromkeys(each.place for each in found if each.place))
    closed = [each.followup for each in found if each.followup is not None and each.followup.state == "closed"]
    came_back = any(each.run_id > followup.retest_id for each in found for followup in closed)  # ids sort by time
    return Recurring(first.kind, first.circuits, places, tuple(dict.fromkeys(each.run_id for each in found)), came_back)


def proved(history: History) -> Iterator[tuple[Found, str]]:
    """Each finding that a retest spoke of, and what it said."""
    for found in history.findings:
        if found.followup is not None:
            state = "closed" if found.followup.state == "closed" else "still open"
            yield found, f"{state}, retest {found.followup.retest_id}: {found.followup.reason}"


def trend_of(points: Sequence[Point], system: System) -> Trend:
    """One value in order of time; at least one."""
    values = [point.value for point in points]
    largest = max(abs(value) for value in values)
    moved = change(values, RESOLUTION * largest)
    first, watch = points[0], moved is None and _goes_one_way(points)
    words = _one_way(points, system) if watch else _words(points, moved, system)
    return Trend(first.name, first.unit, first.profile, tuple(points), moved, words, watch)


def _goes_one_way(points: Sequence[Point]) -> bool:
    """Whether a few values rise each time, or fall each time, by a good part of the room within their limits."""
    values, last = [point.value for point in points], points[-1]
    if not LEAST_WATCHED <= len(values) < LEAST or len({point.run_id for point in points}) < LEAST_WATCHED:
        return False
    bounds = [bound for bound in (last.low, last.high) if bound is not None]
    room = max(bounds) - min(bounds) if len(bounds) == 2 else abs(bounds[0]) if bounds else 0.0
    steps = [after - before for before, after in pairwise(values)]
    same_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
    return same_way and room > 0 and abs(values[-1] - values[0]) >= MARKED * room


def _one_way(points: Sequence[Point], system: System) -> str:
    (first, *_, last), unit = units.columns([point.value for point in points], points[0].unit, system)
    since = f"since {_day(points[0])}"
    return f"{first} → {last} {unit} over {len(points)} visits {since}, the same way each time; look at it again soon"


def _words(points: Sequence[Point], moved: Change | None, system: System) -> str:
    if moved is None:
        return _steady(points, system)
    before, after = (units.text(value, points[0].unit, system) for value in (moved.before, moved.after))
    ratio = _ratio(moved)
    if moved.kind == "step":
        held = len(points) - moved.at
        since = f"since {_day(points[moved.at])} ({held} {'visit' if held == 1 else 'visits'})"
        return f"{before} until {_day(points[moved.at - 1])}, {after} {since}{ratio}"
    return f"drifts from {before} on {_day(points[0])} to {after} on {_day(points[-1])}{ratio}{_limit(points, moved)}"


def _steady(points: Sequence[Point], system: System) -> str:
    least, most = min(point.value for point in points), max(point.value for point in points)
    low, high = (units.text(value, points[0].unit, system) for value in (least, most))
    between = low if low == high else f"{low} to {high}"
    if len(points) < LEAST:
        return f"{between} in {len(points)} visits, too few to tell a change ({LEAST} needed)"
    return f"steady, {between} in {len(points)} visits"


def _ratio(moved: Change) -> str:
    if not moved.before:
        return ""
    percent = 100 * (moved.after - moved.before) / abs(moved.before)
    return f", {'up' if percent > 0 else 'down'} {units.number(abs(percent), 2)} %" if abs(percent) < 1000 else ""


def _limit(points: Sequence[Point], moved: Change) -> str:
    """In how many visits a drift meets its limit, if it goes on and has one there."""
    last = points[-1]
    slope = (moved.after - moved.before) / (len(points) - 1)
    bound = last.high if slope > 0 else last.low
    room = None if bound is None else (bound - moved.after) / slope
    if room is None or not 0 < room <= 2 * len(points):
        return ""
    return f"; at this rate beyond its limit in {max(1, round(room))} visits"


def _day(point: Point) -> str:
    return point.started[:10]
