"""Opening a database: URL or path, durable settings, schema check, and errors in one line each."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, create_engine, event, func, inspect, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry, StaticPool

from bench.errors import RecordError
from bench.records import migrations, tables

BUSY_TIMEOUT_S = 10.0
_SCHEMA_LOCK = int.from_bytes(b"umbilic")  # any number, so long as all of us use the same

# By the beginning of SQLite's own error name, https://www.sqlite.org/rescode.html
_SQLITE_WORDS = {
    "SQLITE_FULL": "the disk is full; free some space",
    "SQLITE_BUSY": "locked by another program; close it, or wait",
    "SQLITE_LOCKED": "locked by another program; close it, or wait",
    "SQLITE_READONLY": "read-only; check the file's and the folder's permissions",
    "SQLITE_NOTADB": "not a record database; give another file with --record",
    "SQLITE_CORRUPT": "damaged; restore a copy, or begin a new file with --record",
    "SQLITE_CANTOPEN": "can't be opened; check that the folder exists and may be written",
    "SQLITE_IOERR": "the disk does not read or write; check the disk",
    "SQLITE_TOOBIG": "one item is too big to store",
}


def parse_location(location: str | Path) -> URL:
    """A SQLAlchemy URL from a URL or a file path.

    Raises:
        RecordError: something with ``://`` that is not a database URL.
    """
    if isinstance(location, Path) or "://" not in location:
        return URL.create("sqlite", database=str(location))
    try:
        url = make_url(location)
    except ArgumentError:
        raise RecordError(f"{location}: not a database URL; sqlite:///FILE or postgresql://HOST/NAME") from None
    return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url


def open_engine(url: URL, *, create: bool) -> Engine:
    """Connect and check the schema; make it when ``create`` and the database is empty.

    Raises:
        RecordError: nothing there and not ``create``; not ours; written by a newer version; not reachable.
    """
    where = describe(url)
    file = _file_of(url)
    if file is not None:
        _prepare_file(file, create)
    try:
        with said_plainly(where):
            engine = _engine(url, in_memory=url.get_backend_name() == "sqlite" and file is None)
            try:
                _check_schema(engine, where, create)
            except BaseException:
                engine.dispose()
                raise
    except (ModuleNotFoundError, NoSuchModuleError) as error:
        hint = "pip install 'umbilical[postgres]'" if url.get_backend_name() == "postgresql" else str(error)
        raise RecordError(f"{where}: no driver for this kind of database: {hint}") from None
    return engine


def describe(url: URL) -> str:
    """The file's path, or the URL with its password hidden: how messages name the database."""
    if url.get_backend_name() == "sqlite":
        return url.database or "records in memory"
    return url.render_as_string(hide_password=True)


def opens_again(url: URL) -> bool:
    """Whether another connection would see the same database: not so for one in memory."""
    return url.get_backend_name() != "sqlite" or _file_of(url) is not None


def identity_of(url: URL) -> tuple[int, int] | None:
    """What tells a database's file from another one at its place; None where there is no file."""
    file = _file_of(url)
    if file is None:
        return None
    try:
        found = file.stat()
    except FileNotFoundError:
        return 0, 0
    return found.st_dev, found.st_ino


def expect_there(url: URL, identity: tuple[int, int] | None) -> None:
    """See that the file that was opened is still at its place: one that was deleted takes writes, and loses them.

    Raises:
        RecordError: it was deleted, or another one stands there.
    """
    if identity_of(url) != identity:
        raise RecordError(f"{describe(url)}: the file is gone; it was deleted, moved or replaced while it was open")


@contextmanager
def said_plainly(where: str) -> Iterator[None]:
    """Turn every database error inside into a one-line RecordError that begins with ``where``."""
    try:
        yield
    except NoSuchModuleError:
        raise
    except (SQLAlchemyError, sqlite3.Error) as error:
        raise RecordError(f"{where}: {_words(error)}") from error
    except UnicodeEncodeError as error:
        raise RecordError(f"{where}: text that is not Unicode can't be stored: {error.object!r}") from error


