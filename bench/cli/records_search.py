"""``umbilical records history``, ``due`` and ``stats``: what many runs say together."""

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from rich.table import Table

    from bench.records.capability import Figures
    from bench.records.due import Due
    from bench.records.history import Found, History
    from bench.records.trends import Recurring, Trend
    from bench.units import System

Unit = Annotated[str | None, typer.Option("--unit", metavar="TEXT", help="Only this unit number or VIN.")]
Since = Annotated[str | None, typer.Option("--since", metavar="YYYY-MM-DD", help="Only from this day (UTC) on.")]
Until = Annotated[str | None, typer.Option("--until", metavar="YYYY-MM-DD", help="Only up to this day (UTC).")]


def day_of(text: str | None, option: str) -> date | None:
    """A day as people type it to options.

    Raises:
        InputError: no such day.
    """
    from bench.errors import InputError

    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError(f"{option} {text}: not a day like 2026-01-31") from None


# --- history ---


def history(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="Unit number, VIN, or the end of a VIN.")],
    every: Annotated[bool, typer.Option("--all", help="Name the values that did not move, too.")] = False,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Show everything known of a unit: visits, how values moved, faults that came back, what retests proved."""
    from bench.cli import json_view, terminal
    from bench.cli.records import listing
    from bench.records import Store
    from bench.records.kept import units_kept
    from bench.records.trends import proved, recurring, trends

    with Store(record, create=False) as store:
        found = store.history(unit)
        system = units_kept(store, found.visits[-1].id) if found.visits else "us"
    moved, again, words = trends(found, system), recurring(found), list(proved(found))
    if as_json:
        json_view.emit(_history_document(found, moved, again))
        return 0
    console = terminal.out()
    if not found.visits:
        terminal.err().print(f"no records of {unit}")
        return 0
    console.print(listing(list(reversed(found.visits))))
    for title, lines in _chapters([trend for trend in moved if every or trend.moved], again, words):
        console.print(f"\n{title}", style="bold")
        for name, line in lines:
            console.print(f"  {name}: {line}", soft_wrap=True)
    if not every:
        console.print(f"\n{sum(not trend.moved for trend in moved)} values without a change; --all names them")
    return 0


def _chapters(
    moved: "Sequence[Trend]", again: "Sequence[Recurring]", proved: "Sequence[tuple[Found, str]]"
) -> list[tuple[str, list[tuple[str, str]]]]:
    changed = [(trend.name, trend.words) for trend in moved if trend.moved]
    steady = [(trend.name, trend.words) for trend in moved if not trend.moved]
    returned = [(_fault(each.kind, each.circuits), _again(each)) for each in again]
    spoken = [(_fault(found.kind, found.circuits), words) for found, words in proved]
    chapters = {
        "Faults found more than once": returned,
        "What retests proved": spoken,
        "Values that moved": changed,
        "Values without a change": steady,
    }
    return [(title, lines) for title, lines in chapters.items() if lines]


def _fault(kind: str, circuits: Sequence[str]) -> str:
    return f"{kind.replace('-', ' ')}{' (' + ', '.join(circuits) + ')' if circuits else ''}"


def _again(each: "Recurring") -> str:
    at = f" at {', '.join(each.places)}" if each.places else ""
    back = "; came back after a retest had closed it" if each.came_back else ""
    return f"in {len(each.run_ids)} visits{at}{back}"


def _history_document(history: "History", moved: "Sequence[Trend]", again: "Sequence[Recurring]") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "unit": history.unit,
        "visits": [asdict(visit) for visit in history.visits],
        "trends": [
            {
                "name": trend.name,
                "unit": trend.unit,
                "profile": trend.profile,
                "change": asdict(trend.change) if trend.change else None,
                "watch": trend.watch,
                "words": trend.words,
                "points": [
                    {"record": each.run_id, "started": each.started, "value": each.value} for each in trend.points
                ],
            }
            for trend in moved
        ],
        "recurring": [asdict(each) for each in again],
        "findings": [asdict(found) for found in history.findings],
    }


# --- due ---


def due(
    on: Annotated[
        str | None, typer.Option("--on", metavar="YYYY-MM-DD", help="As of this day.  [default: today]")
    ] = None,
    within: Annotated[int, typer.Option("--within", metavar="DAYS", min=0, help="What counts as soon.")] = 30,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """List which units are due for inspection again, the most urgent first; exit code 1 when one is overdue.

    A unit is due 12 months after the newest complete run in which everything passed (49 CFR 396.17, read
    second-hand); reports are kept for 14 months (396.21(b), second-hand).
    """
    from datetime import datetime

    from bench.cli import json_view, terminal
    from bench.records import Store
    from bench.records.due import due_of

    today = day_of(on, "--on") or datetime.now().astimezone().date()
    with Store(record, create=False) as store:
        every = [due_of(newest, passed, today, within) for newest, passed in store.inspected_units()]
    every.sort(key=lambda each: (each.due is not None, each.due or today))
    if as_json:
        json_view.emit(_due_document(every, today))
    elif every:
        terminal.out().print(_due_table(every))
    else:
        terminal.err().print("no complete inspection of a unit with a number or VIN yet")
    return 1 if any(each.state == "overdue" for each in every) else 0


def _due_document(every: "Sequence[Due]", today: date) -> dict[str, Any]:
    from bench.records.due import INTERVAL_SOURCE, KEPT_SOURCE

    return {
        "on": today.isoformat(),
        "sources": {"due": INTERVAL_SOURCE, "keep_until": KEPT_SOURCE},
        "units": [
            {
                "unit": each.unit,
                "state": each.state,
                "due": each.due.isoformat() if each.due else None,
                "days_left": each.days_left,
                "passed": each.passed.id if each.passed else None,
                "newest": each.newest.id,
                "keep_until": each.keep_until.isoformat(),
            }
            for each in every
        ],
    }


_STATE = {"overdue": "OVERDUE", "never-passed": "never passed", "soon": "due soon", "in-time": "in time"}


def _due_table(every: "Sequence[Due]") -> "Table":
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("unit", "state", "due", "newest inspection", "keep its report until"):
        table.add_column(heading, overflow="fold")
    for each in every:
        newest = f"{each.newest.started[:10]}, {each.newest.verdict.value}"
        when = "" if each.due is None else f"{each.due} ({_days(each.days_left or 0)})"
        table.add_row(each.unit, _STATE[each.state], when, newest, str(each.keep_until))
    return table


def _days(left: int) -> str:
    count = f"{abs(left)} day{'' if abs(left) == 1 else 's'}"
    return f"{count} ago" if left < 0 else f"in {count}"


# --- stats ---


def stats(
    name: Annotated[
        str, typer.Argument(metavar="QUERY", help="Name of a value, for example 'stop current'; * for anything.")
    ],
    unit: Unit = None,
    profile: Annotated[str | None, typer.Option("--profile", metavar="NAME", help="Only of this profile.")] = None,
    since: Since = None,
    until: Until = None,
    plots: Annotated[
        str | None, typer.Option("--plots", metavar="FILE.html", help="Draw distribution and course into this page.")
    ] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Show how a measured value is distributed, whether it drifts, and how it stands within its limits.

    Cp and Cpk with 95 % confidence intervals, for values that are independent and roughly normal.
    """
    from bench.cli import json_view, terminal
    from bench.errors import InputError
    from bench.records import SeriesQuery, Store
    from bench.records.capability import document_of, figures_of, words_of
    from bench.records.kept import units_kept

    query = SeriesQuery(unit, profile, day_of(since, "--since"), day_of(until, "--until"))
    with Store(record, create=False) as store:
        points = store.series(name, query)
        system = units_kept(store, points[-1].run_id) if points else "us"
    if not points:
        raise InputError(f"no measured value is named {name!r} there; `umbilical records show ID` lists names")
    every = figures_of(points, system)
    if plots is not None:
        _draw(plots, name, every, system)
    if as_json:
        json_view.emit([document_of(each) for each in every])
        return 0
    for each in every:
        terminal.print_rows(terminal.out(), {"value": f"{each.name}, {each.profile}"} | words_of(each, system))
        terminal.out().print()
    return 0


def _draw(file: str, name: str, every: "Sequence[Figures]", system: "System") -> None:
    from pathlib import Path

    from bench import keeping
    from bench.records.capability import words_of
    from bench.reports import Series, render_statistics

    drawn = [
        Series(
            f"{each.name}, {each.profile}",
            each.unit,
            [point.value for point in each.trend.points],
            *each.limits,
            words_of(each, system),
        )
        for each in every
    ]
    with keeping.writing(Path(file)):
        Path(file).write_text(render_statistics(f"Measured over runs: {name}", drawn, system), encoding="utf-8")
