"""``umbilical retest``: after a repair, only what failed, compared before and after."""

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from bench.results import Reexamined


def retest(
    repaired: Annotated[str, typer.Argument(metavar="RECORD", help="The record that found it, or `last`.")],
    board: opt.BoardUrl,
    operator: opt.Operator = None,
    answers: opt.Answers = None,
    record: opt.Records = None,
    report: opt.ReportFile = None,
    as_json: opt.Json = False,
    yes: opt.Yes = False,
) -> int:
    """Test again, after a repair, what failed and what the repair could have touched.

    Shows before and after side by side. A finding is closed when its own numbers pass now, and stays open
    otherwise; the record that found it keeps both. A retest may be tested again in its turn: that is about all
    that is still open of the inspection and its retests, beside what was measured last.
    """
    from bench import app, keeping
    from bench.cli import json_view, terminal
    from bench.cli.retest_view import documents, side_by_side
    from bench.cli.running import Told, Wishes, make_run, units_of
    from bench.results import Run

    before = keeping.to_retest(repaired, record)
    if not before.left:
        nothing = f"record {before.run.id}: nothing is left to test again"
        if as_json:
            json_view.emit({"record": None, "retest_of": before.run.id, "followups": []})
        else:
            terminal.out().print(nothing)
        return 0
    still_open: list[Reexamined] = []

    async def work(session: app.Session) -> Run:
        return await session.retest(before.run, before.profile, closed=before.closed, operator_name=operator)

    def then(run: Run) -> Told:
        found = keeping.follow_up(before, run, record)
        still_open.extend(each for each in found if each.followup.state == "open")
        document = {"retest_of": before.run.id, "followups": documents(found)}
        return Told(document, [side_by_side("Before and after", found, units_of(run))])

    code = make_run(Wishes(board, record, report, as_json, answers, yes, before.run.vin), work, then)
    return code or (2 if still_open else 0)
