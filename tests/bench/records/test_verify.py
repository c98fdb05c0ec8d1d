"""Somebody changes the file by hand; the check must name what was touched."""

import hashlib
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import URL

from bench.records import Store, chain, side_by_side, verify
from tests.bench.records.made_runs import small_run, small_step

ROWS = st.dictionaries(
    st.text(max_size=5), st.none() | st.integers() | st.floats(allow_nan=False) | st.text() | st.binary(), min_size=1
)
FIRST, SECOND = "20260112-143015-7k2m", "20260113-080000-aaaa"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("written") / "records.sqlite"
    with Store(path) as store:
        for run_id in (FIRST, SECOND):
            store.save(small_run(run_id, state="complete", steps=tuple(small_step(number) for number in range(3))))
        store.add_note(FIRST, "lamp replaced")
    return path


TAMPERINGS = [
    ("UPDATE value SET value = 2.4 WHERE step_no = 1 AND no = 1 AND run_id LIKE '%7k2m'",
     [f"record {FIRST}, step 2: value 2 of 2 changed"]),
    ("UPDATE step SET verdict = 'pass', reason = 'looked fine' WHERE step_no = 0 AND run_id LIKE '%aaaa'",
     [f"record {SECOND}, step 1: step 1 of 1 changed"]),
    ("UPDATE trace_column SET data = zeroblob(9) WHERE step_no = 2 AND no = 0 AND run_id LIKE '%aaaa'",
     [f"record {SECOND}, step 3: trace column 1 of 2 changed"]),
    ("UPDATE run SET unit_number = 'T-105' WHERE id LIKE '%7k2m'", [f"record {FIRST}, its start: run 1 of 1 changed"]),
    ("UPDATE run_end SET state = 'stopped' WHERE run_id LIKE '%aaaa'",
     [f"record {SECOND}, its end: run end 1 of 1 changed"]),
    ("UPDATE note SET text = 'nothing replaced'", [f"record {FIRST}, note 1: note 1 of 1 changed"]),
    ("DELETE FROM value WHERE step_no = 1 AND no = 0 AND run_id LIKE '%7k2m'",
     [f"record {FIRST}, step 2: 1 of 2 value rows missing"]),
    ("DELETE FROM step WHERE step_no = 1 AND run_id LIKE '%7k2m'",
     [f"record {FIRST}, step 2: 1 of 1 step rows missing"]),
    ("DELETE FROM note", [f"record {FIRST}, note 1: missing"]),
    ("INSERT INTO value SELECT run_id, step_no, 7, name, 1.0, unit, low, high, verdict, source FROM value "
     "WHERE step_no = 0 AND no = 0 AND run_id LIKE '%7k2m'", [f"record {FIRST}, step 1: 1 value row(s) added"]),
    ("INSERT INTO note VALUES ('20260113-080000-aaaa', 0, '2026-01-01', NULL, 'passed by the foreman')",
     [f"record {SECOND}, note 1: not in the chain; it was added by hand, or its chain entry was removed"]),
    ("DELETE FROM entry WHERE seq = 3",
     [f"chain entry 3 missing, before chain entry 4 (record {FIRST}, step 3)",
      f"record {FIRST}, step 2: not in the chain; it was added by hand, or its chain entry was removed"]),
    ("UPDATE entry SET prev_hash = hash WHERE seq = 4",
     [f"chain entry 4 (record {FIRST}, step 3): does not follow the entry before it; one of them was changed or moved",
      f"chain entry 4 (record {FIRST}, step 3): changed"]),
]  # fmt: skip


def tampered(written: Path, tmp_path: Path, *statements: str) -> list[str]:
    copy = tmp_path / "copy.sqlite"
    shutil.copy(written, copy)
    connection = sqlite3.connect(copy)
    connection.execute("PRAGMA foreign_keys=OFF")
    for statement in statements:
        assert connection.execute(statement).rowcount == 1
    connection.commit()
    connection.close()
    with Store(copy, create=False) as store:
        return store.verify()


def test_an_untouched_database_has_no_problems(written: Path, tmp_path: Path):
    assert tampered(written, tmp_path) == []


@pytest.mark.parametrize(("statement", "problems"), TAMPERINGS, ids=[statement[:40] for statement, _ in TAMPERINGS])
def test_what_was_touched_is_named(written: Path, tmp_path: Path, statement: str, problems: list[str]):
    assert tampered(written, tmp_path, statement) == problems


def test_steps_that_changed_places_are_named(written: Path, tmp_path: Path):
    swap = (
        "UPDATE step SET step_no = 9 WHERE step_no = 0 AND run_id LIKE '%7k2m'",
        "UPDATE step SET step_no = 0 WHERE step_no = 1 AND run_id LIKE '%7k2m'",
        "UPDATE step SET step_no = 1 WHERE step_no = 9 AND run_id LIKE '%7k2m'",
    )

    assert tampered(written, tmp_path, *swap) == [
        f"record {FIRST}, step 1: step 1 of 1 changed",
        f"record {FIRST}, step 2: step 1 of 1 changed",
    ]


def test_a_chain_entry_that_was_edited_is_named(tmp_path: Path):
    path = tmp_path / "one.sqlite"
    with Store(path) as store:
        store.save(small_run(FIRST, state="complete", steps=(small_step(0), small_step(1))))
    connection = sqlite3.connect(path)
    connection.execute("UPDATE entry SET digests = replace(digests, 'value', 'valve') WHERE seq = 2")
    connection.commit()
    connection.close()
    with Store(path) as store:
        found = store.verify()

    assert found == [f"chain entry 2 (record {FIRST}, step 1): changed"]


