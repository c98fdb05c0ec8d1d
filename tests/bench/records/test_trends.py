"""Histories in plain words."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from bench.records import History, Store
from bench.records.trends import proved, recurring, trends
from bench.results import Finding, Followup, Run, StepResult, Value, Verdict, Where
from tests.bench.records.made_runs import small_run

LAMP = Finding(
    "lamp-out",
    ("tail",),
    (6,),
    Verdict.FAIL,
    "safety",
    0.9,
    "A lamp is out.",
    "Replace it.",
    Where("lamp", "tail.left"),
)


def visit(day: int, value: float, *findings: Finding) -> Run:
    measured = Value("tail current", value, "A", 2.3, 3.3)
    verdict = Verdict.FAIL if findings else Verdict.PASS
    step = StepResult("circuits", "Circuits", verdict, 0.0, 1.0, (measured,), findings)
    return small_run(
        f"202601{day:02}-080000-aaaa", state="complete", started=f"2026-01-{day:02}T08:00:00+00:00", steps=(step,)
    )


def history(tmp_path: Path, runs: Sequence[Run], closed: Sequence[str] = ()) -> History:
    with Store(tmp_path / "records.sqlite") as store:
        for run in runs:
            store.save(run)
        for run_id in closed:
            store.follow_up(run_id, [Followup(0, 0, "closed", "20260109-080000-bbbb", "2.79 A, within its limits")])
        return store.history("t-104")


def test_a_step_is_told_with_its_day_and_size(tmp_path: Path) -> None:
    values = [2.79, 2.81, 2.80, 2.78, 2.80, 1.82, 1.83]
    (trend,) = trends(history(tmp_path, [visit(day, value) for day, value in enumerate(values, 1)]), "us")

    assert trend.words == "2.8 A until 2026-01-05, 1.83 A since 2026-01-06 (2 visits), down 35 %"


def test_a_drift_is_told_with_where_it_leads(tmp_path: Path) -> None:
    values = [2.4, 2.52, 2.58, 2.71, 2.79, 2.91, 2.98, 3.1]
    (trend,) = trends(history(tmp_path, [visit(day, value) for day, value in enumerate(values, 1)]), "us")

    assert trend.words.startswith("drifts from 2.4 A on 2026-01-01 to 3.09 A on 2026-01-08, up 29 %")
    assert trend.words.endswith("at this rate beyond its limit in 2 visits")


def test_few_visits_are_not_called_a_change(tmp_path: Path) -> None:
    (trend,) = trends(history(tmp_path, [visit(1, 2.8), visit(2, 1.8)]), "us")

    assert trend.words == "1.8 A to 2.8 A in 2 visits, too few to tell a change (6 needed)"


def test_a_fault_that_came_back_after_it_was_closed_is_named(tmp_path: Path) -> None:
    runs = [visit(1, 1.8, LAMP), visit(2, 2.8), visit(12, 1.8, LAMP)]
    found = history(tmp_path, runs, closed=[runs[0].id])
    (again,) = recurring(found)
    ((closed, words),) = proved(found)

    assert (again.kind, again.places, again.run_ids) == ("lamp-out", ("tail.left",), (runs[0].id, runs[2].id))
    assert again.came_back
    assert (closed.run_id, words) == (runs[0].id, "closed, retest 20260109-080000-bbbb: 2.79 A, within its limits")


@pytest.mark.parametrize(("sought", "found"), [("T-104", 2), ("t-104", 2), ("042788", 1), ("788", 0), ("T-10", 0)])
def test_a_unit_is_found_by_its_number_its_vin_or_the_end_of_its_vin(tmp_path: Path, sought: str, found: int) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(visit(1, 2.8))
        store.save(small_run("20260102-080000-aaaa", state="complete", vin="1M8GDM9AXKP042788"))

        assert len(store.history(sought).visits) == found
        assert len(store.runs(unit=sought)) == found


def test_runs_are_found_by_the_day(tmp_path: Path) -> None:
    from datetime import date

    with Store(tmp_path / "records.sqlite") as store:
        for day in (1, 2, 3):
            store.save(visit(day, 2.8))
        found = store.runs(since=date(2026, 1, 2), until=date(2026, 1, 2))

    assert [run.id for run in found] == ["20260102-080000-aaaa"]


PSI_PER_MIN = 6894.757 / 60  # Pa/s


def leak_visit(day: int, psi_per_min: float) -> Run:
    rate = Value("supply line, brakes released: fall at 100 psi", psi_per_min * PSI_PER_MIN, "Pa/s", None,
                 1.5 * PSI_PER_MIN)  # fmt: skip
    step = StepResult("supply-leak", "Supply line leaks", Verdict.PASS, 0.0, 1.0, (rate,))
    started = f"2026-01-{day:02}T08:00:00+00:00"
    return small_run(f"202601{day:02}-080000-aaaa", state="complete", started=started, steps=(step,))


def test_a_leak_that_grows_over_three_visits_is_told(tmp_path: Path) -> None:
    visits = [leak_visit(day, rate) for day, rate in enumerate((0.4, 0.7, 1.1), 1)]
    (trend,) = trends(history(tmp_path, visits), "us")

    assert (trend.change, trend.watch) == (None, True)
    assert trend.words.startswith("0.4 → 1.1 psi/min over 3 visits since 2026-01-01")


@pytest.mark.parametrize("rates", [(0.4, 0.45, 0.5), (0.4, 1.1, 0.7), (0.4, 1.1)])
def test_noise_or_two_visits_are_nothing_to_watch(rates: tuple[float, ...], tmp_path: Path) -> None:
    (trend,) = trends(history(tmp_path, [leak_visit(day, rate) for day, rate in enumerate(rates, 1)]), "us")

    assert not trend.moved


FOUND = {
    "lamp-out": ["20260101-080000-aaaa", "20260103-080000-aaaa"],
    "LAMP tail": ["20260101-080000-aaaa", "20260103-080000-aaaa"],
    "connector lamp": ["20260103-080000-aaaa"],
    "vale": ["20260102-080000-aaaa"],
    "100%": [],
    "nobody": [],
}


@pytest.mark.parametrize("words", FOUND)
def test_runs_are_found_by_the_words_of_labels_findings_and_notes(words: str, tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        for run in (visit(1, 1.8, LAMP), visit(2, 2.8), visit(3, 1.8, LAMP)):
            store.save(run)
        store.add_note("20260103-080000-aaaa", "Corroded connector")
        store.add_note("20260102-080000-aaaa", "all fine", "R. Vale")

        assert sorted(run.id for run in store.runs(words=words)) == FOUND[words]
