"""``umbilical profile``: the descriptions of what can be plugged in."""

from typing import Annotated

import typer

from bench.cli import options as opt

group = typer.Typer(no_args_is_help=True, help="Check, list and show profiles.")


@group.command("check")
def check(
    files: Annotated[
        list[str], typer.Argument(metavar="FILE...", help="Files, or names of what comes with the program.")
    ],
    as_json: opt.Json = False,
) -> int:
    """Check files of any kind and say on which line a mistake is."""
    from bench.cli import json_view, terminal
    from bench.errors import InputError
    from bench.profiles import check_file

    def check_one(file: str) -> dict[str, str | None]:
        try:
            return {"file": file, "kind": check_file(file), "problem": None}
        except InputError as error:
            return {"file": file, "kind": None, "problem": str(error)}

    checked = [check_one(file) for file in files]
    if as_json:
        json_view.emit(checked)
    else:
        for each in checked:
            console = terminal.err() if each["problem"] else terminal.out()
            console.print(each["problem"] or f"{each['file']}: good, a {each['kind']} file", soft_wrap=True)
    return InputError.exit_code if any(each["problem"] for each in checked) else 0


@group.command("schema")
def schema(
    kind: Annotated[str, typer.Argument(metavar="[KIND]", help="Kind of file; a wrong one lists them.")] = "harness",
) -> int:
    """Print the JSON Schema of a kind of file, for editors and other programs."""
    from bench.cli import json_view
    from bench.profiles import json_schema

    json_view.emit(json_schema(kind))
    return 0


@group.command("list")
def list_profiles(as_json: opt.Json = False) -> int:
    """List the profiles, sequences and simulator's scenarios that come with the program."""
    from bench.cli import json_view, terminal
    from bench.profiles import profile_names, scenario_names, sequence_names

    names = {"profiles": profile_names(), "sequences": sequence_names(), "scenarios": scenario_names()}
    if as_json:
        json_view.emit(names)
    else:
        terminal.print_rows(terminal.out(), {kind: "\n".join(each) for kind, each in names.items()})
    return 0


@group.command("show")
def show(profile: opt.ProfileName, as_json: opt.Json = False) -> int:
    """Show what a profile says: connector, circuits, loads and limits."""
    from bench.cli import json_view, profile_view, terminal
    from bench.profiles import load_profile, profile_document

    loaded = load_profile(profile)
    if as_json:
        json_view.emit(profile_document(loaded))
    else:
        profile_view.show(terminal.out(), loaded)
    return 0