def _words(error: SQLAlchemyError | sqlite3.Error) -> str:
    cause = error.orig if isinstance(error, DBAPIError) and error.orig else error
    name = getattr(cause, "sqlite_errorname", "") or ""
    known = (words for start, words in _SQLITE_WORDS.items() if name.startswith(start))
    return next(known, " ".join(str(cause).split()) or type(cause).__name__)


def _file_of(url: URL) -> Path | None:
    is_file = url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:")
    return Path(str(url.database)) if is_file and "uri" not in url.query else None


def _prepare_file(file: Path, create: bool) -> None:
    if file.is_dir():
        raise RecordError(f"{file}: a folder; give a file with --record")
    if file.exists():
        return
    if not create:
        raise RecordError(f"{file}: there are no records here yet")
    try:
        # XDG: a data folder that has to be made is made for its user only.
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{file}: the folder can't be made: {error.strerror}") from error


def _engine(url: URL, *, in_memory: bool) -> Engine:
    if url.get_backend_name() != "sqlite":
        # A server may have been restarted since: each connection is tried before it is used.
        timeout = {"connect_timeout": round(BUSY_TIMEOUT_S)} if url.get_backend_name() == "postgresql" else {}
        return create_engine(url, pool_pre_ping=True, connect_args=timeout)
    settings = {"timeout": BUSY_TIMEOUT_S, "check_same_thread": False}
    engine = create_engine(url, connect_args=settings, **({"poolclass": StaticPool} if in_memory else {}))
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: sqlite3.Connection, _entry: ConnectionPoolEntry) -> None:
    connection.isolation_level = None  # we say BEGIN ourselves, see _on_begin
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute("PRAGMA synchronous=FULL")  # a step that was acknowledged survives a power cut
    try:
        connection.execute("PRAGMA journal_mode=WAL").fetchall()
    except sqlite3.OperationalError as error:
        # Read-only: nothing to journal. Busy: another process is switching to WAL at this moment.
        if not error.sqlite_errorname.startswith(("SQLITE_READONLY", "SQLITE_BUSY")):
            raise


def _on_begin(connection: Connection) -> None:
    # A writer takes its lock at once: two that read first and then both want to write would deadlock.
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _check_schema(engine: Engine, where: str, create: bool) -> None:
    with engine.connect() as connection:
        names = set(inspect(connection).get_table_names())
    if not names and create:
        with engine.connect().execution_options(writing=True) as connection, connection.begin():
            names = _make_schema(connection)
    if tables.schema_version.name not in names:
        raise RecordError(f"{where}: not a record database; give another one with --record")
    version = migrations.version_of(engine)
    if version > tables.SCHEMA_VERSION:
        raise RecordError(
            f"{where}: written by a newer Umbilical (schema {version}; this one reads up to "
            f"{tables.SCHEMA_VERSION}); update Umbilical"
        )
    if version < tables.SCHEMA_VERSION:
        migrations.migrate(engine)
    _check_complete(engine, where)


def _check_complete(engine: Engine, where: str) -> None:
    """Refuse at once what would fail in the middle of a run."""
    with engine.connect() as connection:
        missing = set(tables.metadata.tables) - set(inspect(connection).get_table_names())
    if missing:
        raise RecordError(
            f"{where}: damaged, without its tables {', '.join(sorted(missing))}; "
            "keep the file for recovery and give another one with --record"
        )


def _make_schema(connection: Connection) -> set[str]:
    """Make the tables, unless another process did so while this one waited for the lock."""
    if connection.dialect.name == "postgresql":  # SQLite took its lock when the transaction began
        connection.execute(select(func.pg_advisory_xact_lock(_SCHEMA_LOCK)))
    if not inspect(connection).get_table_names():
        tables.metadata.create_all(connection)
        connection.execute(tables.schema_version.insert().values(version=tables.SCHEMA_VERSION))
    return set(inspect(connection).get_table_names())
