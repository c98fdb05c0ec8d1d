import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings

from bench.errors import RecordError
from bench.records import NoSuchRecord, Store
from bench.results import Evidence, Finding, Run, Trace, Value, Verdict
from tests.bench.records.made_runs import at_float32, runs, small_run, small_step, steps


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "records.sqlite") as opened:
        yield opened


@settings(max_examples=40, deadline=None)
@given(run=runs)
def test_a_saved_run_loads_as_it_was(run: Run):
    with Store("sqlite://") as store:
        store.save(run)

        assert store.load(run.id) == run
        assert store.verify() == []


@settings(max_examples=20, deadline=None)
@given(step=steps)
def test_a_step_added_to_an_open_run_loads_as_it_was(step):
    with Store("sqlite://") as store:
        store.begin(small_run())
        store.add_step(small_run().id, step)

        assert store.load("last").steps == (step,)


def test_traces_are_kept_at_float32_precision(store: Store):
    samples = (0.1, 1 / 3, 1e-3)
    store.save(
        small_run(state="complete", steps=(replace(small_step(), traces=(Trace("t", 0, 1e-3, {"a": samples}),)),))
    )

    assert store.load("last").steps[0].traces[0].columns["a"] == at_float32(samples)


def test_numbers_given_as_integers_do_not_look_tampered_with(store: Store):
    store.save(
        small_run(
            state="complete",
            duration_s=3,
            steps=(replace(small_step(), started_s=1, values=(Value("v", 5, "V", 1, 9),)),),
        )
    )

    assert store.verify() == []


def test_not_a_number_is_stored_as_no_number(store: Store):
    finding = Finding("open", (), (), Verdict.FAIL, "defect", 0.9, "", "", evidence=(Evidence("r", math.nan, "ohm"),))
    store.save(
        small_run(
            state="complete", steps=(replace(small_step(), values=(Value("v", math.nan, "V"),), findings=(finding,)),)
        )
    )
    (step,) = store.load("last").steps

    assert step.values[0].value is None
    assert math.isnan(step.findings[0].evidence[0].value)
    assert store.verify() == []


def test_a_run_is_running_until_it_is_finished(store: Store):
    run = small_run()
    store.begin(run)
    store.add_step(run.id, small_step())
    before = store.load(run.id)
    store.finish(run.id, "stopped", 12.5, "stopped by the operator")

    assert before.state == "running"
    assert store.load(run.id) == replace(
        run, state="stopped", duration_s=12.5, reason="stopped by the operator", steps=(small_step(),)
    )


def test_another_process_may_read_while_a_run_is_written(store: Store, tmp_path: Path):
    store.begin(small_run())
    with Store(tmp_path / "records.sqlite", create=False) as reader:
        store.add_step(small_run().id, small_step())

        assert reader.load("last").steps == (small_step(),)


@pytest.mark.parametrize("act", ["add_step", "finish"])
def test_nothing_can_be_added_to_a_closed_run(store: Store, act: str):
    store.save(small_run(state="complete"))

    with pytest.raises(RecordError, match=r"20260112-143015-7k2m is closed \(complete\); nothing can be added"):
        store.add_step(small_run().id, small_step()) if act == "add_step" else store.finish(small_run().id, "failed", 0)


@pytest.mark.parametrize("act", ["begin", "save"])
def test_an_id_is_used_once(store: Store, act: str):
    store.save(small_run(state="complete"))

    with pytest.raises(RecordError, match="record 20260112-143015-7k2m is there already"):
        getattr(store, act)(small_run(state="complete"))


def test_a_run_cannot_be_closed_as_running(store: Store):
    store.begin(small_run())

    with pytest.raises(RecordError, match="can't be closed as running"):
        store.finish(small_run().id, "running", 0)


@pytest.mark.parametrize(
    "reference", ["last", "LAST", "20260112-143015-7k2m", "20260112-143015-7K2M", "2026011", "7k2m", "7K2M"]
)
def test_a_record_goes_by_its_id_its_beginning_its_last_word_or_last(store: Store, reference: str):
    store.save(small_run("20250112-143015-aaaa", state="complete"))
    store.save(small_run("20260112-143015-7k2m", state="complete"))

    assert store.load(reference).id == "20260112-143015-7k2m"


def test_characters_that_ids_lack_are_read_as_those_they_look_like(store: Store):
    store.save(small_run("20260112-143015-0a1k", state="complete"))

    assert store.resolve("OALK") == "20260112-143015-0a1k"


def test_a_reference_that_fits_several_names_them(store: Store):
    store.save(small_run("20260112-143015-7k2m", state="complete"))
    store.save(small_run("20260112-150000-aaaa", state="complete"))

    with pytest.raises(NoSuchRecord, match="'20260112' could be 20260112-150000-aaaa, 20260112-143015-7k2m; type more"):
        store.load("20260112")


@pytest.mark.parametrize("reference", ["", " ", "%", "_", "nothing", "-"])
def test_a_reference_that_fits_nothing_is_bad_input(store: Store, reference: str):
    store.save(small_run(state="complete"))

    with pytest.raises(NoSuchRecord, match="no record") as caught:
        store.load(reference)
    assert caught.value.exit_code == 64


def test_last_of_an_empty_store_is_an_error(store: Store):
    with pytest.raises(NoSuchRecord, match="no record 'last'"):
        store.load("last")


