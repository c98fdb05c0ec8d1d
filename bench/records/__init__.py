"""Keeping runs: one database, rows that are only ever added, chained so that a change shows."""

from bench.records.aio import AsyncStore
from bench.records.ids import new_record_id
from bench.records.location import default_path
from bench.records.store import NoSuchRecord, Note, RunSummary, Store

__all__ = ["AsyncStore", "NoSuchRecord", "Note", "RunSummary", "Store", "default_path", "new_record_id"]
