"""From the session's events to messages."""

from bench.events import (
    Cautioned,
    Changed,
    Event,
    Progress,
    RunEnded,
    RunStarted,
    StepEnded,
    StepStarted,
)
from bench.mqtt.messages import EventMessage, FindingMessage, MeasurementMessage, VerdictMessage
from bench.mqtt.publisher import Publisher
from bench.results import Run, StepResult


class Teller:
    """A listener of a session that tells the broker."""

    def __init__(self, publisher: Publisher) -> None:
        self._publisher = publisher
        self._bench = publisher.url.bench
        self._run = ""
        self._sent = ""

    def __call__(self, event: Event) -> None:
        """Tell one event; never waits."""
        self._sent = self._publisher.now().isoformat(timespec="milliseconds")
        match event:
            case RunStarted(run):
                self._run = run.id
                self._publisher.state("running", run=run.id, profile=run.profile, board=run.board.serial, step=None)
            case StepStarted(step, title):
                self._publisher.state("running", step=step)
                self._happened("step", title)
            case Cautioned(_, text):
                self._happened("caution", text)
            case Progress():
                self._live(event)
            case Changed():
                self._happened(event.what, f"{event.circuit} {event.what}, {event.count}", event.board_s)
            case StepEnded(result):
                self._judged(result)
            case RunEnded(run):
                self._ended(run)
            case _:
                return

    def _happened(self, what: str, text: str, board_s: float | None = None) -> None:
        message = EventMessage(
            bench=self._bench, sent=self._sent, run=self._run or None, what=what, text=text, board_s=board_s
        )
        self._publisher.put("event", message)

    def _live(self, event: Progress) -> None:
        if event.circuit is None:
            return
        for name, value, unit in (("current", event.current_a, "A"), ("voltage", event.voltage_v, "V")):
            if value is not None:
                message = MeasurementMessage(
                    bench=self._bench, sent=self._sent, run=self._run, step=event.step,
                    name=f"{event.circuit} {name}", value=value, unit=unit, board_s=event.board_s,
                )  # fmt: skip
                self._publisher.put("measurement", message, passing=True)

    def _judged(self, result: StepResult) -> None:
        for value in result.values:
            message = MeasurementMessage(
                bench=self._bench, sent=self._sent, run=self._run, step=result.step, name=value.name,
                value=value.value, unit=value.unit, low=value.low, high=value.high,
                verdict=value.verdict.value, source=value.source,
            )  # fmt: skip
            self._publisher.put("measurement", message, passing=True)
        for finding in result.findings:
            found = FindingMessage(bench=self._bench, sent=self._sent, run=self._run, step=result.step, finding=finding)
            self._publisher.put("finding", found)

    def _ended(self, run: Run) -> None:
        verdict = VerdictMessage(
            bench=self._bench, sent=self._sent, run=run.id, command=run.command, profile=run.profile,
            unit_number=run.unit_number, verdict=run.verdict.value, state=run.state, started=run.started,
            duration_s=run.duration_s, findings=len(run.findings), reason=run.reason,
        )  # fmt: skip
        self._publisher.put("verdict", verdict, retain=True)
        self._publisher.state("idle", run=None, profile=None, step=None)
