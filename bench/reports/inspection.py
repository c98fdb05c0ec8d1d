"""The items of a periodic inspection report, from the run and from what a person says that the bench can't see.

Fields follow 49 CFR 396.21(a) (read second-hand); the groups of components follow Appendix A to Part 396 (from
memory beyond its first item). Local law or another inspection may ask for other ones. What a person answered is
marked as seen by a person, what the bench measured as measured, and what nobody looked at as not inspected.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from bench.errors import InputError
from bench.reports import words
from bench.results import Run

Answers = Mapping[str, str | float | bool]

FIELDS = {
    "inspector": "Inspected by",
    "qualification": "Qualified by (49 CFR 396.19)",
    "carrier": "Motor carrier operating the vehicle",
    "owner": "Owner, if another",
    "plate": "Plate or mark",
    "place": "Place",
}
COMPONENTS = {
    "brakes": "Brake system: linings, drums, rotors, hoses, chambers, adjusters",
    "coupling": "Coupling devices",
    "lighting": "Lamps and reflectors, as seen",
    "loading": "Safe loading, doors and tie-downs",
    "suspension": "Suspension",
    "frame": "Frame",
    "tires": "Tires",
    "wheels": "Wheels and rims",
    "rear-guard": "Rear impact guard",
}
RESULTS = {"pass": "In order", "fail": "Defective", "not-applicable": "Not fitted"}
_UNSEEN = "Not inspected"


@dataclass(frozen=True, slots=True)
class ComponentView:
    """One component: its result, in words, and who says so."""

    name: str
    result: str
    remark: str
    by: str


@dataclass(frozen=True, slots=True)
class InspectionView:
    """The inspection report: named fields, then components."""

    fields: tuple[tuple[str, str], ...]
    components: tuple[ComponentView, ...]


def check_answers(answers: Answers, label: str) -> None:
    """Refuse answers to what nobody asks.

    Raises:
        InputError: an unknown name, or a result that is none; names the known ones.
    """
    for name, answer in answers.items():
        if name in FIELDS:
            continue
        if name not in COMPONENTS:
            raise InputError(f"{label}: nothing is called {name!r}; known are {', '.join([*FIELDS, *COMPONENTS])}")
        if _split(answer)[0] not in RESULTS:
            raise InputError(f"{label}: {name}: say one of {', '.join(RESULTS)}, then a colon and a remark if need be")


def inspection_view(run: Run, answers: Answers) -> InspectionView:
    """The report of a run and a person's answers."""
    inspector = str(answers.get("inspector") or run.operator or "")
    given = {name: str(answers.get(name, "")) for name in FIELDS} | {"inspector": inspector}
    vehicle = {
        "Vehicle": " ".join(filter(None, (run.unit_number, run.profile))),
        "VIN": run.vin or "",
        "Date": words.when(run.started),
        "Tester, calibrated": f"{run.board.serial}, {run.board.calibrated or 'date not stated'}",
    }
    fields = tuple((title, given[name]) for name, title in FIELDS.items()) + tuple(vehicle.items())
    measured = tuple(
        ComponentView(step.title, words.VERDICT[step.verdict], step.reason or "", "measured by this bench")
        for step in run.steps
    )
    seen = tuple(_component(name, title, answers, inspector) for name, title in COMPONENTS.items())
    return InspectionView(fields, measured + seen)


def _component(name: str, title: str, answers: Answers, inspector: str) -> ComponentView:
    if name not in answers:
        return ComponentView(title, _UNSEEN, "", "nobody")
    result, remark = _split(answers[name])
    return ComponentView(title, RESULTS[result], remark, f"seen by {inspector or 'a person'}")


def _split(answer: str | float | bool) -> tuple[str, str]:
    if isinstance(answer, bool):
        return ("pass" if answer else "fail"), ""
    result, _, remark = str(answer).partition(":")
    return result.strip().lower().replace(" ", "-"), remark.strip()
