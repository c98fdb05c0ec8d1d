"""The air sections of profiles and scenarios: what they say, and what is refused with its line."""

import json
from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import json_schema, load_limits, load_profile, load_scenario, profile_document
from bench.profiles.air_model import PA_PER_PSI, AirFault, AirInput, AirScenario, WheelEnd
from bench.profiles.chambers import CHAMBERS
from tests.bench.profiles.samples import HARNESS

AIR = """\
air:
  vehicle: dolly
  reservoir_in3: 2848
  supply_line_ft: 10
  check_valve: false
  electrical_supply: stop
  wheel_ends:
    left: {axle: 1, side: left, chamber: "24", long_stroke: true}
    right: {axle: 1, side: right, spring: false, title: "right brake"}
  inputs:
    "1": {measures: supply}
    "2": {measures: chamber, wheel_end: left, range_psi: [-3, 150], filter_ms: 4}
    "3": {measures: stroke, wheel_end: right, range_mm: [0, 80]}
    "4": {measures: tank-skin, range_c: [-40, 60]}
"""
SCENARIO = """\
profile: tandem-53ft
air:
  source_psi: 110
  start_kpa: 300
  convection: 0.3
  strokes_in: {front-left: 2.0}
  strokes_mm: {rear-left: 44}
  faults:
    - {kind: leak, place: spring-seal, psi_per_min: 4, at_s: 30, until_s: 90}
    - {kind: leak, place: diaphragm-1, kpa_per_min: 6.894757}
    - {kind: stroke, place: rear-right, stroke_in: 2.4}
    - {kind: regulator-low, place: supply, pressure_psi: 70}
    - {kind: slow-release, place: service, share: 0.4}
    - {kind: valve-stuck-open, place: supply-fill}
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "mine.yaml"


def test_an_air_section_says_what_the_drawing_says(file: Path) -> None:
    file.write_text(HARNESS + AIR)
    air = load_profile(file).air

    assert air is not None
    assert air.reservoir_m3 == pytest.approx(0.04667, rel=1e-3)
    assert (air.vehicle, air.check_valve, air.electrical_supply) == ("dolly", False, "stop")
    assert (air.supply_line_m, air.service_line_m) == (pytest.approx(3.048), 14.2)
    assert air.wheel_ends == (
        WheelEnd("left", "left", 1, "left", "24", long_stroke=True),
        WheelEnd("right", "right brake", 1, "right", "30", spring=False),
    )
    assert air.inputs == (
        AirInput(1, "supply"),
        AirInput(2, "chamber", "left", round(-3 * PA_PER_PSI), round(150 * PA_PER_PSI), 0.004),
        AirInput(3, "stroke", "right", 0, 80_000),
        AirInput(4, "tank-skin", None, 233_150, 333_150),
    )


def test_air_limits_stand_beside_the_electrical_ones_by_the_profiles_units(file: Path) -> None:
    file.write_text(HARNESS + AIR)
    us = load_profile(file).limits
    file.write_text(HARNESS.replace("kind: harness", "kind: harness\nunits: metric") + AIR)
    metric = load_profile(file).limits

    assert us["leak-trailer-released"].unit == "psi/min"
    assert metric["leak-trailer-released"].unit == "kPa/min"
    assert "contact-ohm" in us


def test_a_profile_may_set_air_limits_of_its_own(file: Path) -> None:
    own = "{low: 70, high: 75, unit: psi, source: ours, mark: common-practice}"
    file.write_text(HARNESS + AIR + f"  limits: {{use: air-us, override: {{stroke-pressure: {own}}}}}\n")

    assert load_profile(file).limits["stroke-pressure"].low == 70


def test_a_harness_without_air_has_no_air_limits() -> None:
    assert not [name for name in load_profile("machine-door").limits if name.startswith(("leak-", "stroke-"))]


def test_a_profile_written_out_is_the_same_profile(file: Path) -> None:
    for name in ("tandem-53ft", "semitrailer-24v"):
        profile = load_profile(name)
        file.with_suffix(".json").write_text(json.dumps(profile_document(profile)))

        assert load_profile(file.with_suffix(".json")).air == profile.air
        assert load_profile(file.with_suffix(".json")).limits == profile.limits


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("vehicle: dolly", "vehicle: truck", "'vehicle' cannot be 'truck'"),
        ("reservoir_in3: 2848", "reservoir_in3: -1", "'reservoir_in3' must be more than 0"),
        ("  reservoir_in3: 2848\n", "", "give one reservoir volume"),
        ("supply_line_ft: 10", "supply_line_ft: 10\n  supply_line_m: 3", "say the same thing"),
        ("electrical_supply: stop", "electrical_supply: stopp", "no circuit 'stopp': did you mean 'stop'"),
        ('chamber: "24"', 'chamber: "25"', "no chamber type '25'"),
        ("side: right", "side: left", "the left of axle 1 is already 'left'"),
        ("wheel_end: left, range", "wheel_end: front, range", "no wheel end 'front'"),
        ("measures: supply", "measures: supply, wheel_end: left", "belongs to no wheel end"),
        ("measures: stroke, wheel_end: right, range_mm: [0, 80]", "measures: supply", "input 1 measures the same"),
        ("range_mm: [0, 80]", "range_psi: [0, 80]", "'range_psi' is no range of stroke"),
        ("range_psi: [-3, 150]", "range_psi: [150, -3]", "from low to high"),
        ('"4": {', '"7": {', "'7' cannot stand here"),
        (
            "check_valve: false",
            "check_valves: false",
            "unknown key 'check_valves' in 'air': did you mean 'check_valve'",
        ),
    ],
)
def test_a_mistake_is_named_with_its_line(file: Path, old: str, new: str, said: str) -> None:
    file.write_text(HARNESS + AIR.replace(old, new))
    with pytest.raises(InputError) as caught:
        load_profile(file)

    assert said in str(caught.value)
    assert str(caught.value).startswith("mine.yaml:") or "mine.yaml:" in str(caught.value)


# --- scenarios ---


def test_a_scenario_says_what_the_simulated_air_does(file: Path) -> None:
    file.write_text(SCENARIO)
    air = load_scenario(file).air

    assert air is not None
    assert (air.source_pa, air.start_pa, air.convection) == (110 * PA_PER_PSI, 300_000, 0.3)
    assert air.strokes_m == {"front-left": pytest.approx(0.0508), "rear-left": 0.044}
    assert air.faults == (
        AirFault("leak", "spring-seal", 4, at_s=30, until_s=90),
        AirFault("leak", "diaphragm-1", pytest.approx(1)),  # type: ignore[arg-type]
        AirFault("stroke", "rear-right", value=pytest.approx(0.06096)),  # type: ignore[arg-type]
        AirFault("regulator-low", "supply", value=70 * PA_PER_PSI),
        AirFault("slow-release", "service", value=0.4),
        AirFault("valve-stuck-open", "supply-fill"),
    )


def test_air_is_simulated_only_where_the_scenario_says_so(file: Path) -> None:
    file.write_text("profile: tandem-53ft\n")
    assert load_scenario(file).air is None
    file.write_text("profile: tandem-53ft\nair: {}\n")
    assert load_scenario(file).air == AirScenario()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("profile: tandem-53ft", "profile: machine-door", "no 'air' section"),
        ("place: spring-seal", "place: spring-seat", "no place of leak: did you mean 'spring-seal'"),
        ("place: spring-seal, psi_per_min: 4, ", "place: spring-seal, ", "leak needs its size"),
        ("until_s: 90", "until_s: 20", "must be after"),
        ("front-left: 2.0", "front-lift: 2.0", "no wheel end 'front-lift'"),
        ("rear-left: 44", "front-left: 44", "under 'strokes_in' too"),
        ("place: supply-fill", "place: supply", "no place of valve-stuck-open"),
        ("share: 0.4", "pressure_psi: 3", "says nothing about slow-release"),
        ("start_kpa: 300", "start_kpa: 300\n  start_psi: 40", "say the same thing"),
        ("source_psi: 110", "source_psi: 900", "'source_psi' must be at most 200"),
    ],
)
def test_a_mistake_in_a_scenario_is_named_with_its_line(file: Path, old: str, new: str, said: str) -> None:
    file.write_text(SCENARIO.replace(old, new))
    with pytest.raises(InputError) as caught:
        load_scenario(file)

    assert said in str(caught.value)
    assert "mine.yaml:" in str(caught.value)


# --- data that comes along ---


@pytest.mark.parametrize(
    ("limit", "high", "unit", "mark"),
    [
        # commercial drivers' handbooks (California; Ontario for 4 applied), combination of two: read
        ("leak-combination-released", 3, "psi/min", "verified"),
        ("leak-combination-applied", 4, "psi/min", "verified"),
        ("leak-three-released", 5, "psi/min", "verified"),
        ("leak-three-applied", 6, "psi/min", "verified"),
        # trailer alone: no published figure; half the combination's allowance
        ("leak-trailer-released", 1.5, "psi/min", "common-practice"),
        ("leak-trailer-applied", 2, "psi/min", "common-practice"),
        # out-of-service criteria, by public explanations: 20 % or more
        ("defective-brake-share", 0.2, "1", "verified"),
    ],
)
def test_an_air_limit_is_the_published_one_or_says_that_there_is_none(
    limit: str, high: float, unit: str, mark: str
) -> None:
    found = load_limits("air-us")[limit]

    assert (found.high, found.unit, found.mark) == (high, unit, mark)
    assert ("no published" in found.source) is (mark == "common-practice")


def test_us_and_metric_air_limits_are_of_the_same_things() -> None:
    us, metric = load_limits("air-us"), load_limits("air-metric")

    assert set(us) - set(metric) == {f"release-time-{each}" for each in ("semitrailer", "towing-trailer", "dolly")}
    assert set(metric) - set(us) == set()


@pytest.mark.parametrize(
    ("type_", "stroke_in", "long_in", "volume_in3"),
    # 49 CFR 571.121 Table V: type 30 second-hand, the others from memory
    [("9", 1.75, 2.1, 25), ("20", 2.25, 2.7, 54), ("24", 2.5, 3.2, 67), ("30", 2.5, 3.2, 89), ("36", 3.0, 3.6, 135)],
)
def test_chambers_are_table_v(type_: str, stroke_in: float, long_in: float, volume_in3: float) -> None:
    chamber = CHAMBERS[type_]

    assert chamber.full_stroke_m(False) == pytest.approx(stroke_in * 0.0254)
    assert chamber.full_stroke_m(True) == pytest.approx(long_in * 0.0254)
    assert chamber.volume_m3 == pytest.approx(volume_in3 * 1.6387e-5, rel=1e-4)
    assert chamber.mark == ("second-hand" if type_ == "30" else "memory")


def test_the_schema_knows_the_air_section() -> None:
    assert "air" in json_schema("harness")["properties"]
    assert "air" in json_schema("scenario")["properties"]
