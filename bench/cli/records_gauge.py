"""``umbilical records gauge``: how much of a measured value is the measuring."""

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli import options as opt

if TYPE_CHECKING:
    from bench.records.gauge import GaugeStudy

MOST_RUNS = 100_000


def gauge(
    name: Annotated[str, typer.Argument(metavar="VALUE", help="Name of a value, for example 'contact of pin 2'.")],
    profile: Annotated[str | None, typer.Option("--profile", metavar="NAME", help="Only of this profile.")] = None,
    record: opt.Records = None,
    as_json: opt.Json = False,
) -> int:
    """Show repeatability and reproducibility of a value.

    Parts go by their unit number; every operator must have measured every part equally often.
    """
    from dataclasses import asdict

    from bench.cli import json_view, terminal
    from bench.errors import InputError
    from bench.records import SeriesQuery, Store
    from bench.records.gauge import crossed, gauge_study

    with Store(record, create=False) as store:
        points = [point for point in store.series(name, SeriesQuery(profile=profile)) if point.unit_number]
        operators = {run.id: run.operator for run in store.runs(limit=MOST_RUNS)}
    if not points:
        raise InputError(f"no value {name!r} of a unit with a number is there; `umbilical records show ID` lists names")
    values = [(str(each.unit_number), operators.get(each.run_id) or "nobody", each.value) for each in points]
    study = gauge_study(crossed(values))
    if as_json:
        shares = {"gauge": study.gauge, "total": study.total, "share": study.share, "categories": study.categories}
        json_view.emit({"value": name, "unit": points[-1].unit, "values": len(values), **asdict(study), **shares})
    else:
        terminal.print_rows(terminal.out(), _words(name, points[-1].unit, len(values), study))
    return 0


def _words(name: str, unit: str, count: int, study: "GaugeStudy") -> dict[str, str]:
    def part(deviation: float) -> str:
        share = deviation / study.total if study.total else 0.0
        return f"{deviation:.4g} {unit}, {100 * share:.1f} % of all variation"

    chance = study.interaction.chance
    parts, operators = study.parts.freedom + 1, study.operators.freedom + 1
    return {
        "value": name,
        "measured": f"{count} values of {parts} parts by {operators} operators",
        "repeatability": part(study.repeatability),
        "reproducibility": part(study.reproducibility),
        "both": part(study.gauge),
        "part to part": part(study.part_to_part),
        "categories": f"{study.categories:.1f} can be told apart; at least 5 are wanted (common practice)",
        "interaction": "none to speak of" if chance is None or chance > 0.05 else f"significant ({chance:.2g})",
    }
