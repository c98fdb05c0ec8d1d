"""Keeping runs: one database, rows that are only ever added, chained so that a change shows."""

from bench.records.aio import AsyncStore
from bench.records.history import History, Point, SeriesQuery
from bench.records.ids import new_record_id
from bench.records.location import default_path
from bench.records.spool import SpoolingStore, take_in_spools
from bench.records.store import NoSuchRecord, Note, Signature, Store
from bench.records.summaries import RunSummary

__all__ = [
    "AsyncStore",
    "History",
    "NoSuchRecord",
    "Note",
    "Point",
    "RunSummary",
    "SeriesQuery",
    "Signature",
    "SpoolingStore",
    "Store",
    "default_path",
    "new_record_id",
    "take_in_spools",
]
