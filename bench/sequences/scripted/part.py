"""A part of a script, while it goes on: what will be one step of the record."""

from dataclasses import dataclass, field

from bench.results import StepResult, Trace, Value, Verdict, worst
from bench.sequences.scripted.tally import Tally

MOST_TRACES = 20
MOST_REASONS = 20
MOST_NAMES = 500


@dataclass
class Part:
    """Values, recordings and remarks so far; memory is bounded however long it goes on.

    Attributes:
        ended: the verdict of a ``stop`` in it.
    """

    name: str
    title: str
    began_s: float
    now_s: float = 0.0
    tallies: dict[str, Tally] = field(default_factory=dict)
    traces: list[Trace] = field(default_factory=list)
    reasons: dict[str, None] = field(default_factory=dict)
    cautions: list[str] = field(default_factory=list)
    ended: Verdict | None = None

    @property
    def empty(self) -> bool:
        """Whether there is nothing to put into the record."""
        return not (self.tallies or self.traces or self.reasons or self.ended)

    def add(self, value: Value, x: float = 0.0) -> None:
        """Take a measured value."""
        tally = self.tallies.get(value.name)
        if tally is None:
            if len(self.tallies) >= MOST_NAMES:
                self.remark(f"more than {MOST_NAMES} values have names of their own; the rest is left out")
                return
            tally = self.tallies[value.name] = Tally(value)
        tally.add(value, x)

    def keep(self, trace: Trace) -> None:
        """Take a recording."""
        if len(self.traces) < MOST_TRACES:
            self.traces.append(trace)
        else:
            self.remark(f"the first {MOST_TRACES} recordings are kept")

    def remark(self, text: str) -> None:
        """Take a remark; the same one counts once."""
        if len(self.reasons) < MOST_REASONS:
            self.reasons[text] = None

    def result(self, cut_short: str | None = None) -> StepResult:
        """The step as it stands in the record."""
        verdicts = [tally.verdict for tally in self.tallies.values()] + ([self.ended] if self.ended else [])
        reasons = [*([cut_short] if cut_short else []), *self.reasons]
        return StepResult(
            self.name,
            self.title,
            worst(verdicts),
            self.began_s,
            max(self.now_s - self.began_s, 0.0),
            tuple(value for tally in self.tallies.values() for value in tally.values()),
            traces=tuple(self.traces),
            cautions=tuple(self.cautions),
            reason="; ".join(reasons) or None,
        )