def test_a_run_removed_whole_leaves_a_gap(written: Path, tmp_path: Path):
    copy = tmp_path / "copy.sqlite"
    shutil.copy(written, copy)
    connection = sqlite3.connect(copy)
    for table in ("entry", "trace_column", "trace", "value", "step", "run_end", "note"):
        connection.execute(f"DELETE FROM {table} WHERE run_id LIKE '%7k2m'")  # noqa: S608 - our own words
    connection.execute("DELETE FROM run WHERE id LIKE '%7k2m'")
    connection.commit()
    connection.close()
    with Store(copy, create=False) as store:
        assert store.verify() == [f"chain entries 1 to 5 missing, before chain entry 6 (record {SECOND}, its start)"]


def written_by_an_older_version(path: Path) -> None:
    """The same chain without the digest over all rows of an entry."""
    connection = sqlite3.connect(path)
    link = chain.GENESIS
    for seq, kind, run_id, no, stored in connection.execute(
        "SELECT seq, kind, run_id, no, digests FROM entry ORDER BY seq"
    ).fetchall():
        digests = {table: rows for table, rows in json.loads(stored).items() if table != chain.ALL}
        own = chain.entry_hash(seq, kind, run_id, no, digests, link)
        row = (chain.canonical(digests), link, own, seq)
        connection.execute("UPDATE entry SET digests = ?, prev_hash = ?, hash = ? WHERE seq = ?", row)
        link = own
    connection.commit()
    connection.close()


@pytest.mark.parametrize(("statement", "problems"), TAMPERINGS, ids=[statement[:40] for statement, _ in TAMPERINGS])
def test_entries_of_an_older_version_are_checked_row_by_row(
    written: Path, tmp_path: Path, statement: str, problems: list[str]
):
    old = tmp_path / "old.sqlite"
    shutil.copy(written, old)
    written_by_an_older_version(old)

    assert tampered(old, tmp_path) == []
    assert tampered(old, tmp_path, statement) == problems


def test_an_archive_of_an_older_version_is_taken_in(written: Path, tmp_path: Path):
    old = tmp_path / "old.sqlite"
    shutil.copy(written, old)
    written_by_an_older_version(old)
    with Store(old) as theirs, Store(tmp_path / "ours.sqlite") as ours:
        assert ours.take_in(theirs.archive(), "theirs").added == (FIRST, SECOND)
        assert ours.take_in(theirs.archive(), "theirs").known == (FIRST, SECOND)
        assert ours.verify() == []


def test_more_records_than_a_range_holds_are_all_checked(
    written: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(verify, "RANGE", 1)

    assert tampered(written, tmp_path) == []
    assert tampered(written, tmp_path, TAMPERINGS[1][0]) == TAMPERINGS[1][1]


def test_a_blob_is_not_taken_for_a_text_that_names_it(written: Path, tmp_path: Path):
    """Both have the same digest as a row; the digest over all rows tells them apart."""
    copy = tmp_path / "named.sqlite"
    shutil.copy(written, copy)
    connection = sqlite3.connect(copy)
    of_one = "WHERE run_id LIKE '%7k2m' AND step_no = 0 AND no = 0"
    (data,) = connection.execute(f"SELECT data FROM trace_column {of_one}").fetchone()  # noqa: S608 - our own words
    connection.execute(f"UPDATE trace_column SET data = ? {of_one}", (hashlib.sha256(data).hexdigest(),))  # noqa: S608
    connection.commit()
    connection.close()
    with Store(copy, create=False) as store:
        assert store.verify() == [f"record {FIRST}, step 1: its rows are not as they were written"]


def test_a_row_of_a_record_that_nobody_knows_is_named(written: Path, tmp_path: Path):
    row = "INSERT INTO value VALUES ('zzz', 0, 0, 'a', 1.0, 'A', NULL, NULL, 'pass', NULL)"

    assert tampered(written, tmp_path, row) == [
        "record zzz, step 1: not in the chain; it was added by hand, or its chain entry was removed"
    ]


@given(st.dictionaries(st.sampled_from(["step", "value", "attachment"]), st.lists(ROWS, max_size=3)))
def test_the_digest_over_all_rows_is_read_out_of_what_is_stored(bundle: dict[str, list[dict[str, object]]]):
    digests = chain.digests_of(bundle)
    plain = [(name, [tuple(row[each] for each in sorted(row)) for row in bundle[name]]) for name in sorted(bundle)]

    assert chain.all_of(chain.canonical(digests)) == chain.digest_of_all([each for each in plain if each[1]])
    assert chain.entry_hash(7, "a", "é", 0, digests, "p") == chain.stored_hash(
        7, "a", "é", 0, chain.canonical(digests), "p"
    )


@pytest.mark.parametrize(("statement", "problems"), TAMPERINGS[:2], ids=["value", "step"])
def test_several_processes_find_what_one_finds(
    written: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, statement: str, problems: list[str]
):
    monkeypatch.setattr(verify, "RANGE", 1)
    monkeypatch.setattr("bench.records.store.MANY", 2)
    asked: list[int] = []
    shared = side_by_side.contents_by_many

    def counted(url: URL, ranges: list[verify.Range], workers: int) -> list[verify.Placed]:
        asked.append(len(ranges))
        return shared(url, ranges, workers)

    monkeypatch.setattr(side_by_side, "contents_by_many", counted)
    monkeypatch.setattr(side_by_side, "possible", lambda: True)
    tampered(written, tmp_path, statement)
    with Store(tmp_path / "copy.sqlite", create=False) as store:
        assert store.verify(workers=2) == problems
        assert store.verify(workers=1) == problems

    assert asked == [3]


def test_a_database_in_memory_is_verified_where_it_is(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("bench.records.store.MANY", 0)
    with Store(":memory:") as store:
        store.save(small_run(FIRST, state="complete"))

        assert store.verify(workers=2) == []
        assert store.load(FIRST).id == FIRST
