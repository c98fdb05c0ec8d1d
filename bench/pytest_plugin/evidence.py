"""What the runs of one test have measured: as properties, as text, as files."""

import re
from pathlib import Path

from bench.events import Event, RunEnded
from bench.exports import PARTS, csv_table, measured
from bench.results import Run, StepResult, Verdict

LONGEST_NAME = 80


class Evidence:
    """Hears every run of a test.

    Args:
        properties: those of the test, as JUnit XML gets them.
        folder: where its files go, should it fail.
    """

    def __init__(self, properties: list[tuple[str, object]], folder: Path) -> None:
        self._folder = folder
        self.runs: list[Run] = []
        self._properties = properties

    def hear(self, event: Event) -> None:
        """Take a run that has ended."""
        if not isinstance(event, RunEnded):
            return
        self.runs.append(event.run)
        self._properties.append(("umbilical board", event.run.board.url))
        self._properties.append(("umbilical verdict", event.run.verdict.value))
        self._properties += [
            (f"{step.step}: {value.name}", measured(value)) for step in event.run.steps for value in step.values
        ]

    def text(self) -> str:
        """Every run: its steps, what did not pass, what was found."""
        return "\n".join(line for run in self.runs for line in _run_lines(run))

    def keep(self) -> Path:
        """Write values, findings and recordings of every run; to where."""
        for run in self.runs:
            place = self._folder / run.id
            place.mkdir(parents=True, exist_ok=True)
            for part in PARTS:
                (place / f"{part}.csv").write_text(csv_table(run, part), encoding="utf-8", newline="")
        return self._folder


def safe_name(text: str) -> str:
    """``text`` as the name of a folder."""
    return re.sub(r"[^\w.-]+", "-", text).strip("-")[-LONGEST_NAME:]


def _run_lines(run: Run) -> list[str]:
    why = f" ({run.reason})" if run.reason else ""
    head = f"{run.command} {run.profile} on {run.board.url}: {run.verdict.value}, {run.state}{why}"
    return [head, *(f"  {line}" for step in run.steps for line in _step_lines(step))]


def _step_lines(step: StepResult) -> list[str]:
    why = f" ({step.reason})" if step.reason else ""
    values = [value for value in step.values if value.verdict is not Verdict.PASS]
    return [
        f"{step.title}: {step.verdict.value}{why}",
        *(f"  {value.name}: {measured(value)}" for value in values),
        *(f"  {finding.explain}" for finding in step.findings),
        *(f"  recorded: {trace.name}" for trace in step.traces),
    ]
