"""What an earlier record teaches, and when it is refused."""

from pathlib import Path

import numpy as np
import pytest

import bench
from bench import judging, keeping
from bench.electrical import Conclusion
from bench.errors import InputError, RecordError
from bench.profiles import load_measurements, load_profile
from bench.profiles.model import Measurements
from bench.results import Run, Verdict

DOOR, ONLY = "machine-door", ["look", "circuits"]


def inspected(record: Path, scenario: str, unit: str | None = None, only: list[str] | None = None) -> Run:
    async def main() -> Run:
        async with bench.connect(f"sim:{scenario}", record=record) as session:
            return await session.inspect(DOOR, unit_number=unit, only=only)

    return bench.run_virtual(main())


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Run]]:
    """A database with a run that passed, one that failed, one that read nothing."""
    file = tmp_path_factory.mktemp("records") / "records.sqlite"
    runs = {
        "sound": inspected(file, "lab-door", "D-1", ONLY),
        "faulty": inspected(file, "lab-door-switch", "D-2", ONLY),
        "empty": inspected(file, "lab-door", "D-1", ["supply"]),
    }
    return file, runs


@pytest.fixture(scope="module")
def readings(records: tuple[Path, dict[str, Run]], tmp_path_factory: pytest.TempPathFactory) -> Measurements:
    file, runs = records
    out = tmp_path_factory.mktemp("exported") / "sound.json"
    out.write_bytes(keeping.export_text(runs["sound"].id, "json", file))
    return load_measurements(out)


def test_a_record_of_the_same_unit_narrows_more_than_one_of_the_type(records: tuple[Path, dict[str, Run]]) -> None:
    file, runs = records
    profile, record = load_profile(DOOR), runs["sound"].id

    same = judging.earlier(record, profile, file, unit_number="D-1")
    kind = judging.earlier(record, profile, file, unit_number="D-9")

    assert np.all(np.diag(same.baseline.covariance) < np.diag(kind.baseline.covariance))
    assert np.all(np.diag(kind.baseline.covariance) < 2.0)
    assert f"record {record} of the same unit (D-1" in same.words
    assert f"record {record} of the same type (unit D-1" in kind.words


def test_a_record_that_did_not_pass_is_refused(records: tuple[Path, dict[str, Run]]) -> None:
    file, runs = records

    with pytest.raises(InputError, match=r"is no baseline: its verdict is fail; only one that passed") as refused:
        judging.earlier(runs["faulty"].id, load_profile(DOOR), file)

    assert "\n" not in str(refused.value)


def test_a_record_of_other_parts_is_refused(records: tuple[Path, dict[str, Run]]) -> None:
    file, runs = records

    with pytest.raises(InputError, match="no baseline for tandem-53ft: it is of machine-door, a harness of"):
        judging.earlier(runs["sound"].id, load_profile("tandem-53ft"), file)


def test_a_record_without_readings_is_refused(records: tuple[Path, dict[str, Run]]) -> None:
    file, runs = records

    with pytest.raises(InputError, match="holds no measurements of a fed circuit"):
        judging.earlier(runs["empty"].id, load_profile(DOOR), file)


def test_no_such_record_is_said(records: tuple[Path, dict[str, Run]]) -> None:
    with pytest.raises(RecordError):
        judging.earlier("20200101-000000-zzzz", load_profile(DOOR), records[0])


def test_what_narrowed_the_tolerances_is_noted_and_a_sound_harness_still_passes(
    records: tuple[Path, dict[str, Run]], readings: Measurements
) -> None:
    file, runs = records
    known = judging.earlier(runs["sound"].id, readings.profile, file, unit_number="D-1")

    found = judging.judge(readings, known)

    assert found.notes[0] == known.words
    assert judging.verdict_of(found, readings) is Verdict.PASS
    assert judging.judge(readings).notes == ()


def test_an_inspection_with_a_baseline_says_so_in_its_record(records: tuple[Path, dict[str, Run]]) -> None:
    file, runs = records
    known = judging.earlier(runs["sound"].id, load_profile(DOOR), file, unit_number="D-1")

    async def main() -> Run:
        async with bench.connect("sim:lab-door") as session:
            return await session.inspect(DOOR, only=ONLY, baseline=known)

    run = bench.run_virtual(main())

    assert run.verdict is Verdict.PASS
    assert known.words in (run.steps[-1].reason or "")


def test_a_verdict_needs_the_ranking_and_every_circuit(readings: Measurements) -> None:
    assert judging.verdict_of(Conclusion(()), readings) is Verdict.UNSURE
    few = Measurements(
        readings.profile,
        readings.ambient_c,
        readings.supply_v,
        readings.board,
        tuple(each for each in readings.readings if each.how == "drive" and len(each.driven) == 1)[:2],
    )
    found = judging.judge(few)
    assert judging.verdict_of(found, few) is Verdict.NOT_TESTED
    assert "never fed" in found.notes[0]
