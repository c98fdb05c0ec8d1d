"""The data that comes with the program: complete, sound, and as the rules that trailers live under."""

import re
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import get_args

import pytest
from jsonschema import Draft202012Validator

from bench.profiles import (
    check_file,
    data_root,
    json_schema,
    load_limits,
    load_profile,
    load_scenario,
    profile_names,
    scenario_names,
    schema_kinds,
)
from bench.profiles.kinds import kind_of
from bench.profiles.library import names
from bench.profiles.loading import lamp_catalogue
from bench.profiles.model import Filament, InjectedKind, Led, Profile, Segment, pin_node
from bench.profiles.source import read_document
from tools.gen_schemas import stale

OURS = ("answers", "boards", "connectors", "lab", "lamps", "limits", "scenarios", "sequences", "trailers")
FILES = sorted(path for folder in OURS for path in (data_root() / folder).glob("*.yaml"))
README = (data_root() / "README.md").read_text(encoding="utf-8")
PROSE = re.sub(r"```.*?```", "", README, flags=re.DOTALL)


def short(path: Path) -> str:
    return str(path.relative_to(data_root()))


@pytest.mark.parametrize("path", FILES, ids=short)
def test_a_file_that_comes_along_is_sound(path: Path) -> None:
    kind = {"trailers": "harness", "lab": "harness", "lamps": "lamps", "limits": "limits", "answers": "answers"}

    assert check_file(path) == kind.get(path.parent.name, path.parent.name.removesuffix("s"))


@pytest.mark.parametrize("path", [path for path in FILES if not read_document(path).data.get("extends")], ids=short)
def test_a_file_that_comes_along_satisfies_its_json_schema(path: Path) -> None:
    """By an independent validator, the one editors use being another of the same standard."""
    data = read_document(path).data

    Draft202012Validator(json_schema(kind_of(data))).validate(data)


@pytest.mark.parametrize("path", FILES, ids=short)
def test_a_file_tells_editors_its_schema(path: Path) -> None:
    said = re.match(r"# yaml-language-server: \$schema=(\S+)\n", path.read_text(encoding="utf-8"))

    assert said
    assert (path.parent / said[1]).resolve() == data_root() / "schema" / f"{kind_of(read_document(path).data)}.json"


@pytest.mark.parametrize("kind", schema_kinds())
def test_a_schema_is_a_schema(kind: str) -> None:
    Draft202012Validator.check_schema(json_schema(kind))


def test_the_schema_files_are_fresh() -> None:
    assert stale(data_root() / "schema") == []


def test_a_stale_schema_file_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "old.json").write_text("{}")

    assert stale(tmp_path) == sorted([f"{kind}.json" for kind in schema_kinds()] + ["old.json"])


# --- documentation ---


def keys_of(schema: dict[str, object]) -> Iterator[str]:
    for name, value in schema.items():
        if name == "properties" and isinstance(value, dict):
            yield from value
        for each in value if isinstance(value, list) else [value]:
            if isinstance(each, dict):
                yield from keys_of(each)


@pytest.mark.parametrize("kind", schema_kinds())
def test_every_key_is_in_the_readme(kind: str) -> None:
    words = set(re.findall(r"[\w./-]+", " ".join(re.findall(r"`([^`]+)`", PROSE))))

    assert set(keys_of(json_schema(kind))) - words == set()


def test_every_limit_fault_kind_and_folder_is_in_the_readme() -> None:
    said = set(re.findall(r"`([\w-]+)/?`", PROSE))
    limits = {limit for name in names("limits") for limit in load_limits(name)}

    assert limits | set(get_args(InjectedKind)) | set(OURS) <= said


def test_the_readmes_example_is_sound(tmp_path: Path) -> None:
    example = next(text for text in re.findall(r"```yaml\n(.*?)```", README, re.DOTALL) if "loads:" in text)
    path = tmp_path / "example.yaml"
    path.write_text(example, encoding="utf-8")

    assert check_file(path) == "harness"


# --- limits ---

AGREED = {
    "ground-path-sound-ohm", "ground-path-marginal-ohm", "lamp-voltage-share", "abs-voltage-v", "supply-sag-v",
    "supply-low-v", "contact-ohm", "lamp-current-share", "probe-open-ohm", "cross-voltage-v",
}  # fmt: skip


@pytest.mark.parametrize("name", [name for name in names("limits") if not name.startswith("air-")])
def test_a_limits_file_has_every_limit_that_steps_ask_for(name: str) -> None:
    assert set(load_limits(name)) >= AGREED


