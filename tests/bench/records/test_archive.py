"""Records carried from one bench to another: nothing is lost on the way, and nothing that was changed gets in."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings

from bench.errors import InputError
from bench.records import Store
from bench.results import Run
from tests.bench.records.made_runs import runs, small_run, small_step

FIRST, SECOND = "20260112-143015-7k2m", "20260113-080000-aaaa"


@pytest.fixture
def written(tmp_path: Path) -> Store:
    store = Store(tmp_path / "theirs.sqlite")
    for run_id in (FIRST, SECOND):
        store.save(small_run(run_id, state="complete", duration_s=3.0, steps=(small_step(0), small_step(1))))
    store.add_note(FIRST, "lamp replaced", "A. Fitter")
    store.attach(SECOND, "profile.json", b"{}")
    return store


def test_an_archive_taken_in_elsewhere_is_the_same_records(written: Store, tmp_path: Path) -> None:
    with Store(tmp_path / "ours.sqlite") as ours:
        ours.save(small_run("20260110-080000-0000", state="complete"))
        taken = ours.take_in(written.archive(), "theirs.jsonl")

        assert (taken.added, taken.known) == ((FIRST, SECOND), ())
        assert [ours.load(run_id) for run_id in (FIRST, SECOND)] == [written.load(each) for each in (FIRST, SECOND)]
        assert ours.notes(FIRST) == written.notes(FIRST)
        assert ours.attachments(SECOND) == written.attachments(SECOND)
        assert ours.verify() == []


def test_a_record_taken_in_keeps_the_hash_that_its_paper_shows(written: Store, tmp_path: Path) -> None:
    with Store(tmp_path / "ours.sqlite") as ours:
        ours.save(small_run("20260110-080000-0000", state="complete"))
        ours.take_in(written.archive(SECOND), "theirs.jsonl")

        assert ours.seal(SECOND) == written.seal(SECOND)


def test_what_is_here_already_is_left_and_what_came_later_is_added(written: Store, tmp_path: Path) -> None:
    with Store(tmp_path / "ours.sqlite") as ours:
        ours.take_in(written.archive(), "theirs.jsonl")
        written.add_note(SECOND, "looked at again")
        again = ours.take_in(written.archive(), "theirs.jsonl")

        assert (again.added, again.completed, again.known) == ((), (SECOND,), (FIRST,))
        assert [note.text for note in ours.notes(SECOND)] == ["looked at again"]
        assert ours.verify() == []


def changed_value(lines: list[str]) -> list[str]:
    return [line.replace('"value":2.1', '"value":2.4') for line in lines]


TAMPERINGS: dict[str, tuple[Callable[[list[str]], list[str]], str]] = {
    "a changed value": (changed_value, r"theirs:3: record .*7k2m, step 1: changed"),
    "a line left out": (lambda lines: lines[:3] + lines[4:], r"theirs:4: chain entry 3 is missing before 4"),
    "cut off": (lambda lines: lines[:-1], "cut off after"),
    "lines moved": (lambda lines: [lines[0], lines[2], lines[1], *lines[3:]], "chain entry 1 is missing before 2"),
    "an end from another": (lambda lines: [*lines[:-1], '{"end":3}\n'], "but 3 were written"),
    "not an archive": (lambda _: ["a,b\n"], "theirs:1: not JSON"),
    "another format": (lambda _: ['{"format":"x"}\n'], "theirs:1: neither an archive"),
    "an unknown column": (
        lambda lines: [line.replace('"operator"', '"driver"') for line in lines],
        "not an entry that this version knows",
    ),
}


@pytest.mark.parametrize("what", TAMPERINGS)
def test_an_archive_that_was_changed_is_refused_with_its_line_and_nothing_of_it_is_taken(
    what: str, written: Store, tmp_path: Path
) -> None:
    change, words = TAMPERINGS[what]
    with Store(tmp_path / "ours.sqlite") as ours:
        with pytest.raises(InputError, match=words):
            ours.take_in(change(list(written.archive())), "theirs")

        assert ours.runs() == []


def test_a_record_that_is_another_one_here_is_refused(written: Store, tmp_path: Path) -> None:
    with Store(tmp_path / "ours.sqlite") as ours:
        ours.save(small_run(FIRST, state="complete", unit_number="T-999"))
        with pytest.raises(InputError, match="is here already, and its run 1 is another one"):
            ours.take_in(written.archive(), "theirs")


def test_a_single_record_may_leave_gaps_in_the_chain(written: Store) -> None:
    header, *entries, end = [json.loads(line) for line in written.archive(FIRST)]

    assert header == {"format": "umbilical-archive/1", "whole": False}
    assert [entry["seq"] for entry in entries] == [1, 2, 3, 4, 9]
    assert end == {"end": 5}


@settings(max_examples=25)
@given(runs)
def test_any_run_goes_through_an_archive_unchanged(run: Run) -> None:
    with Store(":memory:") as theirs, Store(":memory:") as ours:
        theirs.save(run)
        ours.take_in(theirs.archive(), "theirs")

        assert ours.load(run.id) == theirs.load(run.id)
        assert ours.verify() == []
