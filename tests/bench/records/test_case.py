"""An inspection, a repair that was none, and one that was: the retest of a retest speaks of the whole case."""

from dataclasses import replace
from pathlib import Path

from bench.records import Store
from bench.results import Finding, Followup, Run, StepResult, Value, Verdict
from tests.bench.records.made_runs import small_run

PASS, FAIL = Verdict.PASS, Verdict.FAIL
LAMP = Finding("lamp-out", ("tail",), (6,), FAIL, "safety", 0.9, "A lamp is out.", "Replace it.")
GROUND = Finding("ground-high-resistance", ("stop",), (1,), FAIL, "defect", 0.9, "A bad ground.", "Clean it.")


def measured(run_id: str, *findings: Finding, tail: float, stop: float, command: str = "retest") -> Run:
    limits = (2.3, 3.3)
    values = tuple(
        Value(f"{name} current", value, "A", *limits, PASS if limits[0] <= value <= limits[1] else FAIL)
        for name, value in (("tail", tail), ("stop", stop))
    )
    step = StepResult("circuits", "Circuits", FAIL if findings else PASS, 0.0, 1.0, values, findings)
    return replace(small_run(run_id), command=command, state="complete", steps=(step,))


FIRST = measured("20260112-080000-aaaa", LAMP, tail=1.8, stop=2.8, command="inspect")
SECOND = measured("20260113-080000-bbbb", LAMP, GROUND, tail=2.0, stop=2.1)  # a lamp of the wrong rating; a new fault
THIRD = measured("20260114-080000-cccc", tail=2.8, stop=2.8)


def repaired(store: Store, after: Run, of: str) -> None:
    said = store.case(of).compared(after)
    store.save(after)
    for run_id, followups in said.items():
        store.follow_up(run_id, followups)


def states(store: Store, run_id: str) -> dict[tuple[int, int | None], str]:
    return {(each.step_no, each.finding_no): each.state for each in store.followups(run_id)}


def test_a_retest_of_a_retest_closes_the_findings_of_the_inspection_and_its_own(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(FIRST)
        repaired(store, SECOND, FIRST.id)
        assert (states(store, FIRST.id), store.case(SECOND.id).left) == ({(0, 0): "open"}, 3)

        repaired(store, THIRD, SECOND.id)

        assert states(store, FIRST.id) == {(0, 0): "closed"}
        assert states(store, SECOND.id) == {(0, 0): "closed", (0, 1): "closed"}
        assert [store.case(run.id).left for run in (FIRST, SECOND, THIRD)] == [0, 0, 0]


def test_before_is_what_was_measured_last(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(FIRST)
        repaired(store, SECOND, FIRST.id)
        repaired(store, THIRD, FIRST.id)
        closing = store.followups(FIRST.id)[-1]

        assert [(value.name, value.before, value.after) for value in closing.evidence] == [("tail current", 2.0, 2.8)]


def test_any_record_of_a_case_stands_for_all_of_it(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(FIRST)
        repaired(store, SECOND, FIRST.id)
        store.save(replace(FIRST, id="20260113-090000-dddd", unit_number="T-9"))

        assert [run.id for run in store.case(SECOND.id).runs] == [FIRST.id, SECOND.id]
        assert [run.id for run in store.case("20260113-090000-dddd").runs] == ["20260113-090000-dddd"]


def test_a_fault_that_two_records_found_is_told_once_in_the_report_of_what_closed_it(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(FIRST)
        repaired(store, SECOND, FIRST.id)
        repaired(store, THIRD, SECOND.id)
        told = [(each.record, each.finding.kind, each.followup.state) for each in store.reexamined(THIRD.id)]

        assert told == [
            (FIRST.id, "lamp-out", "closed"),
            (SECOND.id, "ground-high-resistance", "closed"),
        ]


def test_what_was_closed_and_came_back_in_a_later_retest_is_open(tmp_path: Path) -> None:
    with Store(tmp_path / "records.sqlite") as store:
        store.save(FIRST)
        store.follow_up(FIRST.id, [Followup(0, 0, "closed", SECOND.id, "within its limits")])
        store.save(SECOND)

        assert store.case(FIRST.id).left == 2
        assert list(store.case(FIRST.id).closed) == [(0, 0)]
