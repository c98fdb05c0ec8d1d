"""Write ``firmware_sim/BOARD.md`` from the contract's tables; ``--check`` says whether it is fresh."""

import argparse
import sys
from collections.abc import Iterable, Mapping, Sequence
from enum import IntEnum, IntFlag
from pathlib import Path

import jinja2

from bench.contract.fields import Block, Field
from bench.contract.table import (
    BLOCKS,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    COMMANDS,
    CONTRACT_MAJOR,
    CONTRACT_MINOR,
    ENERGY_LIMIT_A2S,
    EVENTS,
    EVENTS_PER_READ,
    FULL_TRIES_PER_MINUTE,
    SHORT_GROWTH,
    SHORT_RESISTANCE_OHM,
    SUPPLY_WINDOWS,
    Argument,
    Capability,
    ChannelState,
    Command,
    EventKind,
    Fault,
    Mode,
    Refusal,
    TripReason,
)
from bench.link.conformance import CHECKS
from firmware_sim.firmware import monitor
from firmware_sim.firmware.budget import LATE_TICKS
from firmware_sim.firmware.states import TRANSITIONS
from firmware_sim.servers.line.errors import QUEUE_DEPTH, TEXTS
from firmware_sim.servers.modbus_server import UNIT
from tools import board_words as words

HERE = Path(__file__).parent
TEMPLATES = (HERE / "board_doc.md.j2", HERE / "board_build.md.j2")
DOCUMENT = HERE.parent / "firmware_sim" / "BOARD.md"
SHOWN_CHANNELS = 8

Row = Sequence[object]


def table(*cells: object) -> str:
    """A Markdown table; the last argument is its rows, the others its headings."""
    *headings, rows = cells
    lines = [headings, ["---"] * len(headings), *rows]  # type: ignore[misc]
    return "\n".join("| " + " | ".join(str(cell).replace("|", "\\|") for cell in line) + " |" for line in lines)


def rows_of(block: Block) -> int:
    """Rows of a block on the board shown."""
    fixed = {EVENTS: EVENTS_PER_READ, CAPTURE_PAGE: CAPTURE_SAMPLES_PER_PAGE}
    return fixed.get(block, SHOWN_CHANNELS) if block.row else 0


def field_rows(fields: Iterable[Field], first: int) -> list[Row]:
    """One row a field, the first register of each in front."""
    rows: list[Row] = []
    for field in fields:
        rows.append((first, f"`{field.name}`", field.kind, field.unit, f"{field.scale:g}", field.note))
        first += field.registers
    return rows


def row_title(block: Block) -> str:
    """Where a block's rows stand."""
    what = {EVENTS: "event", CAPTURE_PAGE: "sample"}.get(block, "channel")
    first, width = block.address + block.header_registers, block.row_registers
    where = f"{first} + {width} (n − 1)" + (" + 128 p on page p" if block is CAPTURE_PAGE else "")
    return f"The row of {what} n begins at {where}; offsets count from there."


def detail(block: Block) -> dict[str, object]:
    """What the template shows of a block."""
    return {
        "name": block.name,
        "number": block.number,
        "address": block.address,
        "note": block.note,
        "header": field_rows(block.header, block.address + 1),
        "row": field_rows(block.row, 0),
        "row_title": row_title(block) if block.row else "",
    }


def argument_text(argument: Argument) -> str:
    """Name and raw range of an argument."""
    scale = "" if argument.scale == 1 else f" × {argument.scale:g} {argument.unit}"
    return f"{argument.name} {argument.low}..{argument.high}{scale}"


def command_row(command: Command) -> Row:
    """A row of the table of commands."""
    return (
        int(command.code),
        command.code.name + (" ⚡" if command.switches_on else ""),
        f"`{command.line}`",
        ", ".join(map(argument_text, command.arguments)) or "–",
        "anyone" if command.anyone else "controller",
        command.note,
    )


def bit_rows(names: type[IntFlag], meanings: Mapping[IntFlag, str]) -> list[Row]:
    """One row a bit; KeyError when a name has no meaning."""
    return [(bit.value.bit_length() - 1, bit.name, meanings[bit]) for bit in names]


def value_rows(names: type[IntEnum], meanings: Mapping[IntEnum, str]) -> list[Row]:
    """One row a value; KeyError when a name has no meaning."""
    return [(value.value, value.name, meanings[value]) for value in names]


def document() -> str:
    """Text of BOARD.md."""
    environment = jinja2.Environment(undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)  # noqa: S701 - Markdown, from our own tables
    template = environment.from_string("".join(part.read_text(encoding="utf-8") for part in TEMPLATES))
    text = template.render(
        table=table,
        major=CONTRACT_MAJOR,
        minor=CONTRACT_MINOR,
        capabilities=bit_rows(Capability, words.CAPABILITIES),
        modes=bit_rows(Mode, words.MODES),
        faults=bit_rows(Fault, words.FAULTS),
        states=value_rows(ChannelState, words.STATES),
        trips=value_rows(TripReason, words.TRIPS),
        refusals=value_rows(Refusal, words.REFUSALS),
        events=[(kind.value, kind.name, *words.EVENTS[kind]) for kind in EventKind],
        transitions=[(row.before.name, row.after.name, row.when) for row in TRANSITIONS],
        blocks=[
            (b.number, b.name, b.address, b.length(rows_of(b)), "yes" if b.writable else "–", b.note) for b in BLOCKS
        ],
        details=[detail(block) for block in BLOCKS if block.name != "shot"],
        commands=[command_row(command) for command in COMMANDS],
        windows={nominal: f"{w.low_v:g}..{w.high_v:g} V" for nominal, w in SUPPLY_WINDOWS.items()},
        energy_limit=f"{ENERGY_LIMIT_A2S:g}",
        full_tries=FULL_TRIES_PER_MINUTE,
        growth=SHORT_GROWTH,
        short_ohm=SHORT_RESISTANCE_OHM,
        late=LATE_TICKS,
        probe_made=monitor.PROBE_MADE,
        probe_broke=monitor.PROBE_BROKE,
        drive_made=monitor.DRIVE_MADE,
        drive_broke=monitor.DRIVE_BROKE,
        least_made=monitor.LEAST_MADE_A,
        least_broke=monitor.LEAST_BROKE_A,
        unit=UNIT,
        queue=QUEUE_DEPTH,
        checks=[(check.name, check.clause, check.level, check.expected) for check in CHECKS],
        errors=", ".join(f"{number} {text}" for number, text in TEXTS.items()),
    )
    return text.rstrip("\n") + "\n"


def main() -> int:
    """Write the document, or check it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="change nothing; exit 1 when the document is stale")
    wanted = document()
    if not parser.parse_args().check:
        DOCUMENT.write_text(wanted, encoding="utf-8")
        return 0
    fresh = DOCUMENT.exists() and DOCUMENT.read_text(encoding="utf-8") == wanted
    if not fresh:
        print("firmware_sim/BOARD.md is stale: run tools/gen_board_doc.py", file=sys.stderr)
    return 0 if fresh else 1


if __name__ == "__main__":
    sys.exit(main())
