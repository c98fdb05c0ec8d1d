"""Runs for the store's tests: a fixed small one, and every shape of one that hypothesis can think of."""

from typing import get_args

import numpy as np
from hypothesis import strategies as st

from bench.results import (
    Alternative,
    BoardInfo,
    Evidence,
    Finding,
    FindingKind,
    PlaceKind,
    Run,
    RunState,
    Severity,
    Size,
    StepResult,
    Trace,
    Value,
    Verdict,
    Where,
)

BOARD = BoardInfo("sim:", "SIM-0001", "1.0.0", "1.0", 7, "2026-01-05")


def small_step(number: int = 0, verdict: Verdict = Verdict.PASS) -> StepResult:
    value = Value("stop current", 2.1, "A", 1.5, 2.6, verdict, "lamp ratings, tolerance 10 %")
    trace = Trace("inrush stop", float(number), 0.001, {"current_a": (0.0, 6.0, 3.5), "voltage_v": (12.5, 11.0, 12.0)})
    return StepResult(f"step-{number}", f"Step {number}", verdict, float(number), 1.5, (value, value), (), (trace,))


def small_run(run_id: str = "20260112-143015-7k2m", **changes: object) -> Run:
    fields = {"unit_number": "T-104", "vin": None, "started": "2026-01-12T14:30:15+00:00"} | changes
    return Run(id=run_id, command="inspect", profile="tandem-53ft", board=BOARD, **fields)


texts = st.text(max_size=20)
reals = st.floats(allow_nan=False)
maybe = st.none() | reals
verdicts = st.sampled_from(Verdict)
single = st.floats(allow_nan=False, width=32)
wheres = st.none() | st.builds(Where, st.sampled_from(get_args(PlaceKind)), texts, maybe, maybe)


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    count = draw(st.integers(0, 20))
    samples = st.lists(single, min_size=count, max_size=count).map(tuple)
    return Trace(draw(texts), draw(reals), draw(reals), draw(st.dictionaries(texts, samples, max_size=3)))


values = st.builds(Value, texts, maybe, texts, maybe, maybe, verdicts, st.none() | texts)
findings = st.builds(
    Finding,
    kind=st.sampled_from(get_args(FindingKind)),
    circuits=st.lists(texts, max_size=3).map(tuple),
    pins=st.lists(st.integers(1, 15), max_size=3).map(tuple),
    verdict=verdicts,
    severity=st.sampled_from(get_args(Severity)),
    confidence=reals,
    explain=texts,
    next=texts,
    where=wheres,
    size=st.none() | st.builds(Size, reals, texts),
    evidence=st.lists(st.builds(Evidence, texts, reals, texts), max_size=3).map(tuple),
    alternatives=st.lists(st.builds(Alternative, texts, wheres, reals), max_size=2).map(tuple),
    source=st.none() | texts,
)
steps = st.builds(
    StepResult,
    step=texts,
    title=texts,
    verdict=verdicts,
    started_s=reals,
    duration_s=reals,
    values=st.lists(values, max_size=3).map(tuple),
    findings=st.lists(findings, max_size=2).map(tuple),
    traces=st.lists(traces(), max_size=2).map(tuple),
    cautions=st.lists(texts, max_size=2).map(tuple),
    reason=st.none() | texts,
)
runs = st.builds(
    Run,
    id=st.text("0123456789abcdefghjkmnpqrstvwxyz-", min_size=1, max_size=20),
    command=texts,
    profile=texts,
    started=texts,
    board=st.builds(BoardInfo, texts, texts, texts, texts, st.integers(1, 64), texts),
    duration_s=reals,
    state=st.sampled_from([state for state in get_args(RunState) if state != "running"]),
    unit_number=st.none() | texts,
    vin=st.none() | texts,
    operator=st.none() | texts,
    reason=st.none() | texts,
    steps=st.lists(steps, max_size=3).map(tuple),
)


def at_float32(samples: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(np.asarray(samples, dtype=np.float32).tolist())
