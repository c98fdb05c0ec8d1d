"""Verifying with several processes at once: each opens the database for itself and takes its part of the records.

Forked, so that nothing is imported anew. That is safe only where nothing else runs in the process, and only while
it has no SQLite database open: a child would inherit the knowledge of locks that it does not hold
(https://www.sqlite.org/howtocorrupt.html, 2.6). So only the command does it, which is alone in its process.
"""

import multiprocessing
import threading
from concurrent.futures import ProcessPoolExecutor

from sqlalchemy import URL

from bench.records import database
from bench.records.verify import Placed, Range, contents

PARTS = 4  # a worker; so that nobody waits long for the slowest


def possible() -> bool:
    """Whether processes may be forked here."""
    return "fork" in multiprocessing.get_all_start_methods() and threading.active_count() == 1


def contents_by_many(url: URL, ranges: list[Range], workers: int) -> list[Placed]:
    """What ``contents`` finds in these ranges; no database may be open in this process."""
    parts = [ranges[start :: workers * PARTS] for start in range(min(len(ranges), workers * PARTS))]
    with ProcessPoolExecutor(workers, multiprocessing.get_context("fork")) as pool:
        return [placed for found in pool.map(_contents, [url] * len(parts), parts) for placed in found]


def _contents(url: URL, ranges: list[Range]) -> list[Placed]:
    engine = database.open_engine(url, create=False)
    try:
        with database.said_plainly(database.describe(url)), engine.begin() as connection:
            return [placed for each in ranges for placed in contents(connection, each)]
    finally:
        engine.dispose()
