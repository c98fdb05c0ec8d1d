"""``umbilical records import``: records of another bench, or what a run left when its database failed."""

from typing import Annotated

import typer

from bench.cli import options as opt


def import_records(
    file: Annotated[str, typer.Argument(metavar="FILE", help="An archive of records, or the spool of a run.")],
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Take in records that are not here yet; their hash chain is checked first, and kept.

    An archive comes from `umbilical records export all --format archive`. What is here already is left as it
    is; a record that is here with another content, or a file that was changed, is refused whole.
    """
    from dataclasses import asdict

    from bench import keeping
    from bench.cli import json_view, terminal

    taken = keeping.import_records(file, record)
    if as_json:
        json_view.emit(asdict(taken))
        return 0
    for words, ids in (("added", taken.added), ("completed", taken.completed), ("here already", taken.known)):
        if ids:
            shown = f"{', '.join(ids[:3])}{', ...' if len(ids) > 3 else ''}"
            terminal.out().print(f"{len(ids)} {words}: {shown}", soft_wrap=True)
    return 0
