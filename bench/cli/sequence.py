"""``umbilical run``: a scripted sequence, with loops, branches and limits of its own."""

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from bench.profiles.sequence_model import Sequence


def run(
    sequence: Annotated[str, typer.Argument(metavar="SEQUENCE", help="Name of a shipped sequence, or a file.")],
    board: Annotated[
        str,
        typer.Option("--board", metavar="URL", envvar="UMBILICAL_BOARD", help="Where the board is; forms below."),
    ] = "",
    parameters: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="NAME=NUMBER", help="Choose a parameter; may be said again for more."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Switch nothing: print what would be switched, and for how long.")
    ] = False,
    resume: Annotated[
        str | None,
        typer.Option("--resume", metavar="RECORD", help="Go on with the endurance loop of this record; 'last' is one."),
    ] = None,
    unit_number: opt.UnitNumber = None,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Run a scripted sequence: steps, loops, branches and limits from a YAML file."""
    from bench.cli.running import Wishes, make_run
    from bench.errors import InputError
    from bench.profiles import load_sequence
    from bench.sequences.scripted import check

    loaded = load_sequence(sequence, _parameters(parameters or []))
    check(loaded)
    if dry_run:
        return _show_plan(loaded, as_json=as_json)
    if not board:
        raise InputError("which board? add --board URL, or --dry-run to see what would be switched")
    state = _resumed(loaded, resume, record) if resume else None
    wishes = Wishes(board, record, report, as_json, answers, yes)
    return make_run(
        wishes,
        lambda session: session.run(loaded, resume=state, unit_number=unit_number, operator_name=operator),
    )


def _parameters(given: list[str]) -> dict[str, float]:
    """Numbers by name out of ``NAME=NUMBER``.

    Raises:
        InputError: it is not that.
    """
    from math import isfinite

    from bench.errors import InputError

    chosen: dict[str, float] = {}
    for each in given:
        name, equals, text = each.partition("=")
        try:
            number = float(text)
        except ValueError:
            number = float("nan")
        if not equals or not name or not isfinite(number):
            raise InputError(f"--set {each}: write NAME=NUMBER, for example --set cycles=1000")
        chosen[name.strip()] = number
    return chosen


def _resumed(sequence: "Sequence", record_id: str, location: str | None) -> dict[str, object]:
    """Where the endurance loop of a record stood.

    Raises:
        InputError: it was another sequence, or the same with other parameters.
    """
    from bench.errors import InputError
    from bench.keeping import endurance_of
    from bench.records.location import default_path
    from bench.sequences.scripted import identity_of

    before, state = endurance_of(record_id, location or str(default_path()))
    now = identity_of(sequence)
    if before != now:
        what = next((key for key in ("sequence", "given", "document") if before.get(key) != now[key]), "sequence")
        words = {
            "sequence": "another sequence",
            "given": "other parameters",
            "document": "an older text of the sequence",
        }
        raise InputError(f"record {record_id} was made with {words[what]}: resume it with the same, or begin anew")
    return state


def _show_plan(sequence: "Sequence", *, as_json: bool) -> int:
    from dataclasses import asdict

    from bench.cli import json_view, plan_view, terminal
    from bench.sequences.scripted import plan

    ahead = plan(sequence)
    if as_json:
        json_view.emit({"sequence": sequence.name, "profile": sequence.profile.name, **asdict(ahead)})
    else:
        plan_view.show(terminal.out(), sequence, ahead)
    return 0
