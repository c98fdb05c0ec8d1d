"""What a run produces: verdicts, values, findings, traces, step results, the run itself.

Standard library only and frozen: the runner makes them, records store them, reports and
exports read them. Field names follow the JSON that ``inspect --json`` prints.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

NEARLY_CERTAIN = 0.995  # beyond, a rounded percentage would promise too much


class Verdict(StrEnum):
    """Four, never a silent fifth."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    UNSURE = "unsure"
    NOT_TESTED = "not-tested"


_WORST_FIRST = (Verdict.FAIL, Verdict.UNSURE, Verdict.NOT_TESTED, Verdict.PASS)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Fail beats unsure beats not tested beats pass; nothing at all is not tested."""
    seen = set(verdicts)
    return next((verdict for verdict in _WORST_FIRST if verdict in seen), Verdict.NOT_TESTED)


FindingKind = Literal[
    "open", "short-to-ground", "overload", "cross-connection", "back-feed", "high-resistance",
    "lamp-out", "wrong-load", "ground-open", "ground-high-resistance", "short-to-supply",
    "intermittent", "abs-lamp", "abs-code", "abs-supply", "leak-supply", "leak-service",
    "slow-application", "slow-release", "over-stroke", "stroke-imbalance", "low-supply",
    "board-fault", "bad-cable", "unexplained",
]  # fmt: skip
Severity = Literal["safety", "defect", "advice"]
PlaceKind = Literal["segment", "joint", "lamp", "component"]


@dataclass(frozen=True, slots=True)
class Value:
    """One measured number beside its limits; ``source`` says where the limits come from."""

    name: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    verdict: Verdict = Verdict.PASS
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Where:
    """A place in the profile's own names; distances in metres along the wire from the connector."""

    place: PlaceKind
    name: str
    from_connector_m: float | None = None
    plus_minus_m: float | None = None


@dataclass(frozen=True, slots=True)
class Size:
    """How big a fault is."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """A reading behind a finding, one a technician can repeat with a meter."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another explanation that the measurements can't rule out."""

    kind: str
    where: Where | None
    confidence: float


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault (or advice) with its place, size, evidence, and what to do next.

    Attributes:
        confidence: probability that kind and circuits are right, 0..1.
        explain: plain English, for a technician.
        next: the next thing to do.
        source: the published source of the limit it rests on, when there is one.
    """

    kind: FindingKind
    circuits: tuple[str, ...]
    pins: tuple[int, ...]
    verdict: Verdict
    severity: Severity
    confidence: float
    explain: str
    next: str
    where: Where | None = None
    size: Size | None = None
    evidence: tuple[Evidence, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Explanation:
    """One set of faults that was weighed against the readings.

    Attributes:
        title: in words.
        kinds, circuits: of its faults that matter.
        log_evidence: log posterior odds against a sound harness.
        probability: its share among all that were weighed.
        deciding: the reading that speaks most for or against it.
    """

    title: str
    kinds: tuple[str, ...]
    circuits: tuple[str, ...]
    log_evidence: float
    probability: float
    deciding: str


@dataclass(frozen=True, slots=True)
class Trace:
    """An evenly sampled recording; every column has the same length.

    Attributes:
        name: for example ``inrush stop``.
        started_s: board clock of sample 0.
        columns: name with unit suffix (``current_a``) to samples.
    """

    name: str
    started_s: float
    dt_s: float
    columns: dict[str, tuple[float, ...]]


@dataclass(frozen=True, slots=True)
class StepResult:
    """What one step measured and concluded; times are board clock seconds.

    Attributes:
        step: the step's name, as ``--only`` takes it.
        reason: why it was not tested, or what narrowed it.
    """

    step: str
    title: str
    verdict: Verdict
    started_s: float
    duration_s: float
    values: tuple[Value, ...] = ()
    findings: tuple[Finding, ...] = ()
    traces: tuple[Trace, ...] = ()
    cautions: tuple[str, ...] = ()
    reason: str | None = None

    @property
    def in_doubt(self) -> str | None:
        """Why it is not simply passed: its own reason, else the names of the values that made it so."""
        if self.reason or self.verdict is Verdict.PASS:
            return self.reason
        named = ", ".join(value.name for value in self.values if value.verdict is self.verdict)
        words = "not measured" if self.verdict is Verdict.NOT_TESTED else "not as expected"
        return f"{words}: {named}" if named else None


@dataclass(frozen=True, slots=True)
class BoardInfo:
    """The board a run was made with, as the record keeps it."""

    url: str
    serial: str
    firmware: str
    contract: str
    channels: int
    calibrated: str


RunState = Literal["running", "complete", "stopped", "interrupted", "failed"]


@dataclass(frozen=True, slots=True)
class Run:
    """A whole run.

    Attributes:
        id: record id, a ULID-like sortable text.
        started: wall clock, ISO 8601 with offset.
        state: ``complete`` unless the operator stopped it, a fault ended it or it was cut.
        unit_number: the trailer's (or harness's) own number, free text.
    """

    id: str
    command: str
    profile: str
    started: str
    board: BoardInfo
    duration_s: float = 0.0
    state: RunState = "running"
    unit_number: str | None = None
    vin: str | None = None
    operator: str | None = None
    reason: str | None = None
    steps: tuple[StepResult, ...] = field(default=())

    @property
    def verdict(self) -> Verdict:
        """Worst of the steps; a run that did not complete never passes."""
        verdict = worst(step.verdict for step in self.steps)
        if self.state != "complete" and verdict is Verdict.PASS:
            return Verdict.NOT_TESTED
        return verdict

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, worst severity first, in the order of the steps."""
        order = {"safety": 0, "defect": 1, "advice": 2}
        every = (finding for step in self.steps for finding in step.findings)
        return tuple(sorted(every, key=lambda finding: order[finding.severity]))


# --- after a repair ---


@dataclass(frozen=True, slots=True)
class Compared:
    """One measured value before and after a repair; limits and verdict are those of after."""

    name: str
    unit: str
    before: float | None
    after: float | None
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Followup:
    """What a retest said of one finding; the newest word counts.

    Attributes:
        step_no: step of the finding in its record, counted from 0.
        finding_no: finding of the step; None for the step's values, where no finding named them.
        retest_id: the record that says so.
        reason: in plain words.
        written: ISO 8601 with offset; "" until it is stored.
    """

    step_no: int
    finding_no: int | None
    state: Literal["closed", "open"]
    retest_id: str
    reason: str
    evidence: tuple[Compared, ...] = ()
    written: str = ""


@dataclass(frozen=True, slots=True)
class Reexamined:
    """A followup beside what it speaks of: ``record`` is that of the finding; None stands for values of ``step``."""

    record: str
    step: str
    finding: Finding | None
    followup: Followup
