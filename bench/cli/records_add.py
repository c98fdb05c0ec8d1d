"""``umbilical records note``, ``attach`` and ``sign``: what people add to a record; nothing in it ever changes."""

from typing import Annotated

import typer

from bench.cli import options as opt

RecordId = Annotated[str, typer.Argument(metavar="ID", help="A record's id, its beginning, or `last`.")]
ACCURATE = "I have checked this record; it is accurate and complete."


def note(
    record_id: RecordId,
    words: Annotated[str, typer.Argument(metavar="TEXT", help="The remark.")],
    author: Annotated[str | None, typer.Option("--author", metavar="NAME", help="Who says so.")] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Add a remark to a record."""
    from bench.records import Store

    with Store(record, create=False) as store:
        run_id = store.resolve(record_id)
        store.add_note(run_id, words, author)
    _say(as_json, {"record": run_id, "note": words}, f"noted in {run_id}")
    return 0


def attach(
    record_id: RecordId,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A photo (JPEG, PNG) or any other file.")],
    name: Annotated[
        str | None, typer.Option("--name", metavar="TEXT", help="What it is called there.  [default: the file's name]")
    ] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Keep a photo or another file with a record; photos stand in its report."""
    from pathlib import Path

    from bench.attachments import is_own
    from bench.errors import InputError
    from bench.records import Store
    from bench.records.photos import LARGEST, media_type

    called = name or Path(file).name
    if is_own(called):
        raise InputError(f"{called}: the bench keeps a file of that name itself; give another with --name")
    try:
        data = Path(file).read_bytes()
    except OSError as error:
        raise InputError(f"{file}: can't be read: {error.strerror or error}") from None
    if not data or len(data) > LARGEST:
        raise InputError(f"{file}: {len(data):,} bytes; 1 to {LARGEST:,} can be kept")
    with Store(record, create=False) as store:
        run_id = store.resolve(record_id)
        store.attach(run_id, called, data)
    kind = media_type(data) or "a file"
    _say(as_json, {"record": run_id, "file": called, "kind": kind}, f"{called} ({kind}) is kept with {run_id}")
    return 0


def sign(
    record_id: RecordId,
    name: Annotated[str, typer.Option("--name", metavar="NAME", help="Who signs.")],
    role: Annotated[str, typer.Option("--role", metavar="TEXT", help="As what: technician, inspector, owner.")],
    statement: Annotated[str, typer.Option("--statement", metavar="TEXT", help="What is stood for.")] = ACCURATE,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Say who stands for a closed record; kept in the hash chain with the hash that the record has now.

    A typed name, no cryptographic signature of a person: it shows who said so on this bench, and that the record
    is still the one it was said of.
    """
    from dataclasses import asdict

    from bench.errors import InputError
    from bench.records import Store

    if not name.strip() or not role.strip():
        raise InputError("--name and --role: say who signs, and as what")
    with Store(record, create=False) as store:
        run_id = store.resolve(record_id)
        signed = store.sign(run_id, name.strip(), role.strip(), statement.strip())
    _say(as_json, {"record": run_id} | asdict(signed), f"{signed.name}, {signed.role}, stands for {run_id}")
    return 0


def _say(as_json: bool, document: dict[str, object], words: str) -> None:
    from bench.cli import json_view, terminal

    if as_json:
        json_view.emit(document)
    else:
        terminal.out().print(words, soft_wrap=True)
