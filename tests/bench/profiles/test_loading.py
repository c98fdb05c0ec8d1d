"""Profiles from files: what a good one becomes, and what is said about a bad one."""

from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import load_connector, load_limits, load_profile
from bench.profiles.model import Filament, Load, Profile
from bench.profiles.wire import awg_area_mm2
from tests.bench.profiles.samples import HARNESS


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    return tmp_path / "bench.yaml"


def loaded(path: Path, text: str) -> Profile:
    path.write_text(text, encoding="utf-8")
    return load_profile(path)


def refusal(path: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        loaded(path, text)
    return str(caught.value).splitlines()


# --- a good one ---


def test_a_harness_becomes_a_frozen_profile(bench_file: Path) -> None:
    profile = loaded(bench_file, HARNESS)

    assert (profile.name, profile.kind, profile.nominal_v, profile.units) == ("bench", "harness", 12, "us")
    assert [(circuit.name, circuit.pin) for circuit in profile.circuits] == [("stop", 4), ("tail", 6)]
    assert profile.channel_of_pin == {2: 1, 3: 2, 4: 3, 5: 4, 6: 5, 7: 6}
    assert profile.loads_of("stop")[0] == Load(
        "stop.left", "stop left", Filament(12.8, 26.9), "rear.stop", "rear.ground", "stop", 0.10, "rear left"
    )
    with pytest.raises(FrozenInstanceError):
        profile.title = "another"  # type: ignore[misc]


def test_feet_and_gauges_become_metres_and_areas(bench_file: Path) -> None:
    wires = {wire.name: wire for wire in loaded(bench_file, HARNESS).segments}

    assert wires["wire.stop"].length_m == pytest.approx(15.24)
    assert wires["wire.tail"].length_m == 15
    assert wires["wire.stop"].area_mm2 == awg_area_mm2(12)


def test_inches_and_square_millimetres_are_taken_too(bench_file: Path) -> None:
    text = HARNESS.replace("awg: 12, length_m: 15", "mm2: 1.5, length_in: 100")

    wire = {wire.name: wire for wire in loaded(bench_file, text).segments}["wire.tail"]
    assert (wire.length_m, wire.area_mm2) == (pytest.approx(2.54), 1.5)


def test_a_cable_is_a_segment_for_each_core_and_a_plug_a_joint(bench_file: Path) -> None:
    cable = "cables:\n  flex: {from: socket, to: rear, length_ft: 50, awg: {stop: 12}, mm2: {ground: 6}}\n"
    plug = "plugs:\n  socket: {from: nose, to: socket, cores: [stop, ground], milliohm: 8}\n"
    ends = "  c.stop: {from: pin.4, to: nose.stop}\n  c.ground: {from: pin.1, to: nose.ground}\n"
    text = HARNESS.replace("segments:", f"{cable}{plug}segments:").replace("joints:\n", f"joints:\n{ends}")
    lines = [line for line in text.splitlines() if not line.startswith(("  wire.stop", "  wire.ground"))]

    profile = loaded(bench_file, "\n".join(lines))
    assert [(w.name, w.a, w.b) for w in profile.segments][:2] == [
        ("flex.stop", "socket.stop", "rear.stop"),
        ("flex.ground", "socket.ground", "rear.ground"),
    ]
    assert [(j.name, j.resistance_ohm, j.ground) for j in profile.joints][:2] == [
        ("socket.stop", 0.008, False),
        ("socket.ground", 0.008, True),
    ]


def test_joints_of_a_return_path_are_ground_joints(bench_file: Path) -> None:
    bond, feed = "bond: {from: rear.ground, to: chassis}", "splice: {from: rear.stop, to: far.stop, milliohm: 0}"
    text = HARNESS.replace(bond, f"{bond}\n  {feed}").replace("from: rear.stop, to: rear.ground, place: rear right",
                                                             "from: far.stop, to: rear.ground")  # fmt: skip

    assert {joint.name: joint.ground for joint in loaded(bench_file, text).joints} == {"bond": True, "splice": False}


def test_a_load_behind_another_load_belongs_to_the_same_circuit(bench_file: Path) -> None:
    steering = (
        "  steering: {diode: {}, from: rear.tail, to: far.tail}\n"
        "  relay: {resistor: {ohm: 90}, from: far.tail, to: rear.ground}\n"
    )

    assert loaded(bench_file, HARNESS + steering).loads[-1].circuit == "tail"


def test_limits_are_a_files_with_the_profiles_own_over_them(bench_file: Path) -> None:
    own = "{use: electrical, override: {contact-ohm: {high: 0.2, unit: ohm, source: ours, mark: memory}}}"
    profile = loaded(bench_file, HARNESS.replace("limits: electrical", f"limits: {own}"))

    assert profile.limits["contact-ohm"].high == 0.2
    assert profile.limits["abs-voltage-v"] == load_limits("electrical")["abs-voltage-v"]


def test_tolerances_and_protection_keep_their_usual_values_where_not_given(bench_file: Path) -> None:
    profile = loaded(bench_file, HARNESS + "tolerances: {length: 0.02}\nprotection: {limit_a: 8}\n")

    assert (profile.tolerances.length, profile.tolerances.lamp_current) == (0.02, 0.10)
    assert (profile.protection.limit_a, profile.protection.rms_limit_a) == (8.0, 6.0)


def test_a_lamp_of_the_profiles_own_goes_before_the_catalogues(bench_file: Path) -> None:
    own = (
        "lamps:\n  bulb-67: {title: t, filament: {rated_v: 12, rated_w: 5}, tolerance: 0.3, source: s, mark: memory}\n"
    )
    load = loaded(bench_file, HARNESS + own).loads[-1]

    assert (load.type, load.tolerance) == (Filament(12.0, 5.0), 0.3)


def test_a_connector_with_more_pins_than_a_board_has_channels_needs_them_said(bench_file: Path) -> None:
    pins = ", ".join(f"{n}: {{function: f, at: [0, 0]}}" for n in range(2, 25))
    earth = "1: {function: g, ground: true, at: [0, 0]}"
    plug = f"{{title: t, standard: s, nominal_v: 12, source: s, mark: memory, pins: {{{earth}, {pins}}}}}"
    text = HARNESS.replace("sae-j560", plug).replace("pin: 6", "pin: 20").replace("pin.6", "pin.20")

    assert "pin 20 of circuit 'tail' is on no channel; say in 'channels'" in refusal(bench_file, text)[0]
    assert loaded(bench_file, text + "channels: {4: 1, 20: 16}\n").channel_of_pin == {4: 1, 20: 16}


# --- names and paths ---


def test_a_name_is_found_in_the_data_that_comes_along() -> None:
    assert load_profile("tandem-53ft").name == "tandem-53ft"
    assert load_profile("profiles/trailers/tandem-53ft.yaml") == load_profile("tandem-53ft")


def test_data_that_comes_along_is_found_by_its_path_from_anywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    assert load_profile("profiles/trailers/tandem-53ft.yaml").name == "tandem-53ft"


def test_a_profile_may_name_files_beside_it(bench_file: Path) -> None:
    connector = "title: t\nstandard: s\nnominal_v: 24\nsource: s\nmark: memory\npins: {4: {function: a, at: [0, 0]},"
    connector += " 6: {function: b, at: [0, 0]}, 1: {function: c, ground: true, at: [0, 0]}}"
    (bench_file.parent / "mine.yaml").write_text(connector)
    text = HARNESS.replace("sae-j560", "mine.yaml").replace("bulb-1156", "p21w").replace("bulb-67", "r5w")

    profile = loaded(bench_file, text)
    assert (profile.connector.name, profile.nominal_v) == ("mine", 24)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("tandem-53", "no profile 'tandem-53': did you mean 'tandem-53ft'?"),
        ("absent.yaml", "no profile 'absent.yaml'"),
        ("../absent/file", "no profile '../absent/file'"),
        ("", "no profile ''"),
        ("nul\0", "no profile 'nul\0'"),
    ],
)
def test_a_profile_that_is_not_there_is_said_so(name: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        load_profile(name)

    assert str(caught.value).startswith(said)


def test_a_connector_that_changes_on_disk_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    text = "title: {}\nstandard: s\nnominal_v: 12\nsource: s\nmark: memory\npins: {{1: {{function: f, at: [0, 0]}}}}\n"
    path.write_text(text.format("first"))
    assert load_connector(path).title == "first"

    path.write_text(text.format("second one"))
    assert load_connector(path).title == "second one"


# --- bad ones: each with the line and what would be right ---

BAD = [
    ("rear.stop, awg", "rear.stp, awg", 9, "no node 'rear.stp': did you mean 'rear.stop'?"),
    ("to: rear.ground}", "to: rear.gruond}", 17, "no node 'rear.gruond': did you mean 'rear.ground'?"),
    ("rear.tail, awg", "elsewhere, awg", 10, "nothing else connects to 'elsewhere'"),
    ("from: pin.4", "from: pin.44", 9, "sae-j560 has no 'pin.44'; its pins are 1, 2, 3, 4, 5, 6, 7"),
    ("{from: pin.4, to: rear.stop,", "{from: pin.4, to: pin.4,", 9, "both ends at 'pin.4'"),
    ("awg: 12, length_ft: 50", "awg: 12", 9, "give one length"),
    ("length_ft: 50", "length_ft: 50, length_m: 15", 9, "give one length"),
    ("awg: 12, length_ft: 50", "length_ft: 50", 9, "give one wire size: 'awg' or 'mm2'"),
    ("length_ft: 50", "legnth_ft: 50", 9, "unknown key 'legnth_ft' in 'segments.wire.stop': did you mean 'length_ft'?"),
    ("pin: 4", "pin: 1", 6, "pin 1 of sae-j560 is an earth pin"),
    ("pin: 6", "pin: 4", 7, "pin 4 is already circuit 'stop'"),
    ("pin: 6", "pin: 9", 7, "sae-j560 has no pin 9; its live pins are 2, 3, 4, 5, 6, 7"),
    ("pin: 6", "pin: six", 7, "'pin' must be a whole number, not 'six'"),
    ("pin: 6", "pin: 6.5", 7, "'pin' must be a whole number, not 6.5"),
    ("pin: 6", "pin: '6'", 7, "'pin' must be a whole number, not '6'"),
    ("pin: 6", "pin: true", 7, "'pin' must be a whole number, not True"),
    ("pin: 6,", "pin: 6, lit: yes,", 7, "'lit' must be true or false, not 'yes'"),
    ("bulb-67", "bulb-76", 17, "no lamp type 'bulb-76': did you mean 'bulb-"),
    ("kind: harness", "kind: trailor", 2, "'kind' cannot be 'trailor': did you mean 'trailer'?"),
    ("kind: harness", "kind: boat", 2, "'kind' cannot be 'boat'; choose from"),
    ("sae-j560", "sae-j506", 3, "no connector 'sae-j506': did you mean 'sae-j560'?"),
    ("sae-j560", "{title: x}", 3, "'standard' is missing in 'connector'"),
    ("sae-j560", "[x]", 3, "'connector' must be a name or a group of keys, not a list"),
    ("limits: electrical", "limits: electric", 4, "no limits file 'electric': did you mean 'electrical'?"),
    ("limits: electrical", "limits: {use: electric}", 4, "no limits file 'electric'"),
    ("place: rear left", "circuit: stpo", 15, "no circuit 'stpo': did you mean 'stop'?"),
    ("place: rear left", "circuit: tail", 15, "'stop.left' is fed by 'stop' (pin 4), not by 'tail'"),
    ("length_m: 15", "length_m: -15", 10, "'length_m' must be more than 0, not -15"),
    ("length_m: 15", "length_m: long", 10, "'length_m' must be a number, not 'long'"),
    ("length_m: 15", "length_m: .nan", 10, "'.nan' is not a finite number"),
    ("awg: 8", "awg: 40", 11, "'awg' must be at most 30, not 40"),
    ("title: A bench harness\n", "", 1, "'title' is missing"),
    ("title: A bench harness", "title: ''", 1, "'title' must not be empty"),
    ("title: A bench harness", "title: 12", 1, "'title' must be text"),
    ("  tail.left:", "  stop.left:", 17, "'stop.left' is here twice"),
    ("  bond:", "  wire.stop:", 13, "the name 'wire.stop' is used twice"),
    ("  bond:", "  'bond here':", 13, "'bond here' cannot stand here: names are"),
    ("to: chassis}", "to: pin.4}", 6, "circuit 'stop' (pin 4) is joined to ground by wire alone"),
    ("lamp: bulb-67, ", "", 17, "say what it is with exactly one of lamp"),
    ("lamp: bulb-67,", "lamp: bulb-67, resistor: {ohm: 5},", 17, "exactly one of lamp"),
    ("lamp: bulb-67,", "resistor: {ohm: 0},", 17, "'ohm' must be more than 0, not 0"),
    ("lamp: bulb-67,", "control_unit: {power_w: 3},", 17, "'lockout_v' is missing in 'loads.tail.left.control_unit'"),
    ("joints:", "channels: {2: 1, 4: 1, 6: 3}\njoints:", 12, "channel 1 already feeds pin 2"),
    ("joints:", "channels: {4: 129, 6: 2}\njoints:", 12, "'channels.4' must be at most 128, not 129"),
    ("joints:", "channels: {4: 1}\njoints:", 12, "pin 6 of circuit 'tail' is on no channel"),
    ("joints:", "channels: {1: 1, 4: 2, 6: 3}\njoints:", 12, "pin 1 is no live pin of sae-j560"),
    ("joints:", "channels: {four: 1}\njoints:", 12, "'four' cannot stand here: pins are numbers"),
    ("segments:", "segments: 7\nsegmentz:", 9, "unknown key 'segmentz': did you mean 'segments'?"),
    ("joints:", "cables:\n  c: {from: a, to: b, length_m: 1}\njoints:", 13, "a cable needs cores"),
    (
        "joints:",
        "cables:\n  c: {from: a, to: b, length_m: 1, awg: {x: 8}, mm2: {x: 1}}\njoints:",
        13,
        "core 'x' is under both",
    ),
    (
        "  tail: {pin: 6, title: tail}",
        "  tail: {pin: 6, title: tail}\n  abs: {pin: 7, title: abs}",
        8,
        "nothing is connected to pin.7",
    ),
    (
        "to: rear.ground}",
        "to: nowhere}\n  x: {lamp: bulb-67, from: rear.tail, to: nowhere}",
        17,
        "'tail.left' has no way back",
    ),
    ("from: rear.tail, to: rear.ground}", "from: rear.ground, to: rear.tail}", 17, "'tail.left' is fed by no circuit"),
    (
        "joints:",
        "joints:\n  i1: {from: isle.a, to: isle.b}\n  i2: {from: isle.b, to: isle.a}",
        13,
        "'i1' is not connected to any pin",
    ),
    (
        "joints:",
        "joints:\n  bridge: {from: rear.stop, to: rear.tail}",
        16,
        "'stop.left' is fed by stop and tail: say which",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("good", "bad", "line", "why"), BAD, ids=[bad[:40] for _, bad, _, _ in BAD])
def test_a_mistake_is_named_with_its_line_and_what_would_be_right(
    bench_file: Path, good: str, bad: str, line: int, why: str
) -> None:
    assert good in HARNESS

    said = refusal(bench_file, HARNESS.replace(good, bad, 1))
    assert any(each.startswith(f"{bench_file}:{line}: ") and why in each for each in said), said


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file(bench_file: Path) -> None:
    text = HARNESS.replace("awg: 8", "awg: x").replace("kind: harness", "kind: boat").replace("bulb-67", "[]")
    lines = [int(each.removeprefix(f"{bench_file}:").split(":")[0]) for each in refusal(bench_file, text)]

    assert lines == [2, 11, 17]


def test_a_flood_of_mistakes_is_cut_short(bench_file: Path) -> None:
    said = refusal(bench_file, HARNESS + "".join(f"  extra{i}: 1\n" for i in range(50)))

    assert len(said) == 21
    assert said[-1].endswith("and 30 more")


@pytest.mark.parametrize("text", ["", "[]", "3", "just words", "null"])
def test_a_file_that_is_no_group_of_keys_is_refused(bench_file: Path, text: str) -> None:
    assert refusal(bench_file, text)[0].startswith(f"{bench_file}:1: the file must be a group of keys")


def test_a_mistake_in_a_file_that_is_named_is_told_with_that_files_name(bench_file: Path) -> None:
    mine = bench_file.parent / "mine.yaml"
    mine.write_text("title: t\nlimits:\n  a: {unit: V, source: s, mark: memory}\n")

    said = refusal(bench_file, HARNESS.replace("limits: electrical", "limits: mine.yaml"))
    assert said == [f"{mine}:3: a limit needs 'low', 'high' or both"]
