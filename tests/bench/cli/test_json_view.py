import json
import math

import pytest

from bench.cli.json_view import emit, finding_document, run_document
from bench.results import (
    Alternative,
    BoardInfo,
    Evidence,
    Finding,
    Run,
    Size,
    StepResult,
    Value,
    Verdict,
    Where,
)

FINDING = Finding(
    kind="short-to-ground",
    circuits=("stop",),
    pins=(5,),
    verdict=Verdict.FAIL,
    severity="safety",
    confidence=0.97,
    explain="The wire touches the frame.",
    next="Look at the bolster.",
    where=Where("segment", "stop.trunk", 3.1, 0.4),
    size=Size(0.08, "ohm"),
    evidence=(Evidence("probe voltage", 0.01, "V"),),
    alternatives=(Alternative("overload", None, 0.02),),
    source="board contract",
)
RUN = Run(
    id="20260112-143015-7k2m",
    command="inspect",
    profile="anything",
    started="2026-01-12T14:30:15+00:00",
    board=BoardInfo("sim:", "1", "sim", "1.0", 8, ""),
    duration_s=12.5,
    state="complete",
    steps=(
        StepResult("circuits", "Circuits", Verdict.FAIL, 1.0, 11.5, (Value("v", math.nan, "V", 1.0, 2.0),), (FINDING,)),
    ),
)


def test_a_finding_has_exactly_the_promised_keys() -> None:
    document = finding_document(FINDING)

    assert list(document) == [
        "kind", "circuits", "pins", "verdict", "severity", "confidence", "where", "size",
        "evidence", "alternatives", "explain", "next", "source",
    ]  # fmt: skip
    assert document["where"] == {"segment": "stop.trunk", "from_connector_m": 3.1, "plus_minus_m": 0.4}
    assert document["alternatives"] == [{"kind": "overload", "where": None, "confidence": 0.02}]


def test_a_run_has_the_promised_keys_and_the_worst_verdict() -> None:
    document = run_document(RUN)

    promised = {"umbilical", "record", "profile", "board", "started", "duration_s", "verdict", "steps", "findings"}
    assert promised <= document.keys()
    assert document["verdict"] == "fail"
    assert {"step", "verdict", "started_s", "duration_s", "values", "findings"} <= document["steps"][0].keys()
    assert set(document["steps"][0]["values"][0]) == {"name", "value", "unit", "low", "high", "verdict", "source"}


def test_what_is_printed_is_strict_json_even_when_a_value_is_not_a_number(capsys: pytest.CaptureFixture[str]) -> None:
    emit(run_document(RUN))

    printed = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert printed["steps"][0]["values"][0]["value"] is None