@pytest.mark.parametrize(
    ("limit", "low", "high", "mark"),
    [
        # California 13 CCR 1249(c): at the socket 85 % of the bulb's design voltage
        ("lamp-voltage-share", 0.85, None, "verified"),
        # TMC RP 141 in FHWA-MC-98-008: 9.5 V at the trailer ABS unit
        ("abs-voltage-v", 9.5, None, "verified"),
        # SAE J2247 / TMC RP 137: 13.5 V at the battery leaves 12.5 V at the trailer end of the cable
        ("supply-sag-v", None, 1.0, "second-hand"),
        # ANSI bulb data: amperes within 10 %
        ("lamp-current-share", 0.90, 1.10, "verified"),
        # common practice, no source: good contacts have 1 to 5 milliohm, bad ones more than 50
        ("contact-ohm", None, 0.05, "common-practice"),
    ],
)
def test_a_limit_is_the_published_one(limit: str, low: float | None, high: float | None, mark: str) -> None:
    found = load_limits("electrical")[limit]

    assert (found.low, found.high, found.mark) == (low, high, mark)


# --- lamps ---

# ANSI trade-number bulbs: design V, A (1156 read on bulb sites, the others from memory)
ANSI = {
    "bulb-1156": (12.8, 2.10), "bulb-1141": (12.8, 1.44), "bulb-1157-bright": (12.8, 2.10),
    "bulb-1157-dim": (14.0, 0.59), "bulb-194": (14.0, 0.27), "bulb-168": (14.0, 0.35), "bulb-67": (13.5, 0.59),
    "bulb-97": (13.5, 0.69), "bulb-1895": (14.0, 0.27), "bulb-89": (13.0, 0.58), "bulb-53": (14.4, 0.12),
}  # fmt: skip
# UN R37: test V, largest W (12 V P21W and P21/5W by UN GRE 2012/34, the others from memory)
UN_R37 = {
    (12, "p21w"): (13.5, 26.5), (12, "p21-5w-bright"): (13.5, 26.5), (12, "p21-5w-dim"): (13.5, 6.6),
    (12, "r5w"): (13.5, 5.5), (12, "r10w"): (13.5, 11.0), (24, "p21w"): (28.0, 29.7),
    (24, "p21-5w-bright"): (28.0, 29.7), (24, "p21-5w-dim"): (28.0, 11.0), (24, "r5w"): (28.0, 7.7),
    (24, "r10w"): (28.0, 14.0),
}  # fmt: skip


@pytest.mark.parametrize("name", ANSI)
def test_a_trade_number_bulb_has_its_design_volts_and_amperes(name: str) -> None:
    form = lamp_catalogue(12)[name].filament

    assert form is not None
    assert form.rated_v == ANSI[name][0]
    assert form.rated_w / form.rated_v == pytest.approx(ANSI[name][1], rel=0.02)


@pytest.mark.parametrize(("system_v", "name"), UN_R37)
def test_a_un_category_bulb_has_its_test_volts_and_watts(system_v: int, name: str) -> None:
    form = lamp_catalogue(system_v)[name].filament

    assert form is not None
    assert (form.rated_v, form.rated_w) == UN_R37[system_v, name]


# common practice, no source: usual LED lamp currents at 12 V
@pytest.mark.parametrize(
    ("name", "low_a", "high_a"),
    [("led-stop", 0.2, 0.5), ("led-turn", 0.2, 0.5), ("led-tail", 0.03, 0.1), ("led-marker", 0.03, 0.1),
     ("led-licence", 0.05, 0.1)],
)  # fmt: skip
def test_led_lamps_draw_what_is_usual(name: str, low_a: float, high_a: float) -> None:
    form = lamp_catalogue(12)[name].led

    assert form is not None
    assert low_a <= form.current_a <= high_a


# --- trailers ---

TRAILERS = [name for name in profile_names() if load_profile(name).kind == "trailer"]
NORTH_AMERICAN = [name for name in TRAILERS if load_profile(name).connector.name == "sae-j560"]


def counted(profile: Profile, circuit: str, place: str) -> int:
    return sum(place in load.place for load in profile.loads_of(circuit))


@pytest.mark.parametrize("name", NORTH_AMERICAN)
def test_a_north_american_trailer_has_the_lamps_of_49_cfr_393_11(name: str) -> None:
    """Table of 393.11 for trailers 80 in or wider, second hand: a state lighting chart."""
    profile = load_profile(name)

    assert counted(profile, "markers", "front left, top") == counted(profile, "markers", "front right, top") == 1
    assert counted(profile, "markers", "rear, top") == 3  # identification
    assert counted(profile, "markers", "left side, front") == counted(profile, "markers", "right side, rear") == 1
    for lamp in ("stop", "tail"):
        assert counted(profile, lamp, "rear left") >= 1
        assert counted(profile, lamp, "rear right") >= 1
    assert counted(profile, "left-turn", "rear left") == counted(profile, "right-turn", "rear right") == 1
    assert sum("licence" in load.name for load in profile.loads_of("tail")) == 1
    long = sum(
        wire.length_m for wire in profile.segments if wire.name.startswith("main") and wire.name.endswith("stop")
    )
    assert counted(profile, "markers", "left side, middle") == (1 if long > 30 * 0.3048 else 0)


