"""What a session tells whoever watches: frozen, one class an event, times in board seconds."""

from collections.abc import Callable
from dataclasses import dataclass

from bench.results import Run, StepResult


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
class StepEnded:
    """A step is in the record."""

    result: StepResult


@dataclass(frozen=True, slots=True)
class RunEnded:
    """The run is closed in the record; outputs are off."""

    run: Run


Event = RunStarted | Cautioned | StepStarted | Progress | StepEnded | RunEnded
Listener = Callable[[Event], None]


def ignore(_: Event) -> None:
    """A listener that hears nothing."""
