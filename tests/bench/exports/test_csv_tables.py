"""CSV read back by the standard library's reader."""

import csv
import io

import pytest
from hypothesis import given

from bench.exports import csv_table
from bench.results import Run, Value
from tests.bench.exports.made_runs import INRUSH, RUN, run, step
from tests.bench.records.made_runs import runs


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_every_value_stands_with_its_unit_limits_and_verdict() -> None:
    voltage, current, unread = read(csv_table(RUN, "values"))

    assert (voltage["name"], voltage["value"], voltage["unit"]) == ("open-circuit voltage", "12.625", "V")
    assert (current["low"], current["high"], current["verdict"], current["source"]) == ("2.5", "3.0", "fail", "ratings")
    assert (unread["value"], unread["low"], unread["verdict"]) == ("", "", "unsure")
    assert {row["unit_number"] for row in (voltage, current, unread)} == {"TR-117"}


def test_a_finding_stands_with_its_place_and_size() -> None:
    (row,) = read(csv_table(RUN, "findings"))

    assert (row["step"], row["kind"], row["circuits"], row["pins"]) == ("circuits", "lamp-out", "tail markers", "2 6")
    assert (row["place"], row["place_name"], row["from_connector_m"]) == ("lamp", "tail.left", "17.5")
    assert (row["size"], row["size_unit"], row["evidence"]) == ("1.0", "lamps", "pin 6 1.75 A")


def test_samples_stand_on_the_boards_clock_with_the_unit_in_the_header() -> None:
    rows = read(csv_table(RUN, "traces"))
    inrush = [row for row in rows if row["trace"] == "inrush stop"]

    assert [float(row["time_s"]) for row in inrush] == [12.5, 12.501, 12.502]
    assert tuple(float(row["current_a"]) for row in inrush) == INRUSH.columns["current_a"]
    assert [row["supply_psi"] for row in rows if row["trace"] == "leak-down"] == ["100.0", "99.5", "99.25", "99.0"]
    assert {row["supply_psi"] for row in inrush} == {""}


def test_text_that_a_spreadsheet_would_run_is_text() -> None:
    risky = run(step("supply", values=(Value("=1+1", -1.0, "V"),)), unit_number="@SUM(A1)")
    (row,) = read(csv_table(risky, "values"))

    assert (row["name"], row["unit_number"], row["value"]) == ("'=1+1", "'@SUM(A1)", "-1.0")


@pytest.mark.parametrize("part", ["values", "findings", "traces"])
def test_a_run_without_steps_is_a_header(part: str) -> None:
    assert csv_table(run(), part).count("\r\n") == 1


@given(runs)
def test_numbers_come_back_to_the_last_bit(any_run: Run) -> None:
    values = [value for each in any_run.steps for value in each.values]
    rows = read(csv_table(any_run, "values"))

    assert [float(row["value"]) if row["value"] else None for row in rows] == [value.value for value in values]
