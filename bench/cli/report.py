"""``umbilical report``: a record as a page that can be printed and sent."""

from typing import Annotated, Literal

import typer

from bench.cli import options as opt


def report(
    record_id: Annotated[str, typer.Argument(metavar="ID", help="A record's id, its beginning, or `last`.")],
    out: Annotated[str, typer.Option("--out", metavar="FILE.html|FILE.pdf", help="Where to write it.")],
    paper: Annotated[
        Literal["letter", "a4"] | None, typer.Option("--paper", help="Of a PDF.  [default: by the profile's units]")
    ] = None,
    inspection: Annotated[
        str | None,
        typer.Option(
            "--inspection",
            metavar="FILE.yaml",
            help="What a person saw: adds the inspection report, and stays with the record.",
        ),
    ] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Write the report of a record as one HTML or PDF file.

    An inspection file answers what the bench can't see, one `name: answer` a line. Names: inspector,
    qualification, carrier, owner, plate, place; and with pass, fail or not-applicable, and a remark after a
    colon: brakes, coupling, lighting, loading, suspension, frame, tires, wheels, rear-guard.
    """
    from pathlib import Path

    from bench import keeping
    from bench.cli import json_view, terminal
    from bench.cli.running import check_report, write_report

    check_report(out)
    if inspection is not None:
        keeping.keep_inspection(record_id, inspection, record)
    write_report(record_id, record, out, paper)
    file = str(Path(out).absolute())
    if as_json:
        json_view.emit({"record": record_id, "report": file})
    else:
        terminal.out().print(f"report: {file}", soft_wrap=True)
    return 0
