"""``umbilical board map``: ordinary Modbus modules as a board."""

from typing import Annotated

import typer

from bench.cli import options as opt

group = typer.Typer(no_args_is_help=True, help="Ordinary Modbus relay and analogue modules as a board.")


@group.command("check")
def check(
    files: Annotated[
        list[str], typer.Argument(metavar="FILE...", help="Map files, or names of those that come with the program.")
    ],
    as_json: opt.Json = False,
) -> int:
    """Check board maps, with the line of each mistake, and say what a bench with them can't test."""
    from bench.cli import json_view, terminal
    from bench.errors import InputError
    from bench.link.mapped.narrowed import not_testable, summary
    from bench.profiles import load_board_map

    documents: list[dict[str, object]] = []
    for file in files:
        try:
            board = load_board_map(file)
        except InputError as error:
            documents.append({"file": file, "problem": str(error)})
            terminal.err().print(str(error), soft_wrap=True)
            continue
        documents.append({"file": file, "problem": None, **summary(board), "not_testable": not_testable(board)})
        if not as_json:
            terminal.print_rows(terminal.out(), {"map": f"{file}: good", **_rows(documents[-1])})
    if as_json:
        json_view.emit(documents)
    return InputError.exit_code if any(each["problem"] for each in documents) else 0


@group.command("list")
def list_maps(as_json: opt.Json = False) -> int:
    """List the board maps that come with the program."""
    from bench.cli import json_view, terminal
    from bench.profiles import board_map_names, load_board_map

    titles = {name: load_board_map(name).title for name in board_map_names()}
    if as_json:
        json_view.emit(titles)
    else:
        terminal.print_rows(terminal.out(), dict(titles))
    return 0


def _rows(document: dict[str, object]) -> dict[str, str]:
    can, cannot = document["can"], document["not_testable"]
    return {
        "channels": f"{document['channels']}, fuses of {document['fuse_a']:g} A",
        "can": ", ".join(can) if isinstance(can, list) else "",
        "can't test": "\n".join(f"{step}: {why}" for step, why in cannot.items()) if isinstance(cannot, dict) else "",
        "beware": "no watchdog: somebody stands beside it, and switches the supply off if the computer stops",
    }
