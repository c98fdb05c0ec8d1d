"""The command ``records gauge`` on records that a bench made."""

import json
from pathlib import Path

import pytest

import bench
from bench.cli import run
from bench.errors import InputError


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three harnesses, two operators, two trials of each; a harness is a seed."""
    folder = tmp_path_factory.mktemp("campaign")
    file = folder / "campaign.sqlite"
    for part in range(3):
        scenario = folder / f"door-{part}.yaml"
        scenario.write_text(f"profile: machine-door\nseed: {part}\noperator: {{clear-to-power: yes}}\n")
        for trial in range(4):
            with bench.blocking(f"sim:{scenario}", record=file) as session:
                session.inspect("machine-door", only=["supply"], unit_number=f"D-{part}", operator_name="AB"[trial % 2])
    return file


def test_parts_operators_and_trials_come_from_the_records(campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["records", "gauge", "sag under reference resistor", "--record", str(campaign), "--json"]) == 0

    study = json.loads(capsys.readouterr().out)
    assert study["values"] == 12
    assert study["unit"] == "V"
    assert (study["parts"]["freedom"], study["operators"]["freedom"], study["error"]["freedom"]) == (2, 1, 6)


def test_it_is_said_in_words(campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["records", "gauge", "sag under reference resistor", "--record", str(campaign)]) == 0

    said = capsys.readouterr().out
    assert "12 values of 3 parts by 2 operators" in said
    assert "repeatability" in said


def test_a_value_that_nobody_measured_is_named(campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["records", "gauge", "nothing", "--record", str(campaign)]) == InputError.exit_code
    assert "no value 'nothing'" in capsys.readouterr().err
