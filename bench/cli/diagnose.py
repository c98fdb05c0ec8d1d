"""``umbilical diagnose``: the electrical inference on stored readings, no board."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from bench.electrical import Conclusion
    from bench.judging import Earlier
    from bench.profiles.model import Measurements

MeasurementsFile = Annotated[
    str,
    typer.Argument(
        metavar="MEASUREMENTS.json",
        help="Readings, as `records export --format json` writes them; see profiles/README.md.",
    ),
]


def diagnose(
    readings: MeasurementsFile,
    baseline: opt.EarlierRecord = None,
    record: opt.Records = None,
    why: opt.Why = False,
    as_json: opt.Json = False,
) -> int:
    """Say what is wrong, where and how sure, from stored readings. What was not measured is not guessed.

    Exits as `inspect` does: 0 nothing is wrong; 1 something is; 2 unsure, or something was not measured.
    """
    from bench.cli import diagnosis_view, json_view, terminal
    from bench.cli.running import EXIT_CODE
    from bench.judging import earlier, judge, verdict_of
    from bench.profiles import load_measurements

    measurements = load_measurements(readings)
    known = earlier(baseline, measurements.profile, record) if baseline else None
    found = judge(measurements, known)
    verdict = verdict_of(found, measurements)
    if as_json:
        json_view.emit(_document(measurements, found, known))
    else:
        diagnosis_view.show(terminal.out(), measurements, found, verdict, why=why)
    return EXIT_CODE[verdict]


def _document(measurements: "Measurements", found: "Conclusion", known: "Earlier | None") -> dict[str, Any]:
    from bench import __version__
    from bench.cli import why_view
    from bench.cli.json_view import finding_document
    from bench.judging import verdict_of

    ranked = found.ranked
    return {
        "umbilical": __version__,
        "profile": measurements.profile.name,
        "verdict": verdict_of(found, measurements).value,
        "readings": len(measurements.readings),
        "baseline": known.record if known else None,
        "findings": [finding_document(each) for each in found.findings],
        "notes": list(found.notes),
        "untested": list(ranked.untested) if ranked else [],
        "misfit": ranked.misfit if ranked else None,
        "unexplained": ranked.unexplained if ranked else None,
        "tolerance_scale": ranked.tolerance_scale if ranked else None,
        "hypotheses": why_view.document(found.explanations),
    }
