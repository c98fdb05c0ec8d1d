"""A loose cable between two sockets, or at one socket with a shorting cap."""

import json
from dataclasses import replace

import pytest

from bench import app
from bench.app.simulated import Simulated
from bench.cli import run as umbilical
from bench.contract.table import Capability
from bench.profiles import load_scenario
from bench.profiles.cable import cable_profile
from bench.profiles.cable_model import Cable, CableFault
from bench.profiles.model import Scenario
from bench.results import Run, Verdict
from bench.virtual_time import run_virtual

AWG_12_OHM_PER_1000_FT = 1.588  # ASTM B258 and NEC chapter 9 handbook tables, solid copper at 20 degC
LENGTH_M = 4.6
CONTACTS_OHM = 0.006  # of the simulated cable


def run_of(
    monkeypatch: pytest.MonkeyPatch,
    *faults: CableFault,
    far: bool = True,
    length_m: float | None = LENGTH_M,
    connector: str = "sae-j560",
    seed: int = 3,
) -> Run:
    profile = cable_profile(connector)
    volts = 12.8 if profile.nominal_v == 12 else 25.6
    scenario = Scenario(profile, seed=seed, supply_v=volts, cable=Cable(LENGTH_M, faults, far))
    monkeypatch.setattr("bench.app.connecting.played_by", lambda _: scenario)

    async def work() -> Run:
        async with app.connect("sim:") as session:
            return await session.cable(profile, length_m=length_m)

    return run_virtual(work())


def values(run: Run) -> dict[str, float | None]:
    return {value.name: value.value for step in run.steps for value in step.values}


@pytest.mark.parametrize("connector", ["sae-j560", "iso-11446", "iso-12098"])
@pytest.mark.parametrize("far", [True, False])
def test_a_sound_cable_passes_without_a_finding(monkeypatch, connector, far):
    run = run_of(monkeypatch, far=far, connector=connector)

    assert (run.verdict, run.findings) == (Verdict.PASS, ())


@pytest.mark.parametrize(
    ("fault", "pins", "word"),
    [
        (CableFault("open", 2), (2,), "open"),
        (CableFault("crossed", 3, 5), (3, 5), "crossed"),
        (CableFault("bridged", 2, 6), (2, 6), "bridged"),
        (CableFault("bridged", 1, 7), (1, 7), "bridged"),
        (CableFault("high-resistance", 4, ohm=0.08), (4,), "high resistance"),
        (CableFault("high-resistance", 1, ohm=0.08), (1,), "high resistance"),
        (CableFault("leak", 2, 7, ohm=200e3), (2, 7), "leak"),
        (CableFault("leak", 4, 1, ohm=50e3), (1, 4), "leak"),
    ],
    ids=lambda each: f"{each.kind}-{each.pin}" if isinstance(each, CableFault) else "",
)
def test_a_fault_between_two_sockets_is_found_at_its_pins_and_nothing_else_is(monkeypatch, fault, pins, word):
    run = run_of(monkeypatch, fault)

    assert [(each.kind, each.pins) for each in run.findings] == [("bad-cable", pins)]
    assert f"({word})" in run.findings[0].explain
    assert run.verdict is Verdict.FAIL


def test_a_ground_conductor_that_is_open_is_found(monkeypatch):
    run = run_of(monkeypatch, CableFault("open", 1))

    assert {each.pins for each in run.findings} == {(1,)}


def test_two_faults_are_two_findings(monkeypatch):
    run = run_of(monkeypatch, CableFault("crossed", 3, 5), CableFault("open", 7))

    assert {each.pins for each in run.findings} == {(3, 5), (7,)}


def test_resistance_is_that_of_the_handbook_and_two_contacts(monkeypatch):
    seen = values(run_of(monkeypatch))

    handbook = AWG_12_OHM_PER_1000_FT / 304.8 * LENGTH_M + CONTACTS_OHM
    for pin in (2, 3, 5, 6):
        assert seen[f"conductor of pin {pin}"] == pytest.approx(handbook, rel=0.15)


def test_without_a_length_one_bad_conductor_still_stands_out(monkeypatch):
    run = run_of(monkeypatch, CableFault("high-resistance", 4, ohm=0.1), length_m=None)

    assert [each.pins for each in run.findings] == [(4,)]
    assert "evenly bad" in (run.steps[0].reason or "")


def test_a_leak_is_measured(monkeypatch):
    run = run_of(monkeypatch, CableFault("leak", 2, 7, ohm=200e3))

    assert values(run)["leakage of pin 2"] == pytest.approx(200e3, rel=0.05)


@pytest.mark.parametrize(
    ("fault", "pins"),
    [
        (CableFault("open", 5), (5,)),
        (CableFault("bridged", 2, 6), (2, 6)),
        (CableFault("high-resistance", 7, ohm=0.2), (7,)),
        (CableFault("leak", 2, 7, ohm=100e3), (2, 7)),
    ],
)
def test_one_socket_and_a_cap_find_all_but_crossed_pins_and_say_so(monkeypatch, fault, pins):
    run = run_of(monkeypatch, fault, far=False)

    assert {each.pins for each in run.findings} == {pins}
    assert "crossed pins can't be told" in (run.steps[0].reason or "")


def test_without_a_yes_nothing_is_fed(monkeypatch):
    async def nobody(_self: Simulated, _question: object) -> None:
        return None

    monkeypatch.setattr(Simulated, "ask", nobody)
    run = run_of(monkeypatch)

    assert run.verdict is Verdict.NOT_TESTED
    assert "cable-plugged" in (run.steps[0].reason or "")


def test_only_a_board_with_a_second_socket_says_that_it_has_one():
    scenario = load_scenario("cable-crossed")
    from firmware_sim.simulator import Simulator

    with_far, without = (Simulator(replace(scenario, cable=Cable(far_socket=far))) for far in (True, False))

    def capabilities(simulator: Simulator) -> Capability:
        high, low = simulator.read_registers(0, 7)[5:7]
        return Capability(high << 16 | low)

    assert Capability.FAR_SOCKET in capabilities(with_far)
    assert Capability.FAR_SOCKET not in capabilities(without)


def test_a_simulated_trailer_is_no_cable():
    async def work() -> Run:
        async with app.connect("sim:healthy-tandem") as session:
            return await session.cable("sae-j560")

    run = run_virtual(work())

    assert (run.verdict, run.findings) == (Verdict.NOT_TESTED, ())


def test_the_command_records_reports_and_fails_for_a_bad_cable(tmp_path, capsys):
    record, report = str(tmp_path / "r.db"), tmp_path / "cable.html"
    args = ["cable", "sae-j560", "--board", "sim:cable-crossed", "--length-m", "4.6", "--json"]

    code = umbilical([*args, "--record", record, "--report", str(report)])

    told = json.loads(capsys.readouterr().out)
    assert code == 1
    assert {tuple(each["pins"]) for each in told["findings"]} == {(3, 5), (4,)}
    assert "Pins 3 and 5 have changed places" in report.read_text()
    assert umbilical(["records", "show", told["record"], "--record", record]) == 0
