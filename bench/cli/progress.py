"""What a person sees while a run goes on: cautions before their step, a live line, one line a step."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console, Group
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench.cli.terminal import moves_cursor, verdict_text
from bench.events import Cautioned, Changed, Event, FirstLook, Progress, RunStarted, StepEnded, StepStarted
from bench.results import Run, StepResult

_REDRAWS_PER_S = 8
_BELLS = {"broke": 2, "shorted": 3}  # anything else that changes rings once
_BELLS_APART_S = 0.15  # nearer ones sound as one
_CHANGE_WORDS = {
    "made": "made contact again",
    "broke": "BROKE",
    "shorted": "SHORTED",
    "cleared": "short cleared",
    "lit": "soft-started, lit again",
}


class ProgressView:
    """Follow a run's events on a console; call it as the session's listener."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self._live: Live | None = None
        self._step: StepStarted | None = None

    @contextmanager
    def watching(self) -> Iterator["ProgressView"]:
        """Keep a live line at the bottom for as long as this lasts, where the console can."""
        if not moves_cursor(self.console):
            yield self
            return
        with Live(
            console=self.console,
            refresh_per_second=_REDRAWS_PER_S,
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        ) as self._live:
            yield self
        self._live = None

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Leave the bottom line to a question and its answer."""
        live = self._live
        if live is None:
            yield
            return
        live.stop()
        try:
            yield
        finally:
            live.start()

    def notice(self, text: str) -> None:
        """Show a remark that stops nothing."""
        self.console.print(remark("note", text, "dim"))

    def __call__(self, event: Event) -> None:
        """Show one event."""
        match event:
            case RunStarted():
                self.console.print(_opening(event.run))
            case Cautioned():
                self.console.print(remark("CAUTION", event.text, "bold yellow"))
            case StepStarted():
                self._step = event
                self._show(_live_line(event, None))
            case Progress() if self._step is not None:
                self._show(_live_line(self._step, event))
            case FirstLook():
                self.console.print(remark("note", first_look(event), "dim"))
            case Changed():
                self.console.print(_change_line(event))
                self._ring(_BELLS.get(event.what, 1))
            case StepEnded():
                self._show(Text(""))
                self.console.print(_step_line(self._step, event.result))

    def _ring(self, times: int) -> None:
        """Sound the bell, for who looks at the wire and not at the screen."""
        if moves_cursor(self.console):
            loop = asyncio.get_running_loop()
            for number in range(times):
                loop.call_later(number * _BELLS_APART_S, self.console.bell)

    def _show(self, lines: Group | Text) -> None:
        if self._live is not None:
            self._live.update(lines)


def _opening(run: Run) -> Text:
    unit = f", unit {run.unit_number}" if run.unit_number else ""
    board = f"{run.board.serial} at {run.board.url}" if run.board.serial else run.board.url
    return Text.assemble((run.profile, "bold"), unit, "\n", (f"board {board}, record {run.id}", "dim"), "\n")


def remark(word: str, text: str, style: str) -> Padding:
    """A word at the margin and a text beside it that wraps there."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style=style, width=len("CAUTION"))
    table.add_column()
    table.add_row(word, text)
    return Padding(table, (0, 0, 0, 1))


def first_look(event: FirstLook) -> str:
    """What clear rules saw, as long as nothing better is known."""
    seen = [f"{each.kind.replace('-', ' ')} ({', '.join(each.circuits) or 'bench'})" for each in event.findings]
    return f"at first look: {'; '.join(seen)}"


def _position(step: StepStarted | None) -> str:
    if step is None:
        return ""
    return f"{step.number:>2}/{step.count}" if step.count else f"{step.number:>2}"


def _live_line(step: StepStarted, progress: Progress | None) -> Group:
    heading = Text(f" {_position(step)}  {step.title} ...", style="bold", overflow="ellipsis", no_wrap=True)
    detail = Text(f"        {_reading(progress)}" if progress else "", overflow="ellipsis", no_wrap=True)
    return Group(heading, detail)


def _reading(progress: Progress) -> str:
    parts = [progress.circuit or "", progress.text]
    if progress.current_a is not None:
        parts.append(f"{progress.current_a:6.2f} A")
    if progress.voltage_v is not None:
        parts.append(f"{progress.voltage_v:6.2f} V")
    return "  ".join(part for part in parts if part)


def _change_line(event: Changed) -> Text:
    style = "bold red" if event.what in _BELLS else "bold green"
    return Text.assemble(
        f" {event.board_s:10.3f} s  {event.circuit:<16} ",
        (_CHANGE_WORDS[event.what], style),
        f"  ({event.count})",
        f"  at {event.mark}" if event.mark else "",
    )


def _step_line(step: StepStarted | None, result: StepResult) -> Table:
    line = Table.grid(padding=(0, 1), expand=True)
    line.add_column(width=6, justify="right")
    line.add_column(ratio=1)
    line.add_column(width=10)
    line.add_column(width=9, justify="right")
    title = Text(result.title)
    if result.reason:
        title.append(f"\n{result.reason}", style="dim")
    line.add_row(_position(step), title, verdict_text(result.verdict), f"{result.duration_s:.1f} s")
    return line
