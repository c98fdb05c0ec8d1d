"""What a run is doing, from its events: what a page shows while it goes on."""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from bench.events import Cautioned, Changed, Event, FirstLook, LeakWatched, Progress, RunStarted, StepEnded, StepStarted
from bench.reports import words
from bench.results import Finding

MOST_CHANGES = 40
MOST_FOUND = 60


@dataclass
class Doing:
    """A run while it goes on.

    Attributes:
        command: which kind of run.
        seconds: how long each circuit of a walk-round is lit.
        circuits: what was asked to be powered.
    """

    command: str
    seconds: float | None = None
    circuits: tuple[str, ...] = ()
    run_id: str = ""
    steps: tuple[str, ...] = ()
    step: dict[str, Any] | None = None
    cautions: list[str] = field(default_factory=list)
    progress: dict[str, Any] | None = None
    circuit: str | None = None
    circuit_since_s: float = 0.0
    done: list[dict[str, Any]] = field(default_factory=list)
    found: list[dict[str, Any]] = field(default_factory=list)
    changes: deque[dict[str, Any]] = field(default_factory=lambda: deque(maxlen=MOST_CHANGES))
    changed: int = 0
    leaks: dict[str, dict[str, Any]] = field(default_factory=dict)

    def take(self, event: Event) -> None:
        """One event more."""
        match event:
            case RunStarted():
                self.run_id, self.steps = event.run.id, event.steps
            case Cautioned():
                self.cautions = [*(text for text in self.cautions if text != event.text), event.text]
            case StepStarted():
                self.step = {"name": event.step, "title": event.title, "number": event.number, "count": event.count}
                self.progress, self.leaks = None, {}
            case Progress():
                self._progress(event)
            case Changed():
                self._change(event)
            case LeakWatched():
                self.leaks[event.line] = _leak(event)
            case FirstLook():
                self._find(event.findings)
            case StepEnded():
                self._ended(event)
            case _:
                pass

    def _progress(self, event: Progress) -> None:
        if event.circuit != self.circuit:
            self.circuit, self.circuit_since_s = event.circuit, event.board_s
        self.progress = {
            "text": event.text,
            "circuit": event.circuit,
            "a": event.current_a,
            "v": event.voltage_v,
            "u": event.board_s,
        }

    def _change(self, event: Changed) -> None:
        self.changed += 1
        self.changes.append(
            {
                "n": self.changed,
                "u": event.board_s,
                "circuit": event.circuit,
                "what": event.what,
                "count": event.count,
                "mark": event.mark,
            }
        )

    def _ended(self, event: StepEnded) -> None:
        result = event.result
        self.cautions = []
        self.done = [
            *self.done,
            {
                "step": result.step,
                "title": result.title,
                "verdict": result.verdict.value,
                "reason": result.reason or "",
            },
        ][-MOST_FOUND:]
        self._find(result.findings)

    def _find(self, findings: Iterable[Finding]) -> None:
        """What was seen so far; the diagnosis says it better."""
        for each in findings:
            told = {"title": words.kind_title(each.kind), "severity": each.severity, "circuits": list(each.circuits)}
            if told not in self.found:
                self.found = [*self.found, told][-MOST_FOUND:]

    @property
    def shown(self) -> dict[str, Any]:
        """For pages."""
        return {
            "command": self.command,
            "seconds": self.seconds,
            "circuits": list(self.circuits),
            "run": self.run_id,
            "steps": list(self.steps),
            "step": self.step,
            "cautions": self.cautions,
            "progress": self.progress,
            "circuit": self.circuit,
            "since": self.circuit_since_s,
            "done": self.done,
            "found": self.found,
            "changes": list(self.changes),
            "leaks": self.leaks,
        }


def _leak(event: LeakWatched) -> dict[str, Any]:
    """Rates in Pa/min, which pages turn into the profile's unit."""

    def per_min(rate: float | None) -> float | None:
        return None if rate is None else rate * 60

    return {
        "u": event.board_s,
        "pa": event.pressure_pa,
        "rate": per_min(event.rate_pa_per_s),
        "low": per_min(event.low_pa_per_s),
        "high": per_min(event.high_pa_per_s),
        "limit": per_min(event.limit_pa_per_s),
        "to_go": event.seconds_to_go,
        "verdict": event.verdict.value if event.verdict else None,
    }
