"""What records cost: many runs listed, searched and verified; sustained writing; reports.

    python -m tools.bench_records               10,000 runs
    python -m tools.bench_records --runs 1000   a tenth of it, for a quick look

The runs are copies of one real inspection of the simulated trailer, with all its values, recordings, readings and its
profile, spread over 200 units. Writing is compared in the same run with bare sqlite3 that stores the same
packed samples, one durable transaction a step, taken in turns. Times are wall times of this process.
"""

import argparse
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

import bench
from bench import keeping
from bench.records import Store, rows
from bench.records.archive import SPOOL, spool_line
from bench.results import Run, StepResult, Trace, Verdict

UNITS = 200
STEPS = 30
SAMPLES = 50_000  # of each of two columns, a step


def timed_s(action: Callable[[], object]) -> float:
    """One run of ``action``."""
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def inspected(file: Path) -> tuple[Run, Mapping[str, bytes]]:
    """One real inspection with faults, and what is kept beside it."""

    async def inspect() -> Run:
        async with bench.connect("sim:two-faults", record=file) as session:
            return await session.inspect("tandem-53ft-filament", unit_number="TR-000")

    run = bench.run_virtual(inspect())
    with Store(file) as store:
        return store.load(run.id), store.attachments(run.id)


def copies(run: Run, attachments: Mapping[str, bytes], count: int) -> Iterator[str]:
    """The lines of a spool with ``count`` copies of a run, 40 minutes apart."""
    yield f'{{"format":"{SPOOL}"}}\n'
    for number in range(count):
        started = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=40 * number)
        run_id = f"{started:%Y%m%d-%H%M%S}-{number % 1000:04}"
        unit = f"TR-{number % UNITS:03}"
        header = replace(run, id=run_id, started=started.isoformat(), unit_number=unit)
        yield spool_line("run", run_id, 0, {"run": [rows.run_row(header)]})
        for no, (name, data) in enumerate(attachments.items()):
            yield spool_line("attachment", run_id, no, {"attachment": [rows.attachment_row(run_id, no, name, data)]})
        for no, step in enumerate(run.steps):
            yield spool_line("step", run_id, no, rows.step_bundle(run_id, no, step))
        yield spool_line("end", run_id, 0, {"run_end": [rows.end_row(run_id, "complete", run.duration_s, None)]})


def many_runs(folder: Path, count: int) -> None:
    """List, history, due days, series and verify over ``count`` runs."""
    run, attachments = inspected(folder / "one.sqlite")
    with Store(folder / "many.sqlite") as store:
        made_s = timed_s(lambda: store.take_in(copies(run, attachments, count), "copies"))
        print(f"{count} runs taken in in {made_s:.1f} s, {(folder / 'many.sqlite').stat().st_size / 1e6:.0f} MB")
        for name, action in {
            "list, newest 20": lambda: store.runs(20),
            "list of one unit": lambda: store.runs(20, "TR-007"),
            f"history of one unit ({count // UNITS} visits)": lambda: store.history("TR-007"),
            "due days of all units": store.inspected_units,
            "one value over all runs": lambda: store.series("tail current"),
        }.items():
            print(f"{name:32s} {statistics.median(timed_s(action) for _ in range(5)):.3f} s")
        print(f"{'verify':32s} {timed_s(lambda: expect_sound(store)):.2f} s")


def expect_sound(store: Store) -> None:
    """Verify, and give up when something is wrong."""
    problems = store.verify()
    if problems:
        raise SystemExit(f"the chain is not sound: {problems[0]}")


def noisy_step(number: int) -> StepResult:
    """A step with a recording of two noisy columns."""
    rng = np.random.default_rng(number)
    columns = {name: tuple(rng.normal(2, 0.05, SAMPLES).tolist()) for name in ("current_a", "voltage_v")}
    return StepResult("drive", f"Step {number}", Verdict.PASS, 0.0, 1.0, (), (), (Trace("t", 0.0, 1e-4, columns),))


def writing(folder: Path, run: Run) -> None:
    """Samples a second through the store, beside bare sqlite3, in turns."""
    steps = [noisy_step(number) for number in range(STEPS)]
    bare = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    bare.execute("PRAGMA journal_mode=WAL")
    bare.execute("PRAGMA synchronous=FULL")
    bare.execute("CREATE TABLE trace_column (step_no, no, name, samples, data)")
    ours_s = bare_s = 0.0
    with Store(folder / "ours.sqlite") as store:
        store.begin(run)
        for number, step in enumerate(steps):
            ours_s += timed_s(lambda step=step: store.add_step(run.id, step))  # type: ignore[misc]
            bare_s += timed_s(lambda step=step, number=number: write_bare(bare, number, step))  # type: ignore[misc]
    bare.close()
    samples = STEPS * 2 * SAMPLES
    print(f"sustained writing: {samples / ours_s:,.0f} samples/s, bare sqlite3 {samples / bare_s:,.0f}/s, "
          f"ratio {bare_s / ours_s:.2f}")  # fmt: skip


def write_bare(connection: sqlite3.Connection, number: int, step: StepResult) -> None:
    """The same samples, packed the same way, in one durable transaction."""
    connection.execute("BEGIN IMMEDIATE")
    for no, (name, samples) in enumerate(step.traces[0].columns.items()):
        row = (number, no, name, len(samples), rows.pack(samples))
        connection.execute("INSERT INTO trace_column VALUES (?, ?, ?, ?, ?)", row)
    connection.execute("COMMIT")


def reports(file: Path) -> None:
    """One report of each kind; the first PDF loads its library."""
    html_s = statistics.median(timed_s(lambda: keeping.report_html("last", file)) for _ in range(3))
    first_s = timed_s(lambda: keeping.report_pdf("last", file))
    pdf_s = timed_s(lambda: keeping.report_pdf("last", file))
    print(f"report: HTML {html_s:.2f} s, PDF {pdf_s:.2f} s (the first {first_s:.2f} s)")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=10_000)
    count = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        many_runs(folder, count)
        with Store(folder / "one.sqlite") as store:
            run = replace(store.load("last"), steps=())
        writing(folder, run)
        reports(folder / "one.sqlite")


if __name__ == "__main__":
    main()
