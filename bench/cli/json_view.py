"""A run as the JSON document that ``inspect --json`` prints; the shape is a promise to other programs."""

import json
import math
import sys
from dataclasses import asdict
from typing import Any

from bench import __version__
from bench.results import Alternative, Finding, Run, StepResult, Where

JsonObject = dict[str, Any]


def emit(document: object) -> None:
    """Print a document on stdout; what is not a finite number becomes null, as JSON has no word for it."""
    text = json.dumps(_finite(document), indent=2, ensure_ascii=False, allow_nan=False)
    sys.stdout.write(f"{text}\n")


def run_document(run: Run) -> JsonObject:
    """The whole run."""
    return {
        "umbilical": __version__,
        "record": run.id,
        "command": run.command,
        "profile": run.profile,
        "board": asdict(run.board),
        "unit_number": run.unit_number,
        "vin": run.vin,
        "operator": run.operator,
        "started": run.started,
        "duration_s": run.duration_s,
        "state": run.state,
        "reason": run.reason,
        "verdict": run.verdict.value,
        "steps": [_step(step) for step in run.steps],
        "findings": [finding_document(finding) for finding in run.findings],
    }


def finding_document(finding: Finding) -> JsonObject:
    """One finding."""
    return {
        "kind": finding.kind,
        "circuits": list(finding.circuits),
        "pins": list(finding.pins),
        "verdict": finding.verdict.value,
        "severity": finding.severity,
        "confidence": finding.confidence,
        "where": _where(finding.where),
        "size": asdict(finding.size) if finding.size else None,
        "evidence": [asdict(evidence) for evidence in finding.evidence],
        "alternatives": [_alternative(alternative) for alternative in finding.alternatives],
        "explain": finding.explain,
        "next": finding.next,
        "source": finding.source,
    }


def _step(step: StepResult) -> JsonObject:
    return {
        "step": step.step,
        "title": step.title,
        "verdict": step.verdict.value,
        "reason": step.reason,
        "started_s": step.started_s,
        "duration_s": step.duration_s,
        "cautions": list(step.cautions),
        "values": [asdict(value) | {"verdict": value.verdict.value} for value in step.values],
        "findings": [finding_document(finding) for finding in step.findings],
    }


def _where(where: Where | None) -> JsonObject | None:
    if where is None:
        return None
    return {
        where.place: where.name,
        "from_connector_m": where.from_connector_m,
        "plus_minus_m": where.plus_minus_m,
    }


def _alternative(alternative: Alternative) -> JsonObject:
    return {
        "kind": alternative.kind,
        "where": _where(alternative.where),
        "confidence": alternative.confidence,
    }


def _finite(item: object) -> object:
    if isinstance(item, float):
        return round(item, 9) if math.isfinite(item) else None
    if isinstance(item, dict):
        return {key: _finite(value) for key, value in item.items()}
    if isinstance(item, list | tuple):
        return [_finite(value) for value in item]
    return item
