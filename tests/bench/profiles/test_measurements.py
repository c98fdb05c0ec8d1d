"""Measurements files, read and written."""

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from bench.errors import InputError
from bench.profiles import (
    json_schema,
    load_measurements,
    load_profile,
    measurements_document,
    profile_document,
    profile_names,
)
from bench.profiles.measurements import measurements_of
from bench.profiles.model import BoardErrors, Inrush, Measurements, Reading
from bench.profiles.source import Document

PROFILE = load_profile("tandem-53ft-filament")
SCHEMA = Draft202012Validator(json_schema("measurements"))

# a worked example: stop lamps 2 x 27 W over a pin path of 60 milliohm and a chassis path of 32
EXAMPLE: dict[str, Any] = {
    "format": "umbilical-measurements/1",
    "profile": "tandem-53ft-filament",
    "nominal_v": 12,
    "ambient_c": 20,
    "supply_v": 12.6,
    "board": {"probe_ohm": 1000, "current_gain_error": 0.02},
    "probe": [{"return": "both", "driven": "4", "pin_v": {"4": 0.01, "3": 0.0}, "return_a": {"pin": 0.004}}],
    "drive": [
        {
            "return": "both",
            "driven": "4",
            "level": 1.0,
            "pin_v": {"4": 12.5, "3": 0.085},
            "pin_a": {"4": 4.045},
            "return_a": {"pin": 1.411, "chassis": 2.633},
            "chassis_sense_v": 0.0,
            "inrush": {"dt_s": 0.001, "a": [12.0, 8.0], "v": [11.0, 11.8]},
        },
        {"return": "pin", "driven": ["4"], "pin_v": {"4": 12.5}, "pin_a": {"4": 4.016}, "inrush": None},
    ],
}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "m.json"


def loaded(file: Path, data: Any) -> Measurements:
    file.write_text(json.dumps(data, indent=1), encoding="utf-8")
    return load_measurements(file)


def read(data: Any) -> Measurements:
    """As from a file, without one."""
    return measurements_of(Document(Path("m.json"), "m.json", data, dict))


def changed(**keys: Any) -> dict[str, Any]:
    return {key: value for key, value in (EXAMPLE | keys).items() if value is not ...}


def test_measurements_become_frozen_readings(file: Path) -> None:
    measurements = loaded(file, EXAMPLE)

    assert measurements.profile == PROFILE
    assert (measurements.ambient_c, measurements.supply_v) == (20.0, 12.6)
    assert measurements.board == BoardErrors(probe_ohm=1000.0, current_gain_error=0.02)
    assert measurements.readings == (
        Reading("probe", "both", (4,), {4: 0.01, 3: 0.0}, return_a={"pin": 0.004}),
        Reading(
            "drive", "both", (4,), {4: 12.5, 3: 0.085}, {4: 4.045}, {"pin": 1.411, "chassis": 2.633}, 0.0,
            inrush=Inrush(0.001, (12.0, 8.0), (11.0, 11.8)),
        ),
        Reading("drive", "pin", (4,), {4: 12.5}, {4: 4.016}),
    )  # fmt: skip


def test_the_example_satisfies_the_json_schema() -> None:
    SCHEMA.validate(EXAMPLE)


def test_a_supply_that_was_not_read_is_that_of_the_highest_driven_pin() -> None:
    assert read(changed(supply_v=...)).supply_v == 12.5


def test_an_absent_key_was_not_measured() -> None:
    data = {"format": EXAMPLE["format"], "profile": "tandem-53ft", "supply_v": 12.7, "drive": [{"return": "none"}]}
    measurements = read(data)

    assert measurements.readings == (Reading("drive", "none", (), {}),)
    assert (measurements.board, measurements.ambient_c) == (BoardErrors(), 20.0)


def test_cold_pulses_have_a_list_of_their_own() -> None:
    pulse = {"return": "both", "driven": 4, "pin_v": {"4": 0.7}, "pin_a": {"4": 1.19}, "supply_v": 12.6}

    assert read(changed(pulse=[pulse], probe=..., drive=...)).readings == (
        Reading("pulse", "both", (4,), {4: 0.7}, {4: 1.19}, supply_v=12.6),
    )


