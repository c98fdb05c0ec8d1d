"""Results to rows and back; pure. A row dict holds exactly what the database gives back.

Numbers are brought to one spelling on the way in (float, no negative zero, no NaN: "not a number" is
stored as "no number"), because the chain's digests are over what is stored.
"""

import json
import math
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from bench.records.chain import Bundle, Row, canonical
from bench.results import (
    Alternative,
    BoardInfo,
    Compared,
    Evidence,
    Finding,
    Followup,
    Reexamined,
    Run,
    Size,
    StepResult,
    Trace,
    Value,
    Verdict,
    Where,
)


def _real(number: float | None) -> float | None:
    if number is None or math.isnan(number):
        return None
    return float(number) + 0.0  # -0.0 + 0.0 is 0.0; SQLite would drop the sign by itself


def _number(stored: float | None) -> float:
    return math.nan if stored is None else stored


def pack(samples: Sequence[float]) -> bytes:
    """Samples as stored: little-endian float32, zlib; about 3.6 bytes a sample for noisy currents."""
    import numpy as np  # heavy, and lists do without samples

    with np.errstate(over="ignore"):
        return zlib.compress(np.asarray(samples, dtype="<f4").tobytes())


def unpack(data: bytes) -> tuple[float, ...]:
    """The samples of a stored column."""
    import numpy as np

    return tuple(np.frombuffer(zlib.decompress(data), dtype="<f4").tolist())


def run_row(run: Run) -> dict[str, Any]:
    """The row that is written when a run begins; state and duration follow with its end."""
    board = {f"board_{key}": item for key, item in asdict(run.board).items()}
    names = ("id", "command", "profile", "started", "unit_number", "vin", "operator")
    return {name: getattr(run, name) for name in names} | board


def run_from(row: Row, steps: Iterable[StepResult] = (), end: Row | None = None) -> Run:
    """A run from its rows; without an end it is still running."""
    fields = {key: item for key, item in row.items() if not key.startswith("board_")}
    board = {key.removeprefix("board_"): item for key, item in row.items() if key.startswith("board_")}
    closing = {"state": end["state"], "duration_s": _number(end["duration_s"]), "reason": end["reason"]} if end else {}
    return Run(**fields, **closing, board=BoardInfo(**board), steps=tuple(steps))


def end_row(run_id: str, state: str, duration_s: float, reason: str | None) -> dict[str, Any]:
    """The row that closes a run."""
    return {"run_id": run_id, "state": state, "duration_s": _real(duration_s), "reason": reason}


def attachment_row(run_id: str, no: int, name: str, data: bytes) -> dict[str, Any]:
    """The row of a file kept with a run."""
    return {"run_id": run_id, "no": no, "name": name, "data": zlib.compress(data)}


def step_bundle(run_id: str, step_no: int, step: StepResult) -> Bundle:
    """Every row of one step, by table."""
    key = {"run_id": run_id, "step_no": step_no}
    return {
        "step": [key | _step_row(step)],
        "value": [key | {"no": no} | _value_row(value) for no, value in enumerate(step.values)],
        "finding": [key | {"no": no} | _finding_row(finding) for no, finding in enumerate(step.findings)],
        "trace": [key | {"no": no} | _trace_row(trace) for no, trace in enumerate(step.traces)],
        "trace_column": [
            key | {"trace_no": trace_no, "no": no} | _column_row(name, samples)
            for trace_no, trace in enumerate(step.traces)
            for no, (name, samples) in enumerate(trace.columns.items())
        ],
    }


def step_from(bundle: Bundle) -> StepResult:
    """A step from its rows; values, findings and traces are empty where their tables are not given."""
    (row,) = bundle["step"]
    return StepResult(
        step=row["step"],
        title=row["title"],
        verdict=Verdict(row["verdict"]),
        started_s=row["started_s"],
        duration_s=row["duration_s"],
        values=tuple(_value_from(each) for each in bundle.get("value", ())),
        findings=tuple(_finding_from(each) for each in bundle.get("finding", ())),
        traces=tuple(_trace_from(each, bundle["trace_column"]) for each in bundle.get("trace", ())),
        cautions=tuple(json.loads(row["cautions"])),
        reason=row["reason"],
    )


def followup_row(run_id: str, no: int, written: str, followup: Followup) -> dict[str, Any]:
    """The row of a later word on a finding."""
    compared = [
        asdict(each) | {name: _real(getattr(each, name)) for name in ("before", "after", "low", "high")}
        for each in followup.evidence
    ]
    plain = ("step_no", "finding_no", "state", "retest_id", "reason")
    return {
        "run_id": run_id,
        "no": no,
        "written": written,
        **{name: getattr(followup, name) for name in plain},
        "evidence": canonical(compared),
    }


