"""What records cost: many runs listed, searched and verified; sustained writing; reports; writers killed.

    python -m tools.bench_records               10,000 runs, 20 kills
    python -m tools.bench_records --runs 1000   a tenth of it, for a quick look
    python -m tools.bench_records --kills 1000  with a whole campaign; a failure prints its seed

The runs are copies of one real inspection of the simulated trailer, with all its values, recordings, readings and its
profile, spread over 200 units. Writing is compared in the same run with bare sqlite3 that stores the same
packed samples, one durable transaction a step, taken in turns. Times are wall times; those of a whole command begin
with its process and end with it, and stand beside those of an interpreter that does nothing and beside the time
of the processor.
"""

import argparse
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

import bench
from bench import keeping
from bench.records import Store, chain, rows, tables
from bench.results import Run, StepResult, Trace, Verdict
from tools.kill_campaign import kill_once

ROOT = Path(__file__).resolve().parent.parent
COMMAND = (sys.executable, "-c", "import sys; from bench.cli import main; sys.exit(main())")
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


Act = tuple[str, int, chain.Bundle]  # kind, number, rows


def acts_of(run: Run, attachments: Mapping[str, bytes]) -> Iterator[Act]:
    """What a run with its files is made of, in the order of writing."""
    yield "run", 0, {"run": [rows.run_row(run)]}
    for no, (name, data) in enumerate(attachments.items()):
        yield "attachment", no, {"attachment": [rows.attachment_row(run.id, no, name, data)]}
    for no, step in enumerate(run.steps):
        yield "step", no, rows.step_bundle(run.id, no, step)
    yield "end", 0, {"run_end": [rows.end_row(run.id, "complete", run.duration_s, None)]}


def copies(run: Run, count: int) -> Iterator[Run]:
    """So many copies of a run, 40 minutes apart, spread over the units."""
    for number in range(count):
        started = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=40 * number)
        run_id = f"{started:%Y%m%d-%H%M%S}-{number % 1000:04}"
        yield replace(run, id=run_id, started=started.isoformat(), unit_number=f"TR-{number % UNITS:03}")


def fill(file: Path, run: Run, attachments: Mapping[str, bytes], count: int) -> None:
    """Write copies past the store, which would take a transaction a step; ``verify`` says whether they are right."""
    Store(file).close()
    connection = sqlite3.connect(file)
    waiting: dict[str, list[tuple[object, ...]]] = defaultdict(list)
    seq, link = 0, chain.GENESIS
    for number, copy in enumerate(copies(run, count), 1):
        for kind, no, bundle in acts_of(copy, attachments):
            seq, digests = seq + 1, chain.digests_of(bundle)
            own = chain.entry_hash(seq, kind, copy.id, no, digests, link)
            waiting["entry"].append((seq, kind, copy.id, no, chain.canonical(digests), link, own))
            link = own
            for table, of in bundle.items():
                names = [column.name for column in tables.metadata.tables[table].columns]
                waiting[table] += [tuple(row[name] for name in names) for row in of]
        if number % 200 == 0 or number == count:
            _insert(connection, waiting)
    connection.close()


def _insert(connection: sqlite3.Connection, waiting: dict[str, list[tuple[object, ...]]]) -> None:
    with connection:
        for table, of in waiting.items():
            if of:
                connection.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * len(of[0]))})", of)  # noqa: S608
    waiting.clear()


def many_runs(folder: Path, count: int) -> None:
    """List, history, due days, series and verify over ``count`` runs."""
    run, attachments = inspected(folder / "one.sqlite")
    made_s = timed_s(lambda: fill(folder / "many.sqlite", run, attachments, count))
    size = (folder / "many.sqlite").stat().st_size / 1e6
    print(f"{count} runs of {len(run.steps)} steps written in {made_s:.1f} s, {size:.0f} MB", flush=True)
    with Store(folder / "many.sqlite") as store:
        for name, action in {
            "list, newest 20": lambda: store.runs(20),
            "list of one unit": lambda: store.runs(20, "TR-007"),
            f"history of one unit ({count // UNITS} visits)": lambda: store.history("TR-007"),
            "due days of all units": store.inspected_units,
            "one value over all runs": lambda: store.series("tail current"),
        }.items():
            print(f"{name:32s} {statistics.median(timed_s(action) for _ in range(5)):.3f} s")
    record = str(folder / "many.sqlite")
    whole("an interpreter that does nothing", [sys.executable, "-c", "pass"])
    for words in (["list"], ["history", "TR-007"], ["list", "--find", "tail"], ["due", "--on", "2025-06-01"]):
        whole(f"umbilical records {' '.join(words)}", [*COMMAND, "records", *words, "--record", record])
    whole("umbilical records verify", [*COMMAND, "records", "verify", "--record", record], times=3)


def whole(name: str, command: Sequence[str], times: int = 5) -> None:
    """A command from the start of its process to its end; the fastest and the middle of several."""

    def once() -> None:
        done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=ROOT)
        if done.returncode not in (0, 1):
            raise SystemExit(f"{name}: {done.stderr.decode()}")

    used_s, took_s = [], []
    for _ in range(times):
        before_s = _children_s()
        took_s.append(timed_s(once))
        used_s.append(_children_s() - before_s)
    wall, cpu = (f"{min(each):.2f} (median {statistics.median(each):.2f}) s" for each in (took_s, used_s))
    print(f"{name:48s} wall {wall}, of processor {cpu}", flush=True)


def _children_s() -> float:
    """Processor time of the processes that this one began and that have ended: a busy machine adds little to it."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


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
    parser.add_argument("--kills", type=int, default=20)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        many_runs(folder, asked.runs)
        with Store(folder / "one.sqlite") as store:
            run = replace(store.load("last"), steps=())
        writing(folder, run)
        reports(folder / "one.sqlite")
    lost = [problem for seed in range(asked.kills) for problem in kill_once(seed)]
    print(f"{asked.kills} writers killed at random moments, {len(lost)} problems {lost[:3] or ''}")


if __name__ == "__main__":
    main()
