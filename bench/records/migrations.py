"""From an older schema to this one: one step a version, each in the same transaction as its number.

Steps only ever add tables or indexes: a new column would change what the digests of old rows are over, and rows are
never rewritten. A step is written once and stays as it was, in its own words rather than
through ``tables.py``, which describes today.
"""

from collections.abc import Callable, Mapping

from sqlalchemy import Connection, Engine, select, text

from bench.records import tables

Step = Callable[[Connection], None]


_VERSION_2 = (
    "CREATE TABLE followup (run_id VARCHAR(64) NOT NULL REFERENCES run (id), no INTEGER NOT NULL, "
    "step_no INTEGER NOT NULL, finding_no INTEGER, state TEXT NOT NULL, retest_id VARCHAR(64) NOT NULL, "
    "written TEXT NOT NULL, reason TEXT NOT NULL, evidence TEXT NOT NULL, PRIMARY KEY (run_id, no))",
    "CREATE TABLE origin (run_id VARCHAR(64) NOT NULL REFERENCES run (id), no INTEGER NOT NULL, "
    "written TEXT NOT NULL, entries TEXT NOT NULL, PRIMARY KEY (run_id, no))",
)


def _retests_and_archives(connection: Connection) -> None:
    for statement in _VERSION_2:
        connection.execute(text(statement))


_VERSION_3 = (
    "CREATE TABLE signature (run_id VARCHAR(64) NOT NULL REFERENCES run (id), no INTEGER NOT NULL, "
    "written TEXT NOT NULL, name TEXT NOT NULL, role TEXT NOT NULL, statement TEXT NOT NULL, "
    "seal VARCHAR(64) NOT NULL, PRIMARY KEY (run_id, no))"
)


def _signatures(connection: Connection) -> None:
    connection.execute(text(_VERSION_3))


STEPS: Mapping[int, Step] = {2: _retests_and_archives, 3: _signatures}  # by the version it leads to


def version_of(engine: Engine) -> int:
    """The schema version that a database says it has."""
    with engine.connect() as connection:
        version: int = connection.scalars(select(tables.schema_version.c.version)).one()
        return version


def migrate(engine: Engine) -> None:
    """Bring a database up to date; several processes may try at once."""
    with engine.execution_options(writing=True).begin() as connection:
        # Locked first: whoever waited here finds the work done.
        version = connection.scalars(select(tables.schema_version.c.version).with_for_update()).one()
        for later in range(version + 1, tables.SCHEMA_VERSION + 1):
            STEPS[later](connection)
        connection.execute(tables.schema_version.update().values(version=max(version, tables.SCHEMA_VERSION)))
