"""The end of a run on screen: the verdict first and large, then what was found, then where it is kept."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from rich.align import Align
from rich.box import DOUBLE, HEAVY
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bench import units
from bench.cli.letters import tall
from bench.cli.terminal import STYLE, WORD
from bench.results import (
    NEARLY_CERTAIN,
    Alternative,
    Evidence,
    Finding,
    Reexamined,
    Run,
    Severity,
    StepResult,
    Verdict,
    Where,
)
from bench.units import System

_EXPECTED = ", expected"
_LONGEST_LIST = 28  # characters, so that a finding's heading stays on one line
_SEVERITY: dict[Severity, str] = {"safety": "SAFETY", "defect": "DEFECT", "advice": "ADVICE"}
_SEVERITY_STYLE = {"safety": "bold red", "defect": "bold yellow", "advice": "bold"}


def show(console: Console, run: Run, kept: Iterable[tuple[str, str]] = (), system: System = "us") -> None:
    """Print the run's end; ``kept`` names what was written and where (``("record", ID)``)."""
    console.print()
    console.print(_banner(run, ascii_only=console.options.ascii_only))
    for number, finding in enumerate(run.findings, 1):
        console.print(finding_block(number, finding, system))
    untested = [step for step in run.steps if step.verdict in (Verdict.NOT_TESTED, Verdict.UNSURE)]
    if untested:
        console.print(_open_questions(untested))
    # A path is copied and pasted, so it may be longer than the line but is never broken.
    console.print(_closing(run, kept), soft_wrap=True)


def _banner(run: Run, *, ascii_only: bool) -> Panel:
    letters = Text(tall(WORD[run.verdict].upper(), "#" if ascii_only else "█"), style=STYLE[run.verdict])
    content = Group(Align.center(letters), Align.center(Text(f"\n{_summary(run)}", justify="center")))
    box = DOUBLE if run.verdict is Verdict.FAIL else HEAVY
    return Panel(content, box=box, border_style=STYLE[run.verdict], padding=(1, 2))


def _summary(run: Run) -> str:
    unit = f"{run.profile}, unit {run.unit_number}" if run.unit_number else run.profile
    counts = [f"{_count(run.steps, verdict)} {WORD[verdict]}" for verdict in Verdict if _count(run.steps, verdict)]
    lines = [unit, f"{_plural(len(run.steps), 'step')}: {', '.join(counts)}" if counts else "no step was made"]
    if run.state != "complete":
        lines.append(f"run {run.state}{': ' + run.reason if run.reason else ''}")
    severities = Counter(finding.severity for finding in run.findings)
    if severities:
        by_severity = ", ".join(f"{severities[name]} {name}" for name in _SEVERITY if severities[name])
        lines.append(f"{_plural(len(run.findings), 'finding')}: {by_severity}")
    return "\n".join(lines)


def _count(steps: Iterable[StepResult], verdict: Verdict) -> int:
    return sum(step.verdict is verdict for step in steps)


def _plural(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def finding_block(number: int, finding: Finding, system: System) -> RenderableType:
    """One finding: what, where, how bad, by which readings, what else it may be, what next."""
    heading = Text.assemble(
        (f"{number:>3}  ", "bold"),
        (_SEVERITY[finding.severity], _SEVERITY_STYLE[finding.severity]),
        (f"  {finding.kind.replace('-', ' ')}", "bold"),
        f"  ({_circuits(finding)})" if finding.circuits else "",
    )
    table = _block()
    table.add_row("", "what", finding.explain)
    if finding.where is not None:
        table.add_row("", "where", place(finding.where, system))
    table.add_row("", "how bad", _how_bad(finding, system))
    if finding.evidence:
        table.add_row("", "read", "; ".join(_evidence(finding.evidence, system)))
    if finding.alternatives:
        table.add_row("", "or else", "; ".join(_alternative(other, system) for other in finding.alternatives))
    table.add_row("", "next", Text(finding.next, style="bold"))
    return Padding(Group(heading, table), (1, 0, 0, 0))


def _evidence(evidence: Sequence[Evidence], system: System) -> Iterator[str]:
    """Each reading, with what it should be in brackets behind it."""
    expected = {each.name: each for each in evidence if each.name.endswith(_EXPECTED)}
    for each in evidence:
        if each.name in expected:
            continue
        usual = expected.get(each.name + _EXPECTED)
        beside = f" (expected {units.both(usual.value, usual.unit, system)})" if usual else ""
        yield f"{each.name}: {units.both(each.value, each.unit, system)}{beside}"


def _circuits(finding: Finding) -> str:
    named = ", ".join(finding.circuits)
    return named if len(named) <= _LONGEST_LIST else _plural(len(finding.circuits), "circuit")


def _block() -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(justify="right", min_width=3, style="bold")
    table.add_column(style="dim", no_wrap=True)
    table.add_column(ratio=1)
    return table


def place(where: Where, system: System = "us") -> str:
    """A place in words, with its distance in both unit systems when it is known."""
    noun = {"segment": "wire", "joint": "joint", "lamp": "lamp", "component": "part"}[where.place]
    text = f"{noun} {where.name}"
    if where.from_connector_m is not None:
        text += f", {units.both(where.from_connector_m, 'm', system)} from the connector"
    if where.plus_minus_m is not None:
        text += f", give or take {units.both(where.plus_minus_m, 'm', system)}"
    return text


def subject(each: Reexamined) -> str:
    """What a followup speaks of: ``lamp out (tail)``, or the step where no finding named it."""
    if each.finding is None:
        return each.step
    circuits = f" ({', '.join(each.finding.circuits)})" if each.finding.circuits else ""
    return f"{each.finding.kind.replace('-', ' ')}{circuits}"


def _how_bad(finding: Finding, system: System) -> str:
    sure = f"{finding.confidence:.0%} sure" if finding.confidence < NEARLY_CERTAIN else "over 99% sure"
    if finding.size is None:
        return sure
    if finding.size.unit == "lamps":
        return f"{_plural(round(finding.size.value), 'lamp')}, {sure}"
    if finding.size.unit == "1":
        return f"{finding.size.value:.0%} of what it should be, {sure}"
    return f"{units.both(finding.size.value, finding.size.unit, system)}, {sure}"


def _alternative(alternative: Alternative, system: System) -> str:
    where = f" at {place(alternative.where, system)}" if alternative.where else ""
    return f"{alternative.kind.replace('-', ' ')}{where} ({alternative.confidence:.0%})"


def _open_questions(steps: Iterable[StepResult]) -> RenderableType:
    table = _block()
    for step in steps:
        table.add_row("?", WORD[step.verdict], f"{step.title}{': ' + step.in_doubt if step.in_doubt else ''}")
    return Padding(table, (1, 0, 0, 0))


def _closing(run: Run, kept: Iterable[tuple[str, str]]) -> Text:
    lines = Text.assemble("\n     ", ("verdict  ", "dim"), (WORD[run.verdict], STYLE[run.verdict]))
    for name, text in kept:
        lines.append(f"\n     {name:<9}", style="dim")
        lines.append(text)
    lines.append(
        "\n\n     Evidence, not a certificate: a qualified person decides\n     whether the vehicle may go on the road."
    )
    return lines
