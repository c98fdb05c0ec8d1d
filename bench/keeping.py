"""What is kept of runs and what is made of it: records, reports, exports. Part of the composition root.

``bench.app`` writes through ``recording``; the command and scripts read through the rest. Locations are files or
database URLs, None for the user's own place. What is heavy is imported where it is first needed.
"""

import json
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from bench import attachments
from bench.errors import InputError, RecordError
from bench.profiles import load_profile, measurements_document, profile_document
from bench.profiles.model import Measurements, Profile
from bench.results import Reexamined, Run, RunState, StepResult

if TYPE_CHECKING:
    from bench.records import AsyncStore, Store
    from bench.records.case import Case
    from bench.records.intake import Taken
    from bench.reports import Added, Paper

Location = str | Path | None
EXPORT_FORMATS = ("csv", "mf4", "junit", "json", "archive")


class Keeper(Protocol):
    """Where a session keeps its runs, their readings and the profile they were made with."""

    profile: Profile | None

    async def begin(self, run: Run) -> None:
        """Keep a new run."""

    async def add_step(self, run_id: str, step: StepResult) -> None:
        """Keep a step of it."""

    async def keep(self, run_id: str, measurements: Measurements) -> None:
        """Keep the readings of a step."""

    async def attach(self, run_id: str, name: str, document: Mapping[str, Any]) -> None:
        """Keep a document with a run; a later one of that name takes its place."""

    async def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """Close it."""


class Unrecorded:
    """Keeps nothing."""

    profile: Profile | None = None

    async def begin(self, run: Run) -> None:
        """Forget a new run."""

    async def add_step(self, run_id: str, step: StepResult) -> None:
        """Forget a step."""

    async def keep(self, run_id: str, measurements: Measurements) -> None:
        """Forget readings."""

    async def attach(self, run_id: str, name: str, document: Mapping[str, Any]) -> None:
        """Forget a document."""

    async def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """Forget the end."""


class Recording:
    """Keeps runs, and beside each the profile as it was and all readings, so that it can be judged again."""

    def __init__(self, records: "AsyncStore") -> None:
        from bench.records import SpoolingStore

        self.profile: Profile | None = None
        self._records = records
        self._store = SpoolingStore(records.store)
        self._parts = 0

    async def begin(self, run: Run) -> None:
        """Keep a new run and its profile."""
        self._parts = 0
        await self._records.call(self._store.begin, run)
        if self.profile is not None:
            await self.attach(run.id, attachments.PROFILE, profile_document(self.profile))

    async def add_step(self, run_id: str, step: StepResult) -> None:
        """Keep a step."""
        await self._records.call(self._store.add_step, run_id, step)

    async def keep(self, run_id: str, measurements: Measurements) -> None:
        """Keep the readings of a step as a part of the record's measurements."""
        from bench.exports import part_name

        document = measurements_document(measurements, profile=measurements.profile.name)
        await self.attach(run_id, part_name(self._parts), document)
        self._parts += 1

    async def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """Close a run."""
        await self._records.call(self._store.finish, run_id, state, duration_s, reason)

    async def attach(self, run_id: str, name: str, document: Mapping[str, Any]) -> None:
        """Keep a document with a run."""
        await self._records.call(self._store.attach, run_id, name, json.dumps(document).encode())


@asynccontextmanager
async def recording(location: Location, notice: Callable[[str], None] = lambda _: None) -> AsyncIterator[Keeper]:
    """A keeper of runs in the database at ``location``; with None nothing is kept.

    What an earlier run could not write there is taken in first; ``notice`` hears of it.
    """
    if location is None:
        yield Unrecorded()
        return
    from bench.records import AsyncStore, Store, take_in_spools

    async with AsyncStore(Store(location)) as records:
        await records.call(take_in_spools, records.store, notice)
        yield Recording(records)


@contextmanager
def open_records(location: Location = None) -> Iterator["Store"]:
    """The records that are there.

    Raises:
        RecordError: there are none, or they can't be read.
    """
    from bench.records import Store

    with Store(location, create=False) as store:
        yield store


