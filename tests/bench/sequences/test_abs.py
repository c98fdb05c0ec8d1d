"""The ABS unit of a simulated trailer: supply, warning lamp, blink codes."""

import asyncio
from dataclasses import replace

import pytest

from bench import app
from bench.errors import InputError
from bench.profiles import load_profile, load_scenario
from bench.profiles.abs_model import AbsCodes, Keying
from bench.profiles.model import ControlUnit, Profile, Scenario
from bench.results import Run, Verdict
from bench.sequences.abs import Taps, unit_of
from bench.virtual_time import run_virtual


def with_unit(profile: Profile, **changes: float) -> Profile:
    """The profile with another ABS unit."""
    loads = tuple(
        replace(load, type=replace(load.type, **changes)) if isinstance(load.type, ControlUnit) else load
        for load in profile.loads
    )
    return replace(profile, loads=loads)


def run_of(
    monkeypatch: pytest.MonkeyPatch, scenario: Scenario | str, *, codes: bool = True, taps: Taps | None = None
) -> Run:
    scene = load_scenario(scenario) if isinstance(scenario, str) else scenario
    monkeypatch.setattr("bench.app.connecting.played_by", lambda _: scene)

    async def work() -> Run:
        async with app.connect("sim:") as session:
            return await session.abs(scene.profile, codes=codes, taps=taps)

    return run_virtual(work())


def kinds(run: Run) -> list[str]:
    return [finding.kind for finding in run.findings]


def value(run: Run, name: str) -> float | None:
    return next(each.value for step in run.steps for each in step.values if each.name == name)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_sound_unit_passes_and_its_lamp_goes_out_when_the_simulated_one_does(monkeypatch, seed):
    run = run_of(monkeypatch, replace(load_scenario("healthy-tandem"), seed=seed), codes=False)

    assert (run.verdict, kinds(run)) == (Verdict.PASS, [])
    assert value(run, "lamp goes out after") == pytest.approx(2.5, abs=0.05)


def test_a_stored_code_is_read_and_given_the_meaning_that_the_profile_has(monkeypatch):
    run = run_of(monkeypatch, "abs-code")

    assert kinds(run) == ["abs-code"]
    assert "blinks code 2-3" in run.findings[0].explain
    assert "made-up example" in run.findings[0].explain
    assert run.findings[0].confidence > 0.9


def test_a_code_without_a_meaning_sends_to_the_makers_table(monkeypatch):
    scene = load_scenario("abs-code")
    bare = replace(scene.profile, abs_codes=replace(scene.profile.abs_codes, meanings={}))

    run = run_of(monkeypatch, replace(scene, profile=bare))

    assert "maker's table" in run.findings[0].explain


def test_without_asking_for_codes_a_lamp_that_stays_lit_is_found(monkeypatch):
    run = run_of(monkeypatch, "abs-code", codes=False)

    assert kinds(run) == ["abs-code"]
    assert "stays lit" in run.findings[0].explain


@pytest.mark.parametrize("seed", [38, 2])
def test_a_dead_lamp_is_found(monkeypatch, seed):
    assert kinds(run_of(monkeypatch, replace(load_scenario("abs-lamp"), seed=seed), codes=False)) == ["abs-lamp"]


@pytest.mark.parametrize("seed", [40, 1])
def test_a_starved_unit_is_found(monkeypatch, seed):
    assert kinds(run_of(monkeypatch, replace(load_scenario("abs-supply"), seed=seed))) == ["abs-supply"]


def test_the_unit_lets_go_at_a_low_supply_and_comes_back(monkeypatch):
    run = run_of(monkeypatch, "healthy-tandem", codes=False)

    assert value(run, "current at 9.6 V") > 0.3
    assert value(run, "current when starved") < 0.05
    assert value(run, "current after") > 0.25


def test_the_supply_pulsed_under_a_lit_stop_circuit_asks_for_codes_too(monkeypatch):
    scene = load_scenario("abs-code")
    codes = AbsCodes(Keying("pulse-supply-with-stop", count=3, on_s=1.0, off_s=1.0), watch_s=33.0)

    run = run_of(monkeypatch, replace(scene, profile=replace(scene.profile, abs_codes=codes)))

    assert "code 2-3" in run.findings[0].explain


def test_pulses_on_the_stop_circuit_are_as_many_as_the_profile_says(monkeypatch):
    scene = load_scenario("healthy-tandem")
    codes = AbsCodes(Keying("pulse-stop", count=4, on_s=0.5, off_s=0.5), watch_s=5.0)
    driven: list[int] = []
    from bench.safety import GuardedBoard

    drive = GuardedBoard.drive

    async def counted(self: GuardedBoard, channel: int, level: float = 1.0) -> None:
        driven.append(channel)
        await drive(self, channel, level)

    monkeypatch.setattr(GuardedBoard, "drive", counted)
    run_of(monkeypatch, replace(scene, profile=replace(scene.profile, abs_codes=codes)))

    stop = scene.profile.channel_of_pin[scene.profile.circuit("stop").pin]
    assert driven.count(stop) == 4


class Watcher(Taps):
    """Somebody who taps 2-3, twice, once asked."""

    def start(self) -> None:
        loop, at_s = asyncio.get_running_loop(), 15.0
        for _ in range(2):
            for digit in (2, 3):
                for _ in range(digit):
                    loop.call_later(at_s, self.put, "")
                    at_s += 0.7
                at_s += 1.1
            at_s += 3.0
        loop.call_later(at_s, self.put, "done")


def test_a_lamp_fed_elsewhere_is_counted_by_taps(monkeypatch):
    scene = load_scenario("healthy-tandem")
    codes = AbsCodes(watch_s=40.0)
    elsewhere = replace(with_unit(scene.profile, lamp_a=0.0), abs_codes=codes)
    monkeypatch.setattr("bench.app.connecting.played_by", lambda _: replace(scene, profile=elsewhere))
    taps = Watcher()

    async def work() -> Run:
        async with app.connect(
            "sim:", notice=lambda text: taps.start() if "watch the lamp" in text else None
        ) as session:
            return await session.abs(elsewhere, taps=taps)

    run = run_virtual(work())

    assert "code 2-3" in run.findings[0].explain
    assert "no step" in (run.steps[0].reason or "")


def test_a_profile_without_a_unit_is_refused_in_one_line():
    with pytest.raises(InputError, match="draws no ABS unit"):
        unit_of(load_profile("machine-door"))
