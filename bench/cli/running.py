"""What every command that makes a run does around it: loop, signals, record, report, verdict, exit code."""

import asyncio
import signal
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Sequence
from contextlib import AbstractAsyncContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from rich.console import RenderableType

from bench import app, keeping
from bench.cli import ask, json_view, terminal, verdict_view, why_view
from bench.cli.progress import ProgressView
from bench.errors import BenchError, BoardFault, InputError, Stopped
from bench.events import Event, RunEnded, Weighed
from bench.link import parse_board_url
from bench.profiles import load_answers, load_profile
from bench.records.location import default_path
from bench.results import Explanation, Run, Verdict
from bench.units import System
from bench.vin import doubt
from bench.wall_time import run_wall

if TYPE_CHECKING:
    from bench.mqtt.broadcast import Broadcast
    from bench.reports import Paper

T = TypeVar("T")

EXIT_CODE = {Verdict.PASS: 0, Verdict.FAIL: 1, Verdict.UNSURE: 2, Verdict.NOT_TESTED: 2}


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the options of a command ask for besides the run itself."""

    board: str
    record: str | None = None
    report: str | None = None
    as_json: bool = False
    answers: str | None = None
    yes: bool = False
    vin: str | None = None
    why: bool = False
    broker: str | None = None
    broker_key: str | None = None


def on_loop(url: str, work: Callable[[], Awaitable[T]]) -> T:
    """Run ``work`` on the loop that suits the board, until it ends or the operator stops it.

    Raises:
        Stopped: interrupted or terminated; ``work`` was cancelled and has cleaned up.
    """
    return app.run(url, lambda: _until_stopped(work))


def serving(work: Callable[[], Awaitable[None]]) -> None:
    """Run ``work`` in wall time until the operator stops it.

    Raises:
        Stopped: as always.
    """
    run_wall(_until_stopped(work))


async def _until_stopped(work: Callable[[], Awaitable[T]]) -> T:
    loop = asyncio.get_running_loop()
    task = asyncio.current_task()
    asked: list[int] = []

    def stop(number: int) -> None:
        # Only the first one cancels: an impatient second must not cut switching off short.
        if not asked and task is not None:
            task.cancel()
        asked.append(number)

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop, number)
    try:
        return await work()
    except asyncio.CancelledError:
        if asked:
            raise Stopped("stopped by the operator; outputs are off") from None
        raise
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


@dataclass(frozen=True, slots=True)
class Told:
    """What a command has to say of a run besides the run itself.

    Attributes:
        document: goes into the JSON document.
        shown: printed after the run's end.
    """

    document: dict[str, Any]
    shown: Sequence[RenderableType] = ()


def make_run(
    wishes: Wishes,
    work: Callable[[app.Session], Coroutine[Any, Any, Run]],
    then: Callable[[Run], Told] = lambda _: Told({}),
) -> int:
    """Make a run with ``work`` in a session, show its end, and give the exit code.

    Args:
        wishes: the command's options.
        work: makes the run.
        then: is given the closed run, before its report is written.

    Raises:
        BenchError: what ended the run early; what it had measured is shown and recorded all the same.
    """
    _warn_of_vin(wishes.vin)
    check_report(wishes.report)
    made = _Made(wishes, then)
    try:
        with made.view.watching(), made.broadcasting():
            run = on_loop(wishes.board, lambda: made.session(work))
    except BenchError as error:
        if made.ended is None:
            raise
        made.show(made.ended)
        if isinstance(error, BoardFault):
            terminal.err().print(f"umbilical: {error}", soft_wrap=True)
            return EXIT_CODE[made.ended.verdict]
        raise
    made.show(run)
    return EXIT_CODE[run.verdict]


class _Made:
    """One run being made: how it is watched, and how it ended."""

    def __init__(self, wishes: Wishes, then: Callable[[Run], Told]) -> None:
        self._then = then
        self.view = ProgressView(terminal.err())
        self.ended: Run | None = None
        self._weighed: tuple[Explanation, ...] = ()
        self._wishes = wishes
        self._broadcast: Broadcast | None = None
        self._record = wishes.record or str(default_path())

    async def session(self, work: Callable[[app.Session], Coroutine[Any, Any, Run]]) -> Run:
        async with self._connected() as session:
            return await work(session)

    def _connected(self) -> AbstractAsyncContextManager[app.Session]:
        wishes = self._wishes
        simulated = parse_board_url(wishes.board).scheme == "sim"
        return app.connect(
            wishes.board,
            record=self._record,
            tell=self._tell,
            notice=self.view.notice,
            operator=None if simulated else ask.operator(self.view.console, yes=wishes.yes, pause=self.view.paused),
            answers=load_answers(wishes.answers) if wishes.answers else None,
            companion=self._broadcast.companion if self._broadcast else None,
        )

    @contextmanager
    def broadcasting(self) -> Iterator[None]:
        """Tell a broker, where one was named, for as long as the block lasts."""
        if self._wishes.broker is None:
            yield
            return
        from bench.mqtt import check_installed

        check_installed()
        from bench.mqtt.broadcast import broadcast

        with broadcast(self._wishes.broker, self._wishes.broker_key, self.view.notice) as self._broadcast:
            yield

    def _tell(self, event: Event) -> None:
        if isinstance(event, RunEnded):
            self.ended = event.run
        if isinstance(event, Weighed):
            self._weighed = event.explanations
        if self._broadcast is not None:
            self._broadcast.tell(event)
        self.view(event)

    def show(self, run: Run) -> None:
        kept = [("record", run.id), ("kept in", self._record)]
        told = self._then(run)
        if self._wishes.report:
            write_report(run.id, self._record, self._wishes.report)
            kept.append(("report", str(Path(self._wishes.report).absolute())))
        if self._wishes.as_json:
            why = {"hypotheses": why_view.document(self._weighed)} if self._wishes.why else {}
            json_view.emit(json_view.run_document(run) | why | told.document)
        else:
            verdict_view.show(terminal.out(), run, kept, units_of(run))
            if self._wishes.why:
                terminal.out().print(why_view.table(self._weighed))
            for each in told.shown:
                terminal.out().print(each)


def units_of(run: Run) -> System:
    """Which units come first for a run: those of its profile, if that is still known."""
    return units_of_profile(run.profile)


def units_of_profile(name: str) -> System:
    """Which units come first where a record names a profile."""
    try:
        return load_profile(name).units
    except InputError:
        return "us"


def _warn_of_vin(vin: str | None) -> None:
    if vin and (text := doubt(vin)):
        terminal.err().print(f"note: {text}")


REPORTS = (".html", ".pdf")


def check_report(report: str | None) -> None:
    """Refuse a report that can't be written before anything is powered, not after.

    Raises:
        InputError: another kind of file, no such folder, or what a PDF needs is missing.
        RecordError: the file can't be written.
    """
    if report is None:
        return
    kind = Path(report).suffix.lower()
    if kind not in REPORTS:
        raise InputError(f"{report}: a report is an .html or a .pdf file")
    if not Path(report).absolute().parent.is_dir():
        raise InputError(f"{report}: there is no folder {Path(report).absolute().parent}")
    if kind == ".pdf":
        from bench.reports.pdf import check_installed

        check_installed()
    keeping.check_writable(Path(report))


def write_report(record_id: str, location: str | None, file: str, paper: "Paper | None" = None) -> None:
    """Write the report of a record.

    Raises:
        RecordError: the file can't be written.
    """
    if Path(file).suffix.lower() == ".pdf":
        page = keeping.report_pdf(record_id, location, paper)
    else:
        page = keeping.report_html(record_id, location).encode()
    with keeping.writing(Path(file)):
        Path(file).write_bytes(page)
