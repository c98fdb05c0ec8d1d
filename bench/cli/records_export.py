"""``umbilical records export``: a record as a file that other programs read."""

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from bench.cli import options as opt

Format = Literal["csv", "mf4", "junit", "json", "archive"]
Part = Literal["values", "findings", "traces"]


def export(
    record_id: Annotated[
        str, typer.Argument(metavar="ID", help="A record's id, its beginning, or `last`; `all` for an archive.")
    ],
    kind: Annotated[
        Format,
        typer.Option(
            "--format", help="Tables, ASAM MDF 4, JUnit XML, what `diagnose` takes, or all of it for another bench."
        ),
    ],
    out: Annotated[
        str | None, typer.Option("--out", metavar="FILE", help="Where to write it; stdout when not given.")
    ] = None,
    part: Annotated[
        Part | None, typer.Option("--part", help="Which table of a CSV.  [default: values; with --out a file each]")
    ] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Write a record as a file for other programs.

    csv: values, findings and recordings, a table each; mf4: recordings; junit: steps as test cases with the
    measured values; json: everything that was measured; archive: the record itself with its hash chain, for
    `umbilical records import`.
    """
    from bench import keeping
    from bench.errors import InputError

    if as_json and out is None:
        raise InputError("--json says what was written: give --out FILE too")
    if record_id == "all" and kind != "archive":
        raise InputError("`all` is for --format archive; name one record, or `last`")
    if kind == "archive":
        lines = keeping.export_archive(None if record_id == "all" else record_id, record)
        files: dict[Path | None, bytes] = {Path(out) if out else None: b"".join(lines)}
    elif kind == "mf4":
        files = _mf4(record_id, record, out)
    elif kind == "csv" and out is not None and part is None:
        files = {_beside(out, name): keeping.export_text(record_id, kind, record, part=name) for name in _PARTS}
    else:
        text = keeping.export_text(record_id, kind, record, part=part or "values")
        files = {Path(out) if out else None: text}
    _write(files, as_json=as_json)
    return 0


_PARTS: tuple[Part, ...] = ("values", "findings", "traces")


def _beside(out: str, part: str) -> Path:
    """``run.csv`` for the values, ``run-findings.csv`` and ``run-traces.csv`` beside it."""
    file = Path(out)
    return file if part == "values" else file.with_name(f"{file.stem}-{part}{file.suffix}")


def _mf4(record_id: str, record: str | None, out: str | None) -> dict[Path | None, bytes]:
    from tempfile import TemporaryDirectory

    from bench import keeping
    from bench.errors import InputError

    if out is None and sys.stdout.isatty():
        raise InputError("MDF 4 is not text: give --out FILE.mf4")
    with TemporaryDirectory() as folder:
        file = Path(folder) / "record.mf4"
        keeping.export_mdf4(record_id, file, record)
        return {Path(out) if out else None: file.read_bytes()}


def _write(files: dict[Path | None, bytes], *, as_json: bool) -> None:
    from bench import keeping
    from bench.cli import json_view, terminal

    for file, content in files.items():
        if file is None:
            sys.stdout.buffer.write(content)
            continue
        with keeping.writing(file):
            file.write_bytes(content)
        if not as_json:
            terminal.out().print(f"written: {file.absolute()}", soft_wrap=True)
    if as_json:
        json_view.emit({"files": [str(file.absolute()) for file in files if file]})