# --- retests ---


@dataclass(frozen=True, slots=True)
class Repaired:
    """What is to be tested again: an inspection with the retests that followed it.

    Attributes:
        case: all of them, and what is still open.
        profile: as it was in the newest.
    """

    case: "Case"
    profile: Profile

    @property
    def run(self) -> Run:
        """The inspection, with the steps of its retests behind its own."""
        return self.case.as_one

    @property
    def closed(self) -> frozenset[tuple[int, int | None]]:
        """Step and finding numbers of ``run`` that a retest has closed already."""
        return self.case.closed

    @property
    def left(self) -> int:
        """How much is not closed."""
        return self.case.left


def to_retest(record_id: str, location: Location = None) -> Repaired:
    """What a record and the other records of its case found; a retest stands for the inspection that it repeated.

    Raises:
        RecordError: no such record.
        InputError: its profile is neither in the record nor known by name any more.
    """
    with open_records(location) as store:
        case = store.case(record_id)
        return Repaired(case, _profile_of(store, case.runs[-1]))


def follow_up(before: Repaired, after: Run, location: Location = None) -> tuple[Reexamined, ...]:
    """Compare a retest with what it repeats, and add to each record what it closes and what it leaves open."""
    from bench.records.case import told_once
    from bench.records.rows import reexamined

    said = before.case.compared(after)
    with open_records(location) as store:
        for run_id, followups in said.items():
            store.follow_up(run_id, followups)
    return told_once([reexamined(run, each) for run in before.case.runs for each in said.get(run.id, ())])


# --- endurance ---


def endurance_of(record_id: str, location: Location = None) -> tuple[dict[str, Any], dict[str, Any]]:
    """What a record keeps of an endurance loop: which sequence it was, and where the loop stood.

    Raises:
        RecordError: no such record.
        InputError: it holds no endurance loop.
    """
    from bench.sequences.scripted import SEQUENCE_ATTACHMENT, STATE_ATTACHMENT

    with open_records(location) as store:
        run_id = store.resolve(record_id)
        kept = store.attachments(run_id)
    if STATE_ATTACHMENT not in kept or SEQUENCE_ATTACHMENT not in kept:
        raise InputError(
            f"record {run_id} holds no endurance loop that got through a cycle: there is nothing to resume"
        )
    return json.loads(kept[SEQUENCE_ATTACHMENT]), json.loads(kept[STATE_ATTACHMENT])


# --- documents ---


def report_html(record_id: str, location: Location = None) -> str:
    """The report of a record as one HTML page.

    Raises:
        RecordError: no such record.
        InputError: its profile is neither in the record nor known by name any more.
    """
    with open_records(location) as store:
        found = store.load(record_id)
        return _page(store, found, _profile_of(store, found))


def report_pdf(record_id: str, location: Location = None, paper: "Paper | None" = None) -> bytes:
    """The same page as PDF; ``paper`` is that of the profile's country when None.

    Raises:
        RecordError, InputError: as ``report_html``, and when the extra ``report`` is missing.
    """
    from bench.reports import render_pdf

    with open_records(location) as store:
        found = store.load(record_id)
        profile = _profile_of(store, found)
        page = _page(store, found, profile)
    return render_pdf(page, paper or ("letter" if profile.units == "us" else "a4"))


def _page(store: "Store", found: Run, profile: Profile) -> str:
    from bench.reports import render_html

    files = store.attachments(found.id)
    seen = files.get(attachments.INSPECTION)
    return render_html(
        found,
        profile,
        seal=store.seal(found.id),
        reexamined=store.reexamined(found.id),
        answers=json.loads(seen) if seen else None,
        added=_added(store, found.id, files),
    )


def _added(store: "Store", record_id: str, files: Mapping[str, bytes]) -> "Added":
    from bench.records.photos import media_type
    from bench.reports import Added, Photo, Remark, Signed

    photos = [Photo(name, kind, data) for name, data in files.items() if (kind := media_type(data))]
    remarks = [Remark(note.written, note.author, note.text) for note in store.notes(record_id)]
    signed = [
        Signed(each.written, each.name, each.role, each.statement, each.seal) for each in store.signatures(record_id)
    ]
    return Added(remarks, photos, signed)


