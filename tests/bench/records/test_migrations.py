"""A database of an older version is brought up to date when it is opened, and nothing in it changes."""

import sqlite3
from pathlib import Path

from sqlalchemy import create_engine, inspect

from bench.records import Store, tables
from bench.records.migrations import STEPS, version_of
from bench.results import Followup
from tests.bench.records.made_runs import small_run, small_step

ADDED_SINCE = ("followup", "origin", "signature")


def first_version(path: Path) -> None:
    """A database as version 1 left it."""
    with Store(path) as store:
        store.save(small_run(state="complete", steps=(small_step(),)))
    connection = sqlite3.connect(path)
    for table in ADDED_SINCE:
        connection.execute(f"DROP TABLE {table}")
    connection.execute("UPDATE schema_version SET version = 1")
    connection.commit()
    connection.close()


def test_an_old_database_is_brought_up_to_date_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "records.sqlite"
    first_version(path)
    with Store(path, create=False) as store:
        run = store.load("last")
        store.follow_up(run.id, [Followup(0, None, "closed", "20260114-080000-bbbb", "within its limits")])

        assert len(run.steps) == 1
        assert [each.state for each in store.followups(run.id)] == ["closed"]
        assert store.verify() == []


def test_a_migrated_database_has_the_columns_of_a_new_one(tmp_path: Path) -> None:
    old, new = tmp_path / "old.sqlite", tmp_path / "new.sqlite"
    first_version(old)
    for path in (old, new):
        Store(path).close()
    columns = []
    for path in (old, new):
        engine = create_engine(f"sqlite:///{path}")
        seen = inspect(engine)
        columns.append(
            {
                table: [(each["name"], str(each["type"]), each["nullable"]) for each in seen.get_columns(table)]
                for table in seen.get_table_names()
            }
        )
        assert version_of(engine) == tables.SCHEMA_VERSION
        engine.dispose()

    assert columns[0] == columns[1]


def test_every_version_has_its_step() -> None:
    assert list(STEPS) == list(range(2, tables.SCHEMA_VERSION + 1))
