"""CSV files as rows of cells with their line, refused in one line where they are none."""

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bench.errors import InputError

LARGEST_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Row:
    """One line that is not blank; ``at`` is ``file:line``."""

    at: str
    cells: tuple[str, ...]


def read_table(path: str | Path, example: str) -> tuple[tuple[str, ...], list[Row]]:
    """Header (lower case) and rows of a CSV file, every row as wide as the header.

    Raises:
        InputError: no such file, no text, too large, no header, another separator, a row of another width.
    """
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError(f"{path.name}: larger than {LARGEST_BYTES >> 20} MiB; record fewer samples")
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(_rows(path.name, csv.reader(file)))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path.name}: is no CSV text: {error}") from None
    if not rows:
        raise InputError(f"{path.name}:1: no header; the file begins with a line such as {example!r}")
    header = tuple(cell.lower() for cell in rows[0].cells)
    _check_header(rows[0].at, header)
    for row in rows[1:]:
        if len(row.cells) != len(header):
            raise InputError(f"{row.at}: {len(row.cells)} cells, the header has {len(header)}")
    return header, rows[1:]


def number(at: str, name: str, cell: str) -> float:
    """A finite number.

    Raises:
        InputError: it is none, with place and column.
    """
    try:
        value = float(cell)
    except ValueError:
        what = f"{cell[:40]!r} is no number" if cell else "is empty; leave the row out"
        raise InputError(f"{at}: {name} {what}") from None
    if not math.isfinite(value) or abs(value) > 1e9:
        raise InputError(f"{at}: {name} {cell[:40]!r} is no reading")
    return value


def _rows(label: str, lines: Iterator[list[str]]) -> Iterator[Row]:
    for line, cells in enumerate(lines, start=1):
        stripped = tuple(cell.strip() for cell in cells)
        if any(stripped):
            yield Row(f"{label}:{line}", stripped)


def _check_header(at: str, header: tuple[str, ...]) -> None:
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        raise InputError(f"{at}: columns are separated by commas")
    for name in header:
        if header.count(name) > 1:
            raise InputError(f"{at}: column {name[:40]!r} twice")
