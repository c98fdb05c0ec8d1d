"""Stored pressures and strokes: what is read, and one line for whatever is wrong."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.errors import InputError
from bench.profiles import load_profile
from bench.profiles.air_model import PA_PER_PSI, AirSystem
from bench.profiles.strokes import load_strokes
from bench.profiles.traces import load_trace


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "trace.csv"


@pytest.fixture(scope="module")
def air() -> AirSystem:
    found = load_profile("tandem-53ft").air
    assert found is not None
    return found


def test_a_trace_is_read_in_si(file: Path) -> None:
    file.write_text("time_s,supply_psi,service_kpa,ambient_c,command\n0,100,5,20,0\n\n0.5,99.5,5.5,20.1,1\n")
    trace = load_trace(file)

    assert trace.time_s.tolist() == [0, 0.5]
    assert trace.pressure_pa["supply"] == pytest.approx([100 * PA_PER_PSI, 99.5 * PA_PER_PSI])
    assert trace.pressure_pa["service"].tolist() == [5000, 5500]
    assert trace.written_in == {"supply": "psi", "service": "kPa"}
    assert trace.tank_c is None
    assert trace.command is not None


def test_spreadsheets_marks_spaces_and_capitals_do_not_matter(file: Path) -> None:
    file.write_bytes("\ufeffTime_s , Supply_PSI\r\n0 , 1\r\n1 , 2\r\n".encode())

    assert load_trace(file).pressure_pa["supply"].size == 2


def test_chambers_may_be_named(file: Path) -> None:
    file.write_text("time_s,chamber_rear-left_psi,chamber_psi\n0,1,2\n1,2,3\n")

    assert set(load_trace(file).pressure_pa) == {"chamber_rear-left", "chamber"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "trace.csv:1: no header"),
        ("\n\n", "no header"),
        ("time_s;supply_psi\n0;1\n", "separated by commas"),
        ("time_s,pressure\n0,1\n1,2\n", "trace.csv:1: unknown column 'pressure'; known are time_s, supply_psi"),
        ("time_s,ambient_c\n0,1\n1,2\n", "needs time_s and a pressure column"),
        ("supply_psi\n0\n1\n", "needs time_s"),
        ("time_s,supply_psi,supply_psi\n0,1,2\n", "twice"),
        ("time_s,supply_psi,supply_kpa\n0,1,2\n1,1,2\n", "supply in two units"),
        ("time_s,supply_psi\n0,1\n1\n", "trace.csv:3: 1 cells, the header has 2"),
        ("time_s,supply_psi\n0,1\n1,x\n", "trace.csv:3: supply_psi 'x' is no number"),
        ("time_s,supply_psi\n0,1\n\n1,\n", "trace.csv:4: supply_psi is empty"),
        ("time_s,supply_psi\n0,1\n1,nan\n", "trace.csv:3: supply_psi 'nan' is no reading"),
        ("time_s,supply_psi\n0,1\n1,1e99\n", "is no reading"),
        ("time_s,supply_psi\n0,1\n0,2\n", "trace.csv:3: time_s does not rise (0)"),
        ("time_s,supply_psi\n0,1\n", "1 rows of readings"),
    ],
)
def test_what_is_no_trace_is_one_line_that_says_where(file: Path, text: str, said: str) -> None:
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        load_trace(file)

    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_no_text_or_not_there_is_one_line(file: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_trace(file)
    file.write_bytes(b"\xff\xfe\x00time")
    with pytest.raises(InputError, match="no CSV text"):
        load_trace(file)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(alphabet=st.sampled_from('time_s,supplyki\n\r;"0123456789.-e\x00 '), max_size=80))
def test_whatever_is_in_a_file_is_read_or_refused(file: Path, text: str) -> None:
    file.write_text("time_s,supply_psi\n" + text, newline="")
    try:
        said = "" if load_trace(file).time_s.size >= 2 else "too short"
    except InputError as error:
        said = str(error)
    assert said == "" or said.startswith("trace.csv")


def test_strokes_are_read_in_metres(file: Path, air: AirSystem) -> None:
    file.write_text("wheel_end,stroke_mm\nfront-left,44\nrear-right,50.8\n")
    assert load_strokes(file, air) == {"front-left": 0.044, "rear-right": pytest.approx(0.0508)}
    file.write_text("stroke_in,wheel_end\n2,front-left\n")
    assert load_strokes(file, air) == {"front-left": pytest.approx(0.0508)}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("wheel_end,stroke_in\nfront-left,250\n", "trace.csv:2: stroke_in 250 is no stroke of a type 30 chamber"),
        ("wheel_end,stroke_in\nfront-left,50.8\n", "is the unit right?"),
        ("wheel_end,stroke_in\nfront-left,-1\n", "is no stroke"),
        ("wheel_end,stroke_in\nfront-lift,1\n", "no wheel end 'front-lift' in the profile: did you mean 'front-left'"),
        ("wheel_end,stroke_in\nfront-left,1\nfront-left,1\n", "trace.csv:3: 'front-left' stands here twice"),
        ("wheel_end,stroke\nfront-left,1\n", "the columns are wheel_end and stroke_in"),
        ("wheel_end,stroke_in\n", "no strokes"),
        ("wheel_end,stroke_in\nfront-left,two\n", "'two' is no number"),
    ],
)
def test_what_is_no_list_of_strokes_is_one_line_that_says_where(
    file: Path, air: AirSystem, text: str, said: str
) -> None:
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        load_strokes(file, air)

    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
