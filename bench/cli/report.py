"""``umbilical report``: a record as a page that can be printed and sent."""

from typing import Annotated

import typer

from bench.cli import options as opt


def report(
    record_id: Annotated[str, typer.Argument(metavar="ID", help="A record's id, its beginning, or `last`.")],
    out: Annotated[str, typer.Option("--out", metavar="FILE.html", help="Where to write it.")],
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Write the report of a record as one HTML file."""
    from pathlib import Path

    from bench.cli import json_view, terminal
    from bench.cli.running import check_report, write_report

    check_report(out)
    write_report(record_id, record, out)
    file = str(Path(out).absolute())
    if as_json:
        json_view.emit({"record": record_id, "report": file})
    else:
        terminal.out().print(f"report: {file}", soft_wrap=True)
    return 0
