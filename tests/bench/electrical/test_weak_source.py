"""A supply that sags under the trailer is told as such, with its resistance."""

from dataclasses import replace

import pytest

from bench import app
from bench.electrical.rules import supply_findings
from bench.profiles import load_profile, load_scenario
from bench.profiles.model import BoardErrors, Measurements, Reading
from bench.results import Run, Verdict
from bench.virtual_time import run_virtual


def loaded(amps: float, volts: float) -> Reading:
    return Reading("drive", "both", (4,), {4: volts}, {4: amps}, supply_v=volts)


def measured(*readings: Reading, open_v: float = 12.8) -> Measurements:
    return Measurements(load_profile("tandem-53ft"), 20.0, open_v, BoardErrors(), readings)


def test_the_source_resistance_is_the_slope_of_volts_over_amperes():
    (found,) = supply_findings(measured(loaded(5.0, 12.05), loaded(10.0, 11.3)))

    assert found.kind == "low-supply"
    assert {each.name: each.value for each in found.evidence}["source resistance"] == pytest.approx(0.15)


def test_a_sag_within_its_limit_is_nothing():
    assert supply_findings(measured(loaded(10.0, 11.9))) == []


def test_readings_of_a_circuit_that_tripped_do_not_count():
    assert supply_findings(measured(replace(loaded(15.0, 9.0), tripped=True))) == []


@pytest.mark.parametrize(("ohm", "said"), [(0.02, False), (0.15, True)])
def test_a_run_on_a_worn_battery_blames_the_supply_and_not_the_trailer(monkeypatch, ohm, said):
    scene = replace(load_scenario("healthy-bulbs"), supply_ohm=ohm)
    monkeypatch.setattr("bench.app.connecting.played_by", lambda _: scene)

    async def work() -> Run:
        async with app.connect("sim:") as session:
            return await session.inspect(
                scene.profile, only=["supply", "look", "cold-pulse", "circuits", "all-lamps", "diagnosis"]
            )

    run = run_virtual(work())

    assert [finding.kind for finding in run.findings] == (["low-supply"] if said else [])
    assert run.verdict is (Verdict.UNSURE if said else Verdict.PASS)