def spoilt(*path: Any, value: Any = ..., drop: bool = False) -> dict[str, Any]:
    data: Any = json.loads(json.dumps(EXAMPLE))
    inner = data
    for part in path[:-1]:
        inner = inner[part]
    if drop:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    return data  # type: ignore[no-any-return]


BAD = [
    (spoilt("drvie", value=[]), "unknown key 'drvie': did you mean 'drive'?"),
    (spoilt("board", "probe_om", value=1), "unknown key 'probe_om' in 'board': did you mean 'probe_ohm'?"),
    (spoilt("drive", 0, "pin_w", value={}), "unknown key 'pin_w' in 'drive.0': did you mean 'pin_"),
    (spoilt("probe", 0, "inrush", value=None), "unknown key 'inrush' in 'probe.0'"),
    (spoilt("format", value="umbilical-measurements/2"), "'format' cannot be 'umbilical-measurements/2'"),
    (spoilt("format", drop=True), "'format' is missing"),
    (spoilt("profile", value="tandem"), "no profile 'tandem': did you mean 'tandem-53ft'?"),
    (spoilt("profile", value=7), "'profile' must be a name or a group of keys, not 7"),
    (spoilt("nominal_v", value=24), "profile 'tandem-53ft-filament' is a 12 V one, not 24 V"),
    (spoilt("nominal_v", value=48), "'nominal_v' cannot be 48"),
    (spoilt("drive", 0, "return", drop=True), "'return' is missing in 'drive.0'"),
    (spoilt("drive", 0, "return", value="neither"), "'return' cannot be 'neither'"),
    (spoilt("drive", 0, "driven", value="9"), "pin 9 is no live pin of sae-j560"),
    (spoilt("drive", 0, "driven", value="1"), "pin 1 is no live pin of sae-j560"),
    (spoilt("drive", 0, "driven", value="four"), "cannot be 'four'"),
    (spoilt("drive", 0, "driven", value=4.5), "must be text"),
    (spoilt("drive", 0, "pin_v", "9", value=1.0), "sae-j560 has no pin 9"),
    (spoilt("drive", 0, "pin_v", "4", value="12"), "'pin_v.4' must be a number, not '12'"),
    (spoilt("drive", 0, "pin_v", "4", value=None), "'pin_v.4' must be a number, not nothing"),
    (spoilt("drive", 0, "pin_a", "4", value=1e6), "'pin_a.4' must be at most 200"),
    (spoilt("drive", 0, "return_a", "frame", value=1.0), "'frame' cannot stand here"),
    (spoilt("drive", 0, "level", value=2), "'level' must be at most 1, not 2"),
    (spoilt("drive", 0, "inrush", "a", value=[1.0]), "'a' has 1 samples and 'v' has 2"),
    (spoilt("drive", 0, "inrush", "dt_s", value=0), "'dt_s' must be more than 0"),
    (spoilt("drive", 0, "sense_at", value="rear.stp"), "no node 'rear.stp': did you mean 'rear.stop'?"),
    (spoilt("drive", value={}), "'drive' must be a list"),
    (spoilt("supply_v", value=True), "'supply_v' must be a number, not True"),
    (changed(supply_v=..., drive=...), "'supply_v' is missing, and no driven pin shows it"),
    ([EXAMPLE], "the file must be a group of keys, not a list"),
]


@pytest.mark.parametrize(("data", "why"), BAD, ids=[why[:50] for _, why in BAD])
def test_a_mistake_is_named_with_its_line(file: Path, data: Any, why: str) -> None:
    with pytest.raises(InputError) as caught:
        loaded(file, data)

    place, _, text = str(caught.value).partition(": ")
    assert place.startswith(f"{file}:")
    assert place.rpartition(":")[2].isdigit()
    assert why in text