@pytest.mark.parametrize("name", NORTH_AMERICAN)
def test_abs_is_fed_by_pin_7_and_its_lamp_is_on_the_left(name: str) -> None:
    """49 CFR 571.121 S5.5.2 and S5.2.3.3, second hand: continuous supply; lamp by the left rear marker."""
    profile = load_profile(name)
    (unit,) = profile.loads_of("abs")

    assert (profile.circuit("abs").pin, profile.circuit("abs").lit) == (7, False)
    assert "warning lamp is rear left, by the side marker" in unit.place


@pytest.mark.parametrize("name", ["semitrailer-24v", "light-13pin"])
def test_left_and_right_position_lamps_are_not_joined(name: str) -> None:
    """ISO 12098 and ISO 11446 (ISO 1724): the position circuits must not be joined by a lamp."""
    profile = load_profile(name)
    sides = {c: {load.a for load in profile.loads_of(c)} for c in ("left-position", "right-position")}

    assert sides["left-position"].isdisjoint(sides["right-position"])


def test_earths_of_the_13_pin_connector_are_not_joined_in_the_trailer() -> None:
    """ISO 11446: 3, 11 and 13 must not be joined on the trailer side."""
    profile = load_profile("light-13pin")
    lamps = {load.b for load in profile.loads if load.circuit != "interior"}

    assert lamps.isdisjoint({load.b for load in profile.loads_of("interior")})
    assert not any("permanent" in wire.a for wire in profile.segments if "permanent" not in wire.name)


def run_ohm(profile: Profile, nodes: list[str]) -> float:
    """Resistance along a chain of nodes."""
    links = {frozenset((link.a, link.b)): link.resistance_ohm for link in (*profile.segments, *profile.joints)}
    return sum(links[frozenset(pair)] for pair in pairwise(nodes))


def test_the_tandems_ground_wire_is_53_feet_of_8_awg() -> None:
    """0.6282 ohm per 1000 ft (handbook copper wire table, from memory), and contacts of 2 and 3 milliohm."""
    profile = load_profile("tandem-53ft")
    way = [pin_node(1), "nose.ground", "mid.ground", "sill.ground", "rear.ground"]

    assert run_ohm(profile, way) == pytest.approx(53 * 0.6282e-3 + 0.005, rel=2e-3)


@pytest.mark.parametrize("name", NORTH_AMERICAN)
def test_trunk_wires_have_at_least_the_size_of_the_connectors_cores(name: str) -> None:
    """A trailer trunk is not thinner than its cable, but for the stop wire of a short van."""
    profile = load_profile(name)
    thinnest: dict[str, Segment] = {}
    for wire in profile.segments:
        core = wire.name.rpartition(".")[2]
        if wire.name.startswith("main") and wire.area_mm2 < thinnest.get(core, wire).area_mm2 + 1e-9:
            thinnest[core] = wire

    assert thinnest["ground"].area_mm2 == pytest.approx(8.366, rel=1e-3)
    assert min(wire.area_mm2 for wire in thinnest.values()) == pytest.approx(3.309, rel=1e-3)


def test_there_is_a_trailer_of_every_sort() -> None:
    profiles = [load_profile(name) for name in profile_names()]
    bonded = {p.name for p in profiles if any("chassis" in (j.a, j.b) for j in p.joints)}
    lamps = {p.name: Counter(type(load.type) for load in p.loads) for p in profiles}

    assert {p.nominal_v for p in profiles} == {12, 24}
    assert {p.kind for p in profiles} == {"trailer", "harness"}
    assert "van-28ft-unbonded" not in bonded
    assert "tandem-53ft" in bonded
    assert lamps["tandem-53ft"][Filament] == 0
    assert lamps["tandem-53ft-filament"][Led] == 0
    assert lamps["van-28ft-unbonded"][Led] * lamps["van-28ft-unbonded"][Filament] > 0


def test_the_lab_harness_says_nothing_of_trailers() -> None:
    text = (data_root() / "lab" / "machine-door.yaml").read_text() + (
        data_root() / "connectors" / "lab-12.yaml"
    ).read_text()

    assert not re.search(
        r"trailer|tractor|marker|clearance|licence|turn\b", text.replace("led-marker", ""), re.IGNORECASE
    )


# --- scenarios ---


def test_every_fault_kind_has_a_scenario_of_its_name() -> None:
    for kind in get_args(InjectedKind):
        assert kind in [fault.kind for fault in load_scenario(kind).faults]


@pytest.mark.parametrize(
    "name", [name for name in scenario_names() if name.startswith("healthy") or name == "lab-door"]
)
def test_a_healthy_scenario_has_no_fault(name: str) -> None:
    assert load_scenario(name).faults == ()


def test_the_demonstration_has_three_faults_of_three_kinds() -> None:
    scenario = load_scenario("demo")

    assert {fault.kind for fault in scenario.faults} == {"lamp-out", "ground-high-resistance", "short-to-ground"}
    assert scenario.answers
