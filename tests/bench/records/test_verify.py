"""Somebody changes the file by hand; the check must name what was touched."""

import shutil
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.records import Store
from bench.records.chain import digester, row_digest
from tests.bench.records.made_runs import small_run, small_step

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

    assert found[0] == f"chain entry 2 (record {FIRST}, step 1): changed"
    assert f"record {FIRST}, step 1: 2 value row(s) added" in found


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


@given(
    st.dictionaries(
        st.text(max_size=5),
        st.none() | st.integers() | st.floats(allow_nan=False) | st.text() | st.binary(),
        min_size=1,
    )
)
def test_the_fast_digest_of_a_row_is_the_digest_of_the_row(row: dict[str, object]):
    names = sorted(row)

    assert digester(names)([row[name] for name in names]) == row_digest(row)
