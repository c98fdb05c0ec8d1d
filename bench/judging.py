"""Stored readings judged again, and what an earlier record of the same harness teaches. Needs no board.

Part of the composition root, as ``keeping.py`` is: it brings records and inference together.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from bench import keeping
from bench.electrical import Baseline, Conclusion, conclude, learn
from bench.electrical.baseline import OF_THE_TYPE, OF_THE_UNIT, parts_of
from bench.electrical.harness import build
from bench.errors import InputError
from bench.profiles.measurements import measurements_of
from bench.profiles.model import Measurements, Profile
from bench.profiles.source import Document, parse_json
from bench.results import Run, Verdict, worst


@dataclass(frozen=True, slots=True)
class Earlier:
    """What an earlier record taught.

    Attributes:
        baseline: for the inference.
        record: its id.
        words: which record it was, for people.
    """

    baseline: Baseline
    record: str
    words: str


def earlier(
    record: str, profile: Profile, location: keeping.Location = None, *, unit_number: str | None = None
) -> Earlier:
    """What the readings of a record that passed say of the harness of ``profile``.

    A record of the same unit says more than one of another unit of the same type, whose lamps and contacts are others.

    Args:
        record: its id, or ``last``.
        profile: what is plugged in now.
        location: of the records.
        unit_number: of what is plugged in now; None where nobody said.

    Raises:
        RecordError: no such record.
        InputError: it did not pass, is of a harness of other parts, or holds no readings.
    """
    with keeping.open_records(location) as store:
        run = store.load(record)
    if run.verdict is not Verdict.PASS:
        state = f"its verdict is {run.verdict.value}" if run.state == "complete" else f"its run was {run.state}"
        raise InputError(f"record {run.id} is no baseline: {state}; only one that passed shows what is sound")
    measurements = _measurements(run, location)
    if not any(reading.driven for reading in measurements.readings):
        raise InputError(f"record {run.id} is no baseline: it holds no measurements of a fed circuit")
    if parts_of(build(measurements.profile)) != parts_of(build(profile)):
        raise InputError(
            f"record {run.id} is no baseline for {profile.name}: it is of {run.profile}, a harness of other parts"
        )
    same = unit_number is not None and run.unit_number == unit_number
    return Earlier(learn([measurements], OF_THE_UNIT if same else OF_THE_TYPE), run.id, _words(run, same_unit=same))


def _measurements(run: Run, location: keeping.Location) -> Measurements:
    label = f"the readings of record {run.id}"
    text = keeping.export_text(run.id, "json", location).decode()
    return measurements_of(Document(Path(f"{run.id}.json"), label, parse_json(text, label), dict))


def _words(run: Run, *, same_unit: bool) -> str:
    day = run.started[:10]
    if same_unit:
        return f"narrowed by record {run.id} of the same unit ({run.unit_number}, {day})"
    unit = f"unit {run.unit_number}" if run.unit_number else "a unit without number"
    return f"narrowed by record {run.id} of the same type ({unit}, {day})"


def judge(measurements: Measurements, known: Earlier | None = None) -> Conclusion:
    """Weigh readings, with what an earlier record taught where there is one; what it did is said."""
    if known is None:
        return conclude(measurements)
    found = conclude(measurements, known.baseline)
    return replace(found, notes=(known.words, *found.notes)) if found.ranked else found


def verdict_of(found: Conclusion, measurements: Measurements) -> Verdict:
    """The worst finding; not tested where some circuit was never fed, unsure where the ranking could not be asked."""
    verdicts = [each.verdict for each in found.findings]
    if found.ranked is None:
        verdicts.append(Verdict.UNSURE if measurements.readings else Verdict.NOT_TESTED)
    elif found.ranked.untested:
        verdicts.append(Verdict.NOT_TESTED)
    return worst([*verdicts, Verdict.PASS])
