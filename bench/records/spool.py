"""What a run still has to say when its database fails: kept in a file, and taken in when the database is back.

The first write that fails is kept in the spool and then raised, so that the run ends safe and says so; whatever the
run writes on its way out goes to the spool too. What it had written before stands there as well: a database that was
deleted took it along, and one that is still there knows it already. Format: see ``archive.py``. A spool that is
still being written ends in ``.part``; it is taken in only when its process is gone.
"""

import json
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.errors import BenchError, RecordError
from bench.records import chain, rows
from bench.records.archive import SPOOL, spool_line
from bench.records.lease import is_cut, own_lease
from bench.records.location import default_path
from bench.records.store import Store
from bench.results import Run, RunState, StepResult


def spool_folders() -> tuple[Path, ...]:
    """Where spools are written, the first that works: beside the user's records, or among temporary files."""
    own = f"umbilical-spool-{os.getuid()}" if hasattr(os, "getuid") else "umbilical-spool"
    return default_path().parent / "spool", Path(tempfile.gettempdir()) / own


class SpoolingStore:
    """One run's way into a store, with a spool for when that fails.

    Raises:
        RecordError: from the first write that fails; the message names the spool. Later writes are kept silently.
    """

    def __init__(self, store: Store, folders: Sequence[Path] | None = None) -> None:
        self.store = store
        self._folders = spool_folders() if folders is None else folders
        self._file: Path | None = None
        self._lines: list[str] = []  # of the run so far
        self._counts = {"step": 0, "attachment": 0}
        self._ended = False

    def begin(self, run: Run) -> None:
        """Open a record; what fails here leaves nothing to keep."""
        self.store.begin(run)
        self._file, self._ended = None, False
        self._lines = [spool_line("run", run.id, 0, {"run": [rows.run_row(run)]})]
        self._lines += [
            spool_line("step", run.id, no, rows.step_bundle(run.id, no, step)) for no, step in enumerate(run.steps)
        ]
        self._counts = {"step": len(run.steps), "attachment": 0}

    def add_step(self, run_id: str, step: StepResult) -> None:
        """Keep a step."""
        bundle = rows.step_bundle(run_id, self._counts["step"], step)
        self._counted("step", run_id, bundle, lambda: self.store.add_step(run_id, step))

    def attach(self, run_id: str, name: str, data: bytes) -> None:
        """Keep a file with the run."""
        row = rows.attachment_row(run_id, self._counts["attachment"], name, data)
        self._counted("attachment", run_id, {"attachment": [row]}, lambda: self.store.attach(run_id, name, data))

    def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """Close the run; the first end counts."""
        if self._ended:
            return
        self._ended = self._file is not None
        bundle = {"run_end": [rows.end_row(run_id, state, duration_s, reason)]}
        try:
            self._keep("end", run_id, 0, bundle, lambda: self.store.finish(run_id, state, duration_s, reason))
        finally:
            self._ended = True
            self._lines = []
            if self._file is not None:
                self._file = self._file.rename(self._file.with_suffix(".jsonl"))

    def _counted(self, kind: str, run_id: str, bundle: chain.Bundle, write: Callable[[], None]) -> None:
        no = self._counts[kind]
        self._counts[kind] += 1
        self._keep(kind, run_id, no, bundle, write)

    def _keep(self, kind: str, run_id: str, no: int, bundle: chain.Bundle, write: Callable[[], None]) -> None:
        line = spool_line(kind, run_id, no, bundle)
        if self._file is not None:
            _append(self._file, line)
            return
        self._lines.append(line)
        try:
            write()
        except RecordError as error:
            self._file = self._open(run_id, error)
            file = self._file.with_suffix(".jsonl")
            words = f"{error}; what was measured is kept in {file} and is taken in when the next run begins"
            raise RecordError(words) from error

    def _open(self, run_id: str, error: RecordError) -> Path:
        header = {"format": SPOOL, "database": self.store.where, "lease": own_lease(datetime.now(UTC))}
        for folder in self._folders:
            file = folder / f"{run_id}.part"
            try:
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                _append(file, "".join([chain.canonical(header), "\n", *self._lines]))
            except OSError:
                continue
            return file
        raise error


def _append(file: Path, text: str) -> None:
    with file.open("a", encoding="utf-8") as spool:
        spool.write(text)
        spool.flush()
        os.fsync(spool.fileno())


def take_in_spools(store: Store, notice: Callable[[str], None], folders: Sequence[Path] | None = None) -> None:
    """Take in what earlier runs could not write to this database; a spool that doesn't fit stays and is named."""
    for file in _spools(store, spool_folders() if folders is None else folders):
        try:
            with file.open(encoding="utf-8") as lines:
                taken = store.take_in(lines, str(file))
        except BenchError as error:
            notice(f"{file} was not taken in: {error}")
            continue
        file.unlink()
        ids = ", ".join(taken.added + taken.completed or taken.known)
        notice(f"what an earlier run could not write was taken in: {ids}")


def _spools(store: Store, folders: Sequence[Path]) -> Iterator[Path]:
    for folder in folders:
        for file in sorted([*folder.glob("*.jsonl"), *folder.glob("*.part")]):
            header = _header(file)
            left = file.suffix == ".jsonl" or is_cut(header.get("lease"), datetime.now(UTC))
            if header.get("database") == store.where and left:
                yield file


def _header(file: Path) -> dict[str, Any]:
    try:
        with file.open(encoding="utf-8") as lines:
            return dict(json.loads(lines.readline()))
    except (OSError, ValueError):
        return {}
