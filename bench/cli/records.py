"""``umbilical records``: what was tested, when, and how it ended."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt
from bench.cli.records_search import Since, Unit, Until, day_of

if TYPE_CHECKING:
    from rich.table import Table

    from bench.records import RunSummary

group = typer.Typer(no_args_is_help=True, help="List, show and verify what was tested.")


@group.command("list")
def list_records(
    limit: Annotated[int, typer.Option("--limit", metavar="N", min=1, help="The newest so many.")] = 20,
    unit: Unit = None,
    since: Since = None,
    until: Until = None,
    find: Annotated[
        str | None, typer.Option("--find", metavar="WORDS", help="Only with these words in labels, findings, notes.")
    ] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """List records, newest first."""
    from dataclasses import asdict

    from bench.cli import json_view, terminal
    from bench.records import Store
    from bench.records.location import default_path

    first, last = day_of(since, "--since"), day_of(until, "--until")
    runs: list[RunSummary] = []
    if record is not None or default_path().exists():  # nothing recorded yet is not an error
        with Store(record, create=False) as store:
            runs = store.runs(limit, unit, first, last, find)
    if as_json:
        json_view.emit([asdict(run) for run in runs])
    elif runs:
        terminal.out().print(listing(runs))
    else:
        terminal.err().print("no records" + (f" of {unit}" if unit else " yet"))
    return 0


@group.command("show")
def show_record(
    record_id: Annotated[str, typer.Argument(metavar="ID", help="A record's id, its beginning, or `last`.")],
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Show one record as it stood at the end of its run, and what came after: retests, notes, files, signatures."""
    from dataclasses import asdict

    from bench.cli import json_view, retest_view, terminal, verdict_view
    from bench.records import Store
    from bench.records.kept import units_kept

    with Store(record, create=False) as store:
        run = store.load(record_id)
        retests, notes = store.reexamined(run.id), store.notes(run.id)
        files, signatures = store.attachments(run.id), store.signatures(run.id)
        system = units_kept(store, run.id)
    if as_json:
        later = {
            "followups": retest_view.documents(retests),
            "notes": [asdict(note) for note in notes],
            "files": {name: len(data) for name, data in files.items()},
            "signatures": [asdict(each) for each in signatures],
        }
        json_view.emit(json_view.run_document(run) | later)
        return 0
    kept = [("record", run.id), ("kept in", store.where), ("started", run.started)]
    kept += [("note", f"{note.written[:16]} {note.author or ''}: {note.text}") for note in notes]
    kept += [("file", f"{name}, {len(data):,} bytes") for name, data in files.items()]
    kept += [("signed", f"{each.written[:16]} {each.name}, {each.role}: {each.statement}") for each in signatures]
    verdict_view.show(terminal.out(), run, kept, system)
    if retests:
        terminal.out().print(retest_view.side_by_side("What retests said", retests, system))
    return 0


@group.command("verify")
def verify(record: opt.Records = None, as_json: opt.Json = False) -> int:
    """Check that no record was changed, removed or added afterwards."""
    import os

    from bench.cli import json_view, terminal
    from bench.records import Store

    with Store(record, create=False) as store:
        problems = store.verify(workers=os.cpu_count() or 1)
    if as_json:
        json_view.emit({"records": store.where, "problems": problems})
    for problem in () if as_json else problems:
        terminal.err().print(problem, soft_wrap=True)
    if not problems and not as_json:
        terminal.out().print(f"{store.where}: every record is as it was written", soft_wrap=True)
    return 1 if problems else 0


def listing(runs: "Sequence[RunSummary]") -> "Table":
    """Runs as a table, in their order."""
    from rich.table import Table

    from bench.cli.terminal import verdict_text

    table = Table(box=None, padding=(0, 1, 0, 0), header_style="dim")
    for heading in ("record", "command", "unit", "profile", "verdict", "found"):
        table.add_column(heading, overflow="fold", no_wrap=heading == "record")
    for run in runs:
        verdict = verdict_text(run.verdict)
        if run.state != "complete":
            verdict.append(f", {run.state}", style="dim")
        table.add_row(run.id, run.command, run.unit_number or run.vin or "", run.profile, verdict, str(run.findings))
    return table
