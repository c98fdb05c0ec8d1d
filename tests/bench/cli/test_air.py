"""``leak``, ``timing`` and ``stroke`` as people and programs call them."""

import json
from pathlib import Path

import numpy as np
import pytest

from bench import cli
from bench.air.gas import PSI_PA
from tests.bench.air.test_timing import made
from tests.bench.air.traces import readings

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "readings.csv"


def write_trace(file: Path, leak: float, unit: str = "psi") -> None:
    times, pressure, _ = readings(leak, seed=2, watch_s=160)
    scale = {"psi": PSI_PA, "kpa": 1000.0}[unit]
    rows = "".join(f"{time_s:.0f},{each / scale:.4f}\n" for time_s, each in zip(times, pressure, strict=True))
    file.write_text(f"time_s,supply_{unit}\n{rows}")


@pytest.mark.parametrize(("leak", "code", "verdict"), [(0.0, 0, "pass"), (6.0, 1, "fail")])
@pytest.mark.parametrize(("limit", "unit"), [("3 psi/min", "psi/min"), ("21 kPa/min", "kPa/min")])
def test_leak_as_json_has_the_promised_shape(
    file: Path, leak: float, code: int, verdict: str, limit: str, unit: str, capsys: Captured
) -> None:
    write_trace(file, leak, "psi" if unit == "psi/min" else "kpa")

    assert cli.run(["leak", str(file), "--limit", limit, "--json"]) == code
    document = json.loads(capsys.readouterr().out)
    line = document["lines"]["supply"]
    per_psi = 1.0 if unit == "psi/min" else 6.894757
    assert document["verdict"] == line["verdict"] == verdict
    assert {"rate", "low", "high", "unit", "decided_at_s", "steady", "verdict", "cannot_tell"} <= line.keys()
    assert line["unit"] == unit
    assert line["low"] < line["rate"] < line["high"]
    assert line["rate"] == pytest.approx(leak * per_psi, abs=0.9 * per_psi)
    assert line["steady"] is True
    assert line["cannot_tell"]


def test_leak_tells_people_what_it_cannot_tell(file: Path, capsys: Captured) -> None:
    write_trace(file, 6.0)

    assert cli.run(["leak", str(file), "--limit", "combination-applied"]) == 1
    printed = capsys.readouterr().out
    assert "FAIL supply line" in printed
    assert "at most 4 psi/min (27.6 kPa/min)" in printed
    assert "cannot tell" in printed


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "--limit '3 psi/min'"),
        (["--limit", "trailer-aplied"], "did you mean 'trailer-applied'"),
        (["--limit", "3"], "--limit 3: "),
        (["--limit", "3 psi"], "--limit 3 psi: psi is a pressure"),
        (["--limit", "-3 psi/min"], "more than nothing"),
        (["--limit", "0 psi/min"], "more than nothing"),
        (["--limit", "trailer-applied", "--limits", "electrical"], "no limit"),
        (["--limit", "3 psi/min", "--waited", "-1"], "--waited"),
    ],
)
def test_a_limit_that_is_none_is_one_line_and_64(file: Path, arguments: list[str], said: str, capsys: Captured) -> None:
    write_trace(file, 0.0)

    assert cli.run(["leak", str(file), *arguments]) == 64
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_a_trace_that_is_none_is_one_line_and_64(file: Path, capsys: Captured) -> None:
    file.write_text("time_s,supply_psi\n0,100\n1,abc\n")

    assert cli.run(["leak", str(file), "--limit", "3 psi/min"]) == 64
    assert capsys.readouterr().err == "umbilical: readings.csv:3: supply_psi 'abc' is no number\n"


def test_an_implausible_trace_is_unsure_and_2(file: Path, capsys: Captured) -> None:
    file.write_text("time_s,supply_psi\n" + "".join(f"{i},690.{i % 7}\n" for i in range(100)))

    assert cli.run(["leak", str(file), "--limit", "3 psi/min", "--json"]) == 2
    line = json.loads(capsys.readouterr().out)["lines"]["supply"]
    assert (line["verdict"], line["rate"]) == ("unsure", None)
    assert "kPa" in line["reason"]


def write_timing(file: Path, lag_s: float) -> None:
    trace = made(lag_s=lag_s, repeats=2)
    assert trace.command is not None
    table = np.column_stack([trace.time_s, trace.pressure_pa["chamber"] / PSI_PA, trace.command])
    np.savetxt(file, table, delimiter=",", header="time_s,chamber_psi,command", comments="", fmt="%.4f")


@pytest.mark.parametrize(("lag_s", "code"), [(0.2, 0), (0.7, 1)])
def test_timing_judges_by_the_profiles_vehicle(file: Path, lag_s: float, code: int, capsys: Captured) -> None:
    write_timing(file, lag_s)

    assert cli.run(["timing", str(file), "--profile", "tandem-53ft", "--json"]) == code
    chamber = json.loads(capsys.readouterr().out)["chambers"]["chamber"]
    assert chamber["application"]["limit_s"] == 0.6
    assert chamber["release"]["limit_s"] == 1.2
    assert chamber["application"]["repeats"] == 2
    assert chamber["application"]["cannot_tell"]
    assert cli.run(["timing", str(file), "--profile", "tandem-53ft"]) == code
    assert "indicative" in " ".join(capsys.readouterr().out.split())


def test_the_coupling_alone_is_not_timed(file: Path, capsys: Captured) -> None:
    file.write_text("time_s,service_psi,command\n0,0,0\n1,90,1\n2,90,1\n")

    assert cli.run(["timing", str(file), "--profile", "tandem-53ft", "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["verdict"] == "not-tested"


@pytest.mark.parametrize(("longest", "code"), [("2.0", 0), ("2.3", 1)])
def test_stroke_judges_every_brake(file: Path, longest: str, code: int, capsys: Captured) -> None:
    file.write_text(f"wheel_end,stroke_in\nfront-left,{longest}\nfront-right,1.9\nrear-left,1.5\nrear-right,1.5\n")

    assert cli.run(["stroke", "tandem-53ft", str(file), "--pressure", "85 psi", "--json"]) == code
    document = json.loads(capsys.readouterr().out)
    assert document["brakes"]["front-left"]["verdict"] == ("fail" if code else "pass")
    assert document["brakes"]["front-left"]["limit_m"] == pytest.approx(0.0508)
    assert document["defective_share"] == (0.25 if code else 0)
    assert document["cannot_tell"]
    assert cli.run(["stroke", "tandem-53ft", str(file), "--tractor-brakes", "6"]) == code
    assert "front axle, left" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["machine-door"], "no 'air' section"),
        (["tandem-53ft", "--pressure", "85"], "--pressure 85: "),
        (["tandem-53ft", "--pressure", "900 psi"], "no pressure of a brake system"),
        (["tandem-53ft", "--tractor-defective", "2"], "--tractor-brakes"),
    ],
)
def test_a_stroke_command_that_cannot_be_is_one_line_and_64(
    file: Path, arguments: list[str], said: str, capsys: Captured
) -> None:
    file.write_text("wheel_end,stroke_in\nfront-left,1.5\n")
    profile, *rest = arguments

    assert cli.run(["stroke", profile, str(file), *rest]) == 64
    assert said in capsys.readouterr().err
