"""What a session tells whoever watches: frozen, one class an event, times in board seconds."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from bench.results import Explanation, Finding, Run, StepResult, Verdict


@dataclass(frozen=True, slots=True)
class RunStarted:
    """A run has a record and a board."""

    run: Run
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cautioned:
    """A caution that belongs to the step about to start."""

    step: str
    text: str


@dataclass(frozen=True, slots=True)
class StepStarted:
    """A step begins."""

    step: str
    title: str
    number: int
    count: int


@dataclass(frozen=True, slots=True)
class Progress:
    """A live value inside a step."""

    step: str
    board_s: float
    text: str
    circuit: str | None = None
    current_a: float | None = None
    voltage_v: float | None = None


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What clear rules make of the readings so far; the diagnosis has the last word."""

    step: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Weighed:
    """What the diagnosis weighed, the likeliest first."""

    step: str
    explanations: tuple[Explanation, ...]


@dataclass(frozen=True, slots=True)
class Changed:
    """A circuit under watch changed, stamped by the board.

    Attributes:
        what: ``made`` or ``broke``: its contact; ``shorted`` or ``cleared``: its short; ``lit``: soft-started again.
        count: how many times this happened to this circuit in this run.
        mark: the place that the operator had named by then, or nothing.
    """

    step: str
    board_s: float
    circuit: str
    what: Literal["made", "broke", "shorted", "cleared", "lit"]
    count: int
    mark: str = ""


@dataclass(frozen=True, slots=True)
class LeakWatched:
    """What is known so far of the leak of a line that is being watched.

    Attributes:
        line: ``supply`` or ``service``.
        rate_pa_per_s, low_pa_per_s, high_pa_per_s: fall at 100 psi and its 95 % interval; None before an estimate.
        limit_pa_per_s: what is allowed; None without a limit.
        seconds_to_go: about how long a decision will take yet.
        verdict: once decided.
    """

    step: str
    board_s: float
    line: str
    pressure_pa: float | None
    rate_pa_per_s: float | None
    low_pa_per_s: float | None
    high_pa_per_s: float | None
    limit_pa_per_s: float | None
    seconds_to_go: float | None
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class StepEnded:
    """A step is in the record."""

    result: StepResult


@dataclass(frozen=True, slots=True)
class RunEnded:
    """The run is closed in the record; outputs are off."""

    run: Run


Event = (
    RunStarted | Cautioned | StepStarted | Progress | FirstLook | Weighed | Changed | LeakWatched | StepEnded | RunEnded
)
Listener = Callable[[Event], None]


def ignore(_: Event) -> None:
    """A listener that hears nothing."""