def followup_from(row: Row) -> Followup:
    """A later word on a finding from its row."""
    evidence = tuple(Compared(**each | {"verdict": Verdict(each["verdict"])}) for each in json.loads(row["evidence"]))
    names = ("step_no", "finding_no", "state", "retest_id", "reason", "written")
    return Followup(**{name: row[name] for name in names}, evidence=evidence)


def reexamined(run: Run, followup: Followup) -> Reexamined:
    """A followup beside the finding of ``run`` that it speaks of."""
    step = run.steps[followup.step_no]
    finding = None if followup.finding_no is None else step.findings[followup.finding_no]
    return Reexamined(run.id, step.title, finding, followup)


def _step_row(step: StepResult) -> dict[str, Any]:
    return {
        "step": step.step,
        "title": step.title,
        "verdict": step.verdict.value,
        "started_s": _real(step.started_s),
        "duration_s": _real(step.duration_s),
        "cautions": canonical(step.cautions),
        "reason": step.reason,
    }


def _value_row(value: Value) -> dict[str, Any]:
    return {
        "name": value.name,
        "value": _real(value.value),
        "unit": value.unit,
        "low": _real(value.low),
        "high": _real(value.high),
        "verdict": value.verdict.value,
        "source": value.source,
    }


def _value_from(row: Row) -> Value:
    names = ("name", "value", "unit", "low", "high", "source")
    return Value(**{name: row[name] for name in names}, verdict=Verdict(row["verdict"]))


def _trace_row(trace: Trace) -> dict[str, Any]:
    return {"name": trace.name, "started_s": _real(trace.started_s), "dt_s": _real(trace.dt_s)}


def _column_row(name: str, samples: Sequence[float]) -> dict[str, Any]:
    return {"name": name, "samples": len(samples), "data": pack(samples)}


def _trace_from(row: Row, columns: Sequence[Row]) -> Trace:
    own = {each["name"]: unpack(each["data"]) for each in columns if each["trace_no"] == row["no"]}
    return Trace(row["name"], row["started_s"], row["dt_s"], own)


_PLAIN = ("kind", "severity", "explain", "next", "source")


def _finding_row(finding: Finding) -> dict[str, Any]:
    return {name: getattr(finding, name) for name in _PLAIN} | {
        "circuits": canonical(finding.circuits),
        "pins": canonical(finding.pins),
        "verdict": finding.verdict.value,
        "confidence": _real(finding.confidence),
        "location": canonical(_where_json(finding.where)),
        "size": canonical(finding.size and {"value": _real(finding.size.value), "unit": finding.size.unit}),
        "evidence": canonical([asdict(each) | {"value": _real(each.value)} for each in finding.evidence]),
        "alternatives": canonical([_alternative_json(each) for each in finding.alternatives]),
    }


def _finding_from(row: Row) -> Finding:
    size = json.loads(row["size"])
    return Finding(
        **{name: row[name] for name in _PLAIN},
        circuits=tuple(json.loads(row["circuits"])),
        pins=tuple(json.loads(row["pins"])),
        verdict=Verdict(row["verdict"]),
        confidence=_number(row["confidence"]),
        where=_where_from(json.loads(row["location"])),
        size=Size(_number(size["value"]), size["unit"]) if size else None,
        evidence=tuple(
            Evidence(each["name"], _number(each["value"]), each["unit"]) for each in json.loads(row["evidence"])
        ),
        alternatives=tuple(_alternative_from(each) for each in json.loads(row["alternatives"])),
    )


def _where_json(where: Where | None) -> dict[str, Any] | None:
    if where is None:
        return None
    metres = {"from_connector_m": _real(where.from_connector_m), "plus_minus_m": _real(where.plus_minus_m)}
    return {"place": where.place, "name": where.name} | metres


def _where_from(stored: dict[str, Any] | None) -> Where | None:
    return Where(**stored) if stored else None


def _alternative_json(alternative: Alternative) -> dict[str, Any]:
    return {
        "kind": alternative.kind,
        "where": _where_json(alternative.where),
        "confidence": _real(alternative.confidence),
    }


def _alternative_from(stored: dict[str, Any]) -> Alternative:
    return Alternative(stored["kind"], _where_from(stored["where"]), _number(stored["confidence"]))