def test_the_line_is_that_of_the_mistake(file: Path) -> None:
    text = json.dumps(spoilt("drive", 1, "pin_v", "4", value="12"), indent=1)
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        load_measurements(file)

    line = int(str(caught.value).removeprefix(f"{file}:").split(":")[0])
    assert text.splitlines()[line - 1].strip() == '"4": "12"'


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_a_number_that_is_not_finite_is_refused_with_its_place(file: Path, number: str) -> None:
    file.write_text(json.dumps(EXAMPLE, indent=1).replace("4.045", number))
    with pytest.raises(InputError, match=r"'pin_a.4' must be a finite number") as caught:
        load_measurements(file)

    place = str(caught.value).partition("'")[0]
    assert re.fullmatch(re.escape(str(file)) + r":(\d+| drive\.0\.pin_a\.4): ", place)


# --- writing ---


@pytest.mark.parametrize("name", profile_names())
def test_a_profile_written_inline_is_the_same_profile(name: str) -> None:
    profile = load_profile(name)
    document = {"format": EXAMPLE["format"], "profile": profile_document(profile), "supply_v": 12.0}
    again = read(json.loads(json.dumps(document))).profile

    assert replace(again, segments=(), joints=()) == replace(profile, segments=(), joints=())
    assert [segment.name for segment in again.segments] == [segment.name for segment in profile.segments]
    for new, old in zip((*again.segments, *again.joints), (*profile.segments, *profile.joints), strict=True):
        assert (new.name, new.a, new.b) == (old.name, old.a, old.b)
        assert new.resistance_ohm == pytest.approx(old.resistance_ohm, rel=1e-12)


def test_a_mistake_in_an_inline_profile_is_named_with_its_line(file: Path) -> None:
    data = changed(profile=profile_document(PROFILE))
    data["profile"]["circuits"]["stop"]["pin"] = 1
    text = json.dumps(data, indent=1)
    file.write_text(text)
    with pytest.raises(InputError, match="pin 1 of sae-j560 is an earth pin") as caught:
        load_measurements(file)

    line = int(str(caught.value).removeprefix(f"{file}:").split(":")[0])
    assert text.splitlines()[line - 1].strip().startswith('"pin": 1')


VOLTS = st.floats(-50, 50).map(lambda x: round(x, 3))
PINS = st.sampled_from(range(1, 8))
LIVE = st.sampled_from(range(2, 8))
SAMPLES = st.lists(st.tuples(VOLTS, VOLTS), min_size=1, max_size=5)
INRUSH = st.builds(
    lambda dt_s, both: Inrush(dt_s, tuple(a for a, _ in both), tuple(v for _, v in both)),
    st.sampled_from([0.0002, 0.001]),
    SAMPLES,
)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    how = draw(st.sampled_from(["probe", "pulse", "drive"]))
    driven = tuple(draw(st.lists(LIVE, unique=True, min_size=1, max_size=3 if how == "drive" else 1)))
    reading = Reading(
        how=how,  # type: ignore[arg-type]
        returns=draw(st.sampled_from(["pin", "chassis", "both", "none"])),
        driven=driven,
        pin_v=draw(st.dictionaries(PINS, VOLTS, min_size=1)),
        pin_a=draw(st.dictionaries(PINS, VOLTS)),
        return_a=draw(st.dictionaries(st.sampled_from(["pin", "chassis"]), VOLTS)),
        chassis_sense_v=draw(st.none() | VOLTS),
        sense_at=draw(st.sampled_from(["chassis", "rear.ground"])),
        supply_v=draw(st.none() | VOLTS),
    )
    if how != "drive":
        return reading
    level, inrush = draw(st.floats(0, 1)), draw(st.none() | INRUSH)
    return replace(reading, level=level, inrush=inrush, limited=draw(st.booleans()), tripped=draw(st.booleans()))


@settings(max_examples=25, deadline=None)
@given(taken=st.lists(readings(), max_size=5), ambient_c=st.floats(-40, 60), supply_v=st.floats(0, 32))
def test_measurements_written_and_read_again_are_the_same(
    taken: list[Reading], ambient_c: float, supply_v: float
) -> None:
    order = {"probe": 0, "pulse": 1, "drive": 2}
    measurements = Measurements(
        PROFILE,
        ambient_c,
        supply_v,
        BoardErrors(voltage_offset_v=0.01),
        tuple(sorted(taken, key=lambda r: order[r.how])),
    )
    document = json.loads(json.dumps(measurements_document(measurements, profile=PROFILE.name)))

    SCHEMA.validate(document)
    assert read(document) == measurements
