"""One trailer in one bay: who it is, what was done and what was left out, what people said. It lives in the server.

A visit goes from station to station. The order is a suggestion: any station may be skipped with a reason or gone back
to. What is measured in it is a run of the session and in the records as soon as it was measured; what people add
(notes, photos, what was skipped, who signed) is added to the run's record.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from bench.profiles.model import Profile
from bench.results import Run, StepResult, Verdict, worst

Station = Literal["check-in", "cautions", "circuits", "findings", "lamps", "wiggle", "abs", "air", "retest", "sign"]
STATIONS: tuple[Station, ...] = (
    "check-in", "cautions", "circuits", "findings", "lamps", "wiggle", "abs", "air", "retest", "sign",
)  # fmt: skip
MOST_RUNS = 60
INSPECTED = ("inspect", "retest")


@dataclass(frozen=True, slots=True)
class Passed:
    """How a station was left."""

    how: Literal["done", "skipped"]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Remark:
    """What a person added.

    Attributes:
        about: a finding's key, a station's name, or "".
        photo: name of a picture kept with the record, or "".
    """

    number: int
    about: str
    text: str
    author: str
    written: str
    photo: str = ""


@dataclass(frozen=True, slots=True)
class Signature:
    """Who stands by the visit."""

    name: str
    written: str


@dataclass
class Visit:
    """What a bay knows of the trailer that is in it."""

    profile: Profile
    unit_number: str
    vin: str
    operator: str
    began: datetime
    passed: dict[Station, Passed] = field(default_factory=dict)
    runs: list[Run] = field(default_factory=list)
    told: list[Mapping[str, Any]] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    closed: set[str] = field(default_factory=set)
    signature: Signature | None = None
    kept: int = 0  # of the remarks, those that are in a record

    def take(self, run: Run, told: Mapping[str, Any]) -> None:
        """Keep a run that has ended, and what pages are told of it; its recordings are in its record."""
        self.runs = [*self.runs, run][-MOST_RUNS:]
        self.told = [*self.told, told][-MOST_RUNS:]

    @property
    def inspected(self) -> list[Run]:
        """Runs that judge."""
        return [run for run in self.runs if run.command in INSPECTED]

    @property
    def main(self) -> Run | None:
        """The newest inspection, whose record stands for the visit; else the newest run."""
        every = [run for run in self.runs if run.command == "inspect"] or self.runs
        return every[-1] if every else None

    def run_of(self, about: str) -> Run | None:
        """The run whose record a remark belongs to: the finding's own, else the visit's main one."""
        run_id = about.partition(":")[0]
        return next((run for run in self.runs if run.id == run_id), self.main)

    def verdict(self) -> Verdict:
        """Worst of the newest word on every step, and of findings that are still open."""
        newest: dict[str, Verdict] = {}
        for run in self.inspected:
            newest |= {step.step: step.verdict for step in run.steps}
        return worst(newest.values())

    def station(self) -> Station:
        """The first station that was not left yet."""
        return next((name for name in STATIONS if name not in self.passed), "sign")


def without_recordings(run: Run) -> Run:
    """The run with its recordings' names only."""
    return replace(run, steps=tuple(map(_bare, run.steps)))


def _bare(step: StepResult) -> StepResult:
    return replace(step, traces=tuple(replace(trace, columns={}) for trace in step.traces))


def finding_key(run_id: str, number: int) -> str:
    """What a note about the ``number``-th finding of a run is about."""
    return f"{run_id}:{number}"


def stations_of(profile: Profile) -> Sequence[Station]:
    """The stations that make sense for what is plugged in."""
    left_out: set[str] = set()
    if profile.air is None:
        left_out.add("air")
    if not any("abs" in (circuit.name + circuit.title).lower() for circuit in profile.circuits):
        left_out.add("abs")
    return [name for name in STATIONS if name not in left_out]
