"""Due days by 49 CFR 396.17 (every 12 months) and 396.21(b) (kept 14 months), both read second-hand."""

from datetime import date
from pathlib import Path

import pytest

from bench.records import Store
from bench.records.due import due_of, months_after
from bench.results import Verdict
from tests.bench.records.made_runs import small_run, small_step


def inspected(store: Store, day: str, verdict: Verdict = Verdict.PASS, **more: object) -> None:
    run_id = f"{day.replace('-', '')}-080000-aaaa"
    more = {"started": f"{day}T08:00:00+00:00", "state": "complete", "steps": (small_step(0, verdict),)} | more
    store.save(small_run(run_id, **more))


@pytest.mark.parametrize(
    ("today", "state", "left"),
    [
        ("2026-11-01", "in-time", 72),
        ("2026-12-20", "soon", 23),
        ("2027-01-12", "soon", 0),
        ("2027-01-13", "overdue", -1),
    ],
)
def test_a_unit_is_due_twelve_months_after_it_passed(tmp_path: Path, today: str, state: str, left: int) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        inspected(store, "2026-01-12")
        ((newest, passed),) = store.inspected_units()
    due = due_of(newest, passed, date.fromisoformat(today))

    assert (due.state, due.days_left, due.due) == (state, left, date(2027, 1, 12))
    assert due.keep_until == date(2027, 3, 12)


def test_a_failed_inspection_does_not_begin_a_new_year(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        inspected(store, "2026-01-12")
        inspected(store, "2026-06-01", Verdict.FAIL)
        inspected(store, "2026-06-02", state="stopped")
        ((newest, passed),) = store.inspected_units()
    due = due_of(newest, passed, date(2026, 6, 3))

    assert (due.newest.id[:8], due.due) == ("20260601", date(2027, 1, 12))


def test_a_unit_that_never_passed_says_so(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        inspected(store, "2026-06-01", Verdict.UNSURE)
        ((newest, passed),) = store.inspected_units()

    assert due_of(newest, passed, date(2026, 6, 3)).state == "never-passed"


@pytest.mark.parametrize(
    ("day", "months", "later"),
    [("2024-02-29", 12, "2025-02-28"), ("2025-12-31", 14, "2027-02-28"), ("2026-01-12", 12, "2027-01-12")],
)
def test_a_month_that_is_too_short_ends_on_its_last_day(day: str, months: int, later: str) -> None:
    assert months_after(date.fromisoformat(day), months) == date.fromisoformat(later)
