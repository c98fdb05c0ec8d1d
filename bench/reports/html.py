"""A run as one HTML file that needs nothing else: no script, no font, no picture from elsewhere.

Everything that came from people or from a board is escaped by the template engine, and the page's own
content security policy forbids scripts and every fetch, should something slip through all the same.
"""

import re
from collections.abc import Sequence

from bench.profiles.model import Profile
from bench.reports.inspection import Answers
from bench.reports.people import Added
from bench.reports.templating import template
from bench.reports.view import page_of
from bench.reports.words import REPAIR_CAUTIONS
from bench.results import Reexamined, Run
from bench.units import System

_NOT_FOR_CSS = re.compile(r"[^0-9A-Za-z.-]")


def render_html(
    run: Run,
    profile: Profile,
    *,
    units: System | None = None,
    seal: str | None = None,
    reexamined: Sequence[Reexamined] = (),
    answers: Answers | None = None,
    added: Added | None = None,
) -> str:
    """The report of a run.

    Args:
        run: open or closed; an open one says so.
        profile: as it was when the run was made.
        units: which system comes first; the profile's own if None. The other stands in brackets.
        seal: hash of the record's newest entry, so that paper can show a later change to the record.
        reexamined: what retests said of this run's findings, and what it said as a retest of others.
        answers: what a person says that the bench can't see; adds the inspection report.
        added: remarks, photos and names that people added to the record.
    """
    page = page_of(run, profile, units or profile.units, seal, reexamined, answers, added)
    record, cautions = _NOT_FOR_CSS.sub("", run.id), REPAIR_CAUTIONS[profile.kind]
    return template("report.html.j2").render(page=page, record=record, repair_cautions=cautions)
