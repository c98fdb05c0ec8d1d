"""Scenarios and answers: what the simulator is told, and that each fault fits its profile."""

from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import load_answers, load_scenario, scenario_names
from bench.profiles.model import InjectedFault, Scenario, SenseErrors

SCENARIO = """\
profile: tandem-53ft-filament
seed: 7
ambient_c: 12
faults:
  - {kind: lamp-out, place: stop.right}
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "mine.yaml"


def loaded(file: Path, text: str) -> Scenario:
    file.write_text(text, encoding="utf-8")
    return load_scenario(file)


def refusal(file: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        loaded(file, text)
    return str(caught.value)


def test_a_scenario_says_what_the_simulator_plays(file: Path) -> None:
    more = (
        "  - {kind: short-to-ground, place: front.riser.markers, position: 0.25, ohm: 0, at_s: 2, until_s: 3}\n"
        "supply: {volts: 13.5, resistance_ohm: 0.1}\nspread: 0\nclamp_milliohm: 8\n"
        "sense: {current_gain: 0.02, voltage_noise_v: 0}\noperator: {clear-to-power: yes, stroke-mm: 44, who: me}\n"
    )
    scenario = loaded(file, SCENARIO + more)

    assert scenario.profile.name == "tandem-53ft-filament"
    assert (scenario.seed, scenario.ambient_c, scenario.spread, scenario.clamp_ohm) == (7, 12.0, 0.0, 0.008)
    assert (scenario.supply_v, scenario.supply_ohm) == (13.5, 0.1)
    assert scenario.sense == SenseErrors(current_gain=0.02, voltage_noise_v=0.0)
    assert scenario.faults == (
        InjectedFault("lamp-out", "stop.right"),
        InjectedFault("short-to-ground", "front.riser.markers", position=0.25, ohm=0.0, at_s=2.0, until_s=3.0),
    )
    assert scenario.answers == {"clear-to-power": True, "stroke-mm": 44.0, "who": "me"}


@pytest.mark.parametrize(("profile", "volts"), [("tandem-53ft", 12.8), ("semitrailer-24v", 25.6)])
def test_the_supply_is_a_charged_battery_of_the_profiles_voltage(file: Path, profile: str, volts: float) -> None:
    assert loaded(file, f"profile: {profile}\n").supply_v == volts


def test_a_scenario_may_name_a_profile_beside_it(file: Path) -> None:
    (file.parent / "variant.yaml").write_text("extends: tandem-53ft\ntitle: mine\n")

    assert loaded(file, "profile: variant.yaml\n").profile.title == "mine"


def test_scenarios_are_found_by_name_and_by_path() -> None:
    assert load_scenario("demo") == load_scenario("profiles/scenarios/demo.yaml")
    assert "demo" in scenario_names()
    with pytest.raises(InputError, match="no scenario 'dmo': did you mean 'demo'"):
        load_scenario("dmo")


GOOD_FAULTS = [
    "{kind: open, place: main.rear.stop, position: 0.5}",
    "{kind: open, place: contact.stop}",
    "{kind: open, place: pin.4}",
    "{kind: open, place: stop.left}",
    "{kind: ground-open, place: pin.1}",
    "{kind: ground-open, place: bond}",
    "{kind: ground-high-resistance, place: main.rear.ground, position: 1, ohm: 3}",
    "{kind: ground-open, place: licence.ground}",
    "{kind: short-to-ground, place: mid.markers}",
    "{kind: short-to-ground, place: mid.markers, other: rear.ground, ohm: 0.1}",
    "{kind: cross-connection, place: pin.6, other: pin.5}",
    "{kind: back-feed, place: rear.left.stop, other: rear.left.tail, position: 0.9}",
    "{kind: short-to-supply, place: pin.3, volts: 12}",
    "{kind: overload, place: licence-lamp, ohm: 2}",
    "{kind: wrong-load, place: stop.left, factor: 0.5}",
    "{kind: abs-code, place: abs-unit, code: '23'}",
    "{kind: abs-lamp, place: abs-unit}",
    "{kind: abs-supply, place: abs-plug.abs, ohm: 9}",
    "{kind: low-supply, place: supply, volts: 10}",
    "{kind: board-fault, place: hung, at_s: 3}",
    "{kind: board-fault, place: 'stuck-voltage:12'}",
    "{kind: intermittent, place: ring.left, chatter_hz: 5}",
    "{kind: intermittent, of: cross-connection, place: pin.6, other: pin.5}",
]


@pytest.mark.parametrize("fault", GOOD_FAULTS)
def test_a_fault_that_fits_is_taken(file: Path, fault: str) -> None:
    assert len(loaded(file, f"{SCENARIO}  - {fault}\n").faults) == 2


BAD_FAULTS = [
    ("{kind: lamp-out, place: stop.rihgt}", "no load 'stop.rihgt' in the profile: did you mean 'stop.right'?"),
    ("{kind: lamp-out, place: contact.stop}", "'contact.stop' is not a load, which lamp-out needs"),
    ("{kind: open, place: main.rear.stp}", "no segment, joint, load or pin 'main.rear.stp'"),
    ("{kind: open, place: pin.8}", "no segment, joint, load or pin 'pin.8'"),
    ("{kind: open, place: rear.stop}", "'rear.stop' is not a segment, joint, load or pin, which open needs"),
    ("{kind: ground-open, place: contact.stop}", "'contact.stop' is not a part of a ground path, which ground-open"),
    ("{kind: ground-high-resistance, place: pin.4}", "'pin.4' is not a part of a ground path"),
    ("{kind: abs-code, place: stop.left, code: '2'}", "'stop.left' is not a control unit, which abs-code needs"),
    ("{kind: abs-code, place: abs-unit}", "needs the code to blink"),
    ("{kind: abs-code, place: abs-unit, code: '2-0'}", "'code' cannot be '2-0'"),
    ("{kind: cross-connection, place: pin.6}", "needs its second place in 'other'"),
    ("{kind: cross-connection, place: pin.6, other: pin.9}", "no place 'pin.9' in the profile"),
    ("{kind: lamp-out, place: stop.right, ohm: 3}", "'ohm' says nothing about lamp-out"),
    ("{kind: open, place: pin.4, position: 0.5}", "'position' is a place along a segment, and 'pin.4' is not one"),
    ("{kind: open, place: main.rear.stop, position: 1.5}", "'position' must be at most 1, not 1.5"),
    ("{kind: open, place: main.rear.stop, ohm: -1}", "'ohm' must be at least 0, not -1"),
    ("{kind: opne, place: main.rear.stop}", "'kind' cannot be 'opne': did you mean 'open'?"),
    ("{kind: open}", "'place' is missing in 'faults.1'"),
    ("{kind: open, plcae: x}", "unknown key 'plcae' in 'faults.1': did you mean 'place'?"),
    ("{kind: open, place: pin.4, at_s: 3, until_s: 2}", "'until_s' (2) must be after 'at_s' (3)"),
    ("{kind: open, place: pin.4, of: lamp-out}", "'of' says which other kind an intermittent is"),
    ("{kind: intermittent, of: intermittent, place: pin.4}", "'of' says which other kind an intermittent is"),
    ("{kind: intermittent, of: lamp-out, place: pin.4}", "'pin.4' is not a load, which lamp-out needs"),
    ("{kind: low-supply, place: stop.left}", "the place of low-supply is 'supply'"),
    ("{kind: board-fault, place: fire}", "'fire' is no board fault; choose from emergency-stop"),
    ("{kind: board-fault, place: stuck-current}", "'stuck-current' is no board fault"),
    ("7", "'faults.1' must be a group of keys, not 7"),
]


@pytest.mark.parametrize(("fault", "why"), BAD_FAULTS)
def test_a_fault_that_does_not_fit_is_named_with_its_line(file: Path, fault: str, why: str) -> None:
    said = refusal(file, f"{SCENARIO}  - {fault}\n")

    assert said.startswith(f"{file}:6: ")
    assert why in said


@pytest.mark.parametrize(
    ("text", "line", "why"),
    [
        ("profile: tandm-53ft\n", 1, "no profile 'tandm-53ft': did you mean 'tandem-53ft'?"),
        ("seed: 1\n", 1, "'profile' is missing"),
        ("profile: tandem-53ft\nseed: -1\n", 2, "'seed' must be at least 0"),
        ("profile: tandem-53ft\nseed: 1.5\n", 2, "'seed' must be a whole number"),
        ("profile: tandem-53ft\nsupply: {volts: 0}\n", 2, "'volts' must be more than 0"),
        ("profile: tandem-53ft\nsupply: {volt: 12}\n", 2, "unknown key 'volt' in 'supply': did you mean 'volts'?"),
        ("profile: tandem-53ft\nfaults: {}\n", 2, "'faults' must be a list"),
        ("profile: tandem-53ft\noperator: {a b: 1}\n", 2, "'a b' cannot stand here"),
        ("profile: tandem-53ft\noperator:\n  chocks: [1]\n", 3, "an answer is yes, no, a number or a text"),
    ],
)
def test_a_mistake_in_a_scenario_is_named_with_its_line(file: Path, text: str, line: int, why: str) -> None:
    said = refusal(file, text)

    assert said.startswith(f"{file}:{line}: ")
    assert why in said


# --- answers ---


def test_answers_are_yes_no_numbers_or_texts(file: Path) -> None:
    file.write_text("clear-to-power: Yes\nguessed: no\nsure: true\nstroke-mm: 44\nwho: nobody\nexact: 1.5\n")

    assert load_answers(file) == {
        "clear-to-power": True, "guessed": False, "sure": True, "stroke-mm": 44.0, "who": "nobody", "exact": 1.5,
    }  # fmt: skip


def test_an_empty_answers_file_answers_nothing(file: Path) -> None:
    file.write_text("# nobody has looked yet\n")

    assert load_answers(file) == {}


@pytest.mark.parametrize(
    ("text", "line", "why"),
    [
        ("- yes\n", 1, "must be a group of keys"),
        ("a: yes\nb:\n", 2, "an answer is"),
        ("a: yes\na: no\n", 2, "'a' is here twice"),
        (f"a: {'x' * 201}\n", 1, "an answer is at most 200 characters long"),
    ],
)
def test_a_wrong_answers_file_is_refused(file: Path, text: str, line: int, why: str) -> None:
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        load_answers(file)

    assert str(caught.value).startswith(f"{file}:{line}: ")
    assert why in str(caught.value)
