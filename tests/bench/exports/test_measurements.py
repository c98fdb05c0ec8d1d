"""What a run measured, exported and judged again, gives the findings of the run."""

import json
from pathlib import Path

import pytest

import bench
from bench import keeping
from bench.errors import InputError
from bench.exports import joined, part_name
from bench.judging import judge
from bench.profiles import load_measurements
from bench.results import Finding, Run

Key = tuple[str, tuple[str, ...]]


def keys(findings: tuple[Finding, ...]) -> set[Key]:
    return {(finding.kind, finding.circuits) for finding in findings}


def inspected(scenario: str, record: Path, only: list[str] | None = None) -> Run:
    async def main() -> Run:
        async with bench.connect(f"sim:{scenario}", record=record) as session:
            return await session.inspect("tandem-53ft-filament", only=only)

    return bench.run_virtual(main())


@pytest.mark.parametrize("scenario", ["lamp-out", "two-faults"])
def test_exported_measurements_give_the_findings_of_the_run(scenario: str, tmp_path: Path) -> None:
    record, file = tmp_path / "records.sqlite", tmp_path / "measurements.json"
    run = inspected(scenario, record)
    file.write_bytes(keeping.export_text(run.id, "json", record))
    measurements = load_measurements(file)

    assert run.findings
    assert keys(judge(measurements).findings) == keys(run.findings)
    assert measurements.profile.name == "tandem-53ft-filament"


def test_the_exported_file_needs_no_profile_beside_it(tmp_path: Path) -> None:
    record = tmp_path / "records.sqlite"
    run = inspected("lamp-out", record, ["look"])
    document = json.loads(keeping.export_text(run.id, "json", record))

    assert document["format"] == "umbilical-measurements/1"
    assert document["profile"]["connector"]
    assert {"probe"} <= document.keys()


def test_a_run_that_measured_nothing_says_so(tmp_path: Path) -> None:
    record = tmp_path / "records.sqlite"
    run = inspected("lamp-out", record, ["self-check"])

    with pytest.raises(InputError, match="holds no measurements"):
        keeping.export_text(run.id, "json", record)


def test_parts_join_in_the_order_they_were_written_and_the_last_word_counts() -> None:
    first = {"profile": "p", "ambient_c": 20.0, "probe": [{"driven": "1"}], "drive": [{"driven": "2"}]}
    second = {"profile": "p", "ambient_c": 21.0, "drive": [{"driven": "3"}]}
    attachments = {part_name(1): json.dumps(second).encode(), part_name(0): json.dumps(first).encode(), "other": b""}
    document = joined(attachments, None)

    assert document == {
        "profile": "p",
        "ambient_c": 21.0,
        "probe": [{"driven": "1"}],
        "drive": [{"driven": "2"}, {"driven": "3"}],
    }