def keep_inspection(record_id: str, answers_file: str, location: Location = None) -> None:
    """Keep with a record what a person saw, for its inspection report; a later file takes the place of an earlier one.

    Raises:
        InputError: the file is wrong, or answers what nobody asks.
        RecordError: no such record, or it can't be written.
    """
    from bench.profiles import load_answers
    from bench.reports import check_answers

    answers = load_answers(answers_file)
    check_answers(answers, answers_file)
    with open_records(location) as store:
        store.attach(store.resolve(record_id), attachments.INSPECTION, json.dumps(answers).encode())


def _profile_of(store: "Store", run: Run) -> Profile:
    kept = store.attachments(run.id).get(attachments.PROFILE)
    return _profile_from(kept, run.id) if kept else load_profile(run.profile)


def _profile_from(kept: bytes, record_id: str) -> Profile:
    from bench.profiles.loading import profile_of
    from bench.profiles.source import Document, parse_json

    label = f"the profile in record {record_id}"
    return profile_of(Document(Path(attachments.PROFILE), label, parse_json(kept.decode(), label), dict))


def export_text(record_id: str, kind: str, location: Location = None, *, part: str = "values") -> bytes:
    """A record as ``csv`` (one ``part`` of it), ``junit`` or ``json`` (its measurements), UTF-8.

    Raises:
        RecordError: no such record.
        InputError: the record holds no measurements.
    """
    from bench.exports import csv_table, junit_xml

    with open_records(location) as store:
        run = store.load(record_id)
        if kind == "csv":
            return csv_table(run, part).encode()
        if kind == "junit":
            return junit_xml(run)
        return json.dumps(_measurements(store, run.id), indent=1).encode() + b"\n"


def _measurements(store: "Store", record_id: str) -> dict[str, Any]:
    from bench.exports import joined

    files = store.attachments(record_id)
    profile = files.get(attachments.PROFILE)
    document = joined(files, json.loads(profile) if profile else None)
    if document is None:
        raise InputError(f"record {record_id} holds no measurements: nothing was measured in it")
    return document


def export_mdf4(record_id: str, file: Path, location: Location = None) -> None:
    """The recordings of a record as an ASAM MDF 4 file.

    Raises:
        RecordError: no such record, or the file can't be written.
        InputError: the extra ``mdf`` is missing, or there is no recording.
    """
    from bench.exports import write_mdf4

    with open_records(location) as store:
        run = store.load(record_id)
    with writing(file):
        write_mdf4(run, file)


def export_archive(record_id: str | None, location: Location = None) -> Iterator[bytes]:
    """The lines of an archive of one record, or with None of all, to carry to another bench.

    Raises:
        RecordError: no such record.
    """
    with open_records(location) as store:
        for line in store.archive(record_id):
            yield line.encode()


def import_records(file: str | Path, location: Location = None) -> "Taken":
    """Take in an archive or a spool; a database is made where there is none.

    Raises:
        InputError: no such file, not one of ours, cut off or changed; nothing of it was taken.
        RecordError: the database can't be written.
    """
    from bench.records import Store

    try:
        with open(file, encoding="utf-8") as lines, Store(location) as store:
            return store.take_in(lines, str(file))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: can't be read: {getattr(error, 'strerror', None) or error}") from error


def check_writable(file: Path) -> None:
    """Open a file for writing and leave it as it is.

    Raises:
        RecordError: it can't be opened.
    """
    there = file.exists()
    with writing(file), file.open("ab"):
        pass
    if not there:
        file.unlink()


@contextmanager
def writing(file: Path) -> Iterator[None]:
    """Turn what the system says of a file that can't be written into one line."""
    try:
        yield
    except OSError as error:
        raise RecordError(f"{file}: can't be written: {error.strerror or error}") from error