def test_runs_are_listed_newest_first_and_by_unit_or_vin(store: Store):
    store.save(small_run("20260101-000000-aaaa", state="complete", unit_number="T-1"))
    store.save(small_run("20260102-000000-aaaa", state="complete", unit_number="T-2", vin="1UMBX0000000000T1"))
    store.save(small_run("20260103-000000-aaaa", state="complete", unit_number="t-1"))

    def days(**query: object) -> list[str]:
        return [summary.id[6:8] for summary in store.runs(**query)]

    assert days() == ["03", "02", "01"]
    assert days(limit=1) == ["03"]
    assert days(unit="T-1") == ["03", "01"]
    assert days(unit="1umbx0000000000t1") == ["02"]


def test_the_newest_complete_run_of_each_unit_is_found_the_longest_ago_first(store: Store):
    store.save(small_run("20260101-000000-aaaa", state="complete", unit_number="T-1"))
    store.save(small_run("20260102-000000-aaaa", state="complete", unit_number="T-2"))
    store.save(small_run("20260103-000000-aaaa", state="complete", unit_number="t-1"))
    store.save(small_run("20260104-000000-aaaa", state="stopped", unit_number="T-2"))
    store.save(small_run("20260105-000000-aaaa", state="complete", unit_number=None, vin="1UMBX0000000000T1"))
    store.save(small_run("20260106-000000-aaaa", state="complete", unit_number=None, vin=None))

    assert [newest.id[6:8] for newest, _ in store.inspected_units()] == ["02", "03", "05"]


def test_writers_at_the_same_time_make_one_chain(tmp_path: Path):
    path = tmp_path / "records.sqlite"

    def write(number: int) -> None:
        with Store(path) as store:
            run = small_run(f"20260112-14301{number}-aaaa")
            store.begin(run)
            for step in range(10):
                store.add_step(run.id, small_step(step))
            store.finish(run.id, "complete", 1.0)

    with ThreadPoolExecutor(4) as threads:
        list(threads.map(write, range(4)))
    with Store(path) as store:
        assert [len(store.load(summary.id).steps) for summary in store.runs()] == [10, 10, 10, 10]
        assert store.verify() == []


def test_a_summary_says_what_failed(store: Store):
    finding = Finding("open", ("stop",), (4,), Verdict.FAIL, "safety", 0.9, "", "")
    failed = replace(small_step(1, Verdict.FAIL), findings=(finding,))
    store.save(small_run(state="complete", duration_s=90.0, steps=(small_step(), failed)))
    (summary,) = store.runs()

    assert (summary.verdict, summary.failed, summary.findings) == (Verdict.FAIL, ("Step 1",), 1)
    assert (summary.duration_s, summary.state, summary.unit_number) == (90.0, "complete", "T-104")


def test_a_summary_of_a_stopped_run_never_says_pass(store: Store):
    store.save(small_run(state="stopped", steps=(small_step(),)))

    assert store.runs()[0].verdict is Verdict.NOT_TESTED


def test_a_run_whose_writer_fell_silent_is_closed_as_interrupted_when_the_next_begins(tmp_path: Path):
    now = datetime(2026, 1, 12, 14, 30, tzinfo=UTC)
    path = tmp_path / "records.sqlite"
    with Store(path, now=lambda: now) as first:
        first.begin(small_run("20260112-143015-7k2m"))
        first.add_step("20260112-143015-7k2m", small_step(3))
    with Store(path, now=lambda: now + timedelta(hours=13)) as second:
        seen_before = second.load("20260112-143015-7k2m")
        second.begin(small_run("20260113-080000-aaaa"))
        closed = second.load("20260112-143015-7k2m")

        assert seen_before == closed
        assert (closed.state, closed.duration_s) == ("interrupted", 4.5)
        assert closed.reason == "the program ended before the run was closed"
        assert second.load("last").state == "running"
        assert second.close_cut_runs() == ()
        assert second.verify() == []


def test_a_run_that_a_living_process_writes_is_left_alone(store: Store, tmp_path: Path):
    store.begin(small_run("20260112-143015-7k2m"))
    with Store(tmp_path / "records.sqlite") as second:
        second.begin(small_run("20260112-143016-aaaa"))
        store.add_step("20260112-143015-7k2m", small_step())

        assert second.load("20260112-143015-7k2m").state == "running"


def test_notes_and_attachments_can_be_added_after_the_end(tmp_path: Path):
    now = datetime(2026, 1, 12, 14, 30, tzinfo=UTC)
    with Store(tmp_path / "records.sqlite", now=lambda: now) as store:
        store.save(small_run(state="complete"))
        seal = store.seal(small_run().id)
        store.add_note(small_run().id, "rear junction box replaced", "Sam")
        store.attach(small_run().id, "measurements.json", b"{}" * 1000)
        (note,) = store.notes(small_run().id)

        assert (note.written, note.author, note.text) == (
            "2026-01-12T14:30:00+00:00",
            "Sam",
            "rear junction box replaced",
        )
        assert store.attachments(small_run().id) == {"measurements.json": b"{}" * 1000}
        assert store.seal(small_run().id) == seal
        assert store.verify() == []


def test_the_seal_changes_with_every_step(store: Store):
    store.begin(small_run())
    seals = [store.seal(small_run().id)]
    for number in range(3):
        store.add_step(small_run().id, small_step(number))
        seals.append(store.seal(small_run().id))

    assert len(set(seals)) == 4


def test_text_that_is_not_unicode_is_refused_in_one_line_and_leaves_nothing_behind(store: Store):
    with pytest.raises(RecordError, match="not Unicode") as caught:
        store.begin(small_run(unit_number="T-\udcff"))

    assert "\n" not in str(caught.value)
    assert store.runs() == []
    store.begin(small_run())
    assert store.verify() == []
