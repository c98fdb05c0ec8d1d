"""The plant against ngspice, an independent circuit simulator (Debian's ``ngspice -b``).

The netlists are written by ``tools/spice.py``, which shares no code with the plant. A missing
ngspice fails these tests.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

import numpy as np
import pytest
from numpy.typing import NDArray

from bench.contract.table import Return
from bench.profiles.model import InjectedFault, Profile, Scenario
from firmware_sim.plant import build_plant
from firmware_sim.port import Feed, FeedMode
from tests.firmware_sim.plant.small import drive, positions
from tools.random_harness import random_profile
from tools.spice import Phase, Waves, simulate

SAMPLE_S = 1e-4
BLIND_S = 2e-4  # after a switch or a change of limit
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Run:
    """The driven channel's samples, and all pins by number at the end."""

    time_s: FloatArray
    amps: FloatArray
    volts: FloatArray
    pin_v: dict[int, float]
    board: dict[str, float]


def play(scene: Scenario, feed: Feed, channel: int, stop_s: float, phases: Sequence[Phase], returns: Return) -> Run:
    plant = build_plant(scene)
    amps: list[float] = []
    volts: list[float] = []
    ends = [*(phase.at_s for phase in phases[1:]), stop_s]
    for limit_a, end_s in zip([phase.limit_a for phase in phases] or [feed.limit_a], ends, strict=True):
        plant.switch(positions(6, {channel: Feed(feed.mode, limit_a, feed.level)}, returns))
        more_a, more_v = plant.advance(end_s, channel, samples=round((end_s - plant.time_s) / SAMPLE_S))
        amps += more_a
        volts += more_v
    seen = plant.truth()
    return Run(
        time_s=SAMPLE_S * np.arange(1, len(amps) + 1),
        amps=np.array(amps),
        volts=np.array(volts),
        pin_v={pin: seen.pin_v[at - 1] for pin, at in scene.profile.channel_of_pin.items()},
        board={"supply_v": seen.supply_v, "chassis_v": seen.chassis_sense_v, "ground_pin_v": seen.ground_pin_v},
    )


def away_from(times_s: FloatArray, phases: Sequence[Phase]) -> NDArray[np.bool_]:
    seen = times_s > BLIND_S
    for phase in phases:
        seen &= np.abs(times_s - phase.at_s) > BLIND_S
    return seen


def compare(run: Run, spice: Waves, pin: int, phases: Sequence[Phase]) -> tuple[float, float]:
    """Largest relative difference of the current, and largest difference of any pin at the end."""
    seen = away_from(run.time_s, phases)
    spice_a = np.interp(run.time_s, spice.time_s, spice.pin_a[pin])
    current = float(np.abs(run.amps / spice_a - 1)[seen].max())
    pins = [abs(run.pin_v[number] - float(spice.pin_v[number][-1])) for number in run.pin_v]
    board = [abs(run.board[name] - float(spice.board[name][-1])) for name in run.board]
    return current, max(pins + board)


def random_faults(rng: Random, what: Profile, circuit: str) -> tuple[InjectedFault, ...]:
    """None to three faults, most of them on the driven circuit, at places of their own."""
    feeds = [segment.name for segment in what.segments if circuit in segment.name]
    other = [segment.name for segment in what.segments if ".ground" not in segment.name and circuit not in segment.name]
    lamps = [load.name for load in what.loads_of(circuit)]
    rings = [joint.name for joint in what.joints if joint.name.startswith("rear-")]
    pool = [
        InjectedFault("high-resistance", feeds[0], position=0.4, ohm=rng.uniform(0.2, 2.0)),
        InjectedFault("open", rng.choice(other)),
        InjectedFault("cross-connection", feeds[-1], other=rng.choice(other), position=0.6, ohm=0.1),
        InjectedFault("back-feed", feeds[-1], other=rng.choice(other), position=0.3, ohm=0.2),
        InjectedFault("lamp-out", rng.choice(lamps)),
        InjectedFault("wrong-load", rng.choice(lamps), factor=rng.choice((0.5, 1.7))),
        InjectedFault("ground-open", rng.choice(rings)),
        InjectedFault("ground-high-resistance", rng.choice(rings), ohm=rng.uniform(0.2, 1.0)),
        InjectedFault("overload", feeds[0], position=0.8, ohm=3.0),
    ]
    return tuple(rng.sample(pool, rng.randint(0, 3)))


CIRCUIT_OF_CHANNEL = {1: "marker", 2: "left-turn", 3: "stop", 4: "right-turn", 5: "tail"}


@pytest.mark.parametrize("seed", range(8))
def test_a_soft_start_agrees_on_the_whole_transient(seed: int) -> None:
    """6 A for 5 ms, then 15 A, as the firmware does it: within 1 % of the current all along."""
    rng = Random(f"spice {seed}")
    nominal_v = (12, 24)[seed % 2]
    mix = ("filament", "mixed", "led")[seed % 3]
    what = random_profile(rng, nominal_v=nominal_v, lamp_mix=mix, bonded=seed % 4 != 3)  # type: ignore[arg-type]
    channel = rng.choice(list(CIRCUIT_OF_CHANNEL))
    faults = random_faults(rng, what, CIRCUIT_OF_CHANNEL[channel])
    scene = Scenario(what, spread=0.0, supply_v=12.8 * nominal_v / 12, faults=faults)
    phases = (Phase(0.0, 6.0), Phase(0.005, 15.0))
    pin = {at: number for number, at in what.channel_of_pin.items()}[channel]

    run = play(scene, drive(), channel, 0.3, phases, Return.BOTH)
    spice = simulate(scene, positions(6, {channel: drive()}), 0.3, phases=phases, step_s=SAMPLE_S)
    current, pins_v = compare(run, spice, pin, phases)

    assert current < 0.01
    assert pins_v < 5e-3  # not all at rest yet; at rest it is 1 mV, below


def test_a_limiter_that_stays_active_agrees_all_along() -> None:
    """Seven cold lamps at 2 A: limited for a long time, where differences grow by themselves."""
    what = random_profile(Random(4), lamp_mix="filament")
    scene = Scenario(what, spread=0.0)

    run = play(scene, drive(2.0), 1, 0.3, (Phase(0.0, 2.0),), Return.BOTH)
    spice = simulate(scene, positions(6, {1: drive(2.0)}), 0.3, step_s=SAMPLE_S)
    spice_v = np.interp(run.time_s, spice.time_s, spice.pin_v[2])

    assert np.abs(run.amps / 2.0 - 1)[:500].max() < 1e-9
    assert np.abs(run.volts / spice_v - 1)[2:].max() < 0.01


@pytest.mark.parametrize("mix", ["filament", "led"])
@pytest.mark.parametrize("returns", list(Return))
@pytest.mark.parametrize("mode", [FeedMode.PROBE, FeedMode.PULSE])
def test_probe_and_pulse_agree_on_every_pin(mode: FeedMode, returns: Return, mix: str) -> None:
    what = random_profile(Random(8), lamp_mix=mix)  # type: ignore[arg-type]
    scene = Scenario(what, spread=0.0)

    run = play(scene, Feed(mode), 3, 0.005, (), returns)
    spice = simulate(scene, positions(6, {3: Feed(mode)}, returns), 0.005, step_s=5e-6)
    _, pins_v = compare(run, spice, 4, ())

    assert pins_v < (1e-3 if mix == "filament" else 5e-3)  # input capacitors of LED lamps are still charging


@pytest.mark.parametrize("seed", range(4))
def test_the_steady_state_agrees_within_a_millivolt_on_every_pin(seed: int) -> None:
    rng = Random(f"steady {seed}")
    what = random_profile(rng, lamp_mix="mixed", bonded=seed % 2 == 0)
    scene = Scenario(what, spread=0.0, faults=random_faults(rng, what, "stop"))
    returns = (Return.BOTH, Return.PIN, Return.BOTH, Return.PIN)[seed]

    run = play(scene, drive(), 3, 4.0, (), returns)
    spice = simulate(scene, positions(6, {3: drive()}, returns), 4.0, step_s=2e-3)
    current, pins_v = compare(run, spice, 4, (Phase(0.0, 60.0),))

    assert pins_v < 1e-3
    assert run.amps[-1] == pytest.approx(float(spice.pin_a[4][-1]), rel=1e-4)
    assert current < 0.05  # at 2 ms steps ngspice itself is coarse here; the transient is compared above


def test_a_foreign_supply_agrees() -> None:
    what = random_profile(Random(9), lamp_mix="filament")
    fault = InjectedFault("short-to-supply", "nose.tail--mid.tail", volts=12.0, ohm=0.3)
    scene = Scenario(what, spread=0.0, faults=(fault,))

    run = play(scene, drive(), 3, 0.3, (), Return.BOTH)
    spice = simulate(scene, positions(6, {3: drive()}), 0.3, step_s=SAMPLE_S)
    current, pins_v = compare(run, spice, 4, ())

    assert current < 0.01
    assert pins_v < 1e-3


def test_a_control_unit_at_work_agrees_at_rest_beside_lit_lamps() -> None:
    """Constant power through shared grounds; the stored code keeps the lamp lit, as in the netlist."""
    what = random_profile(Random(12), lamp_mix="filament")
    stored = InjectedFault("abs-code", "abs-unit", code="1")
    plant = build_plant(Scenario(what, spread=0.0, faults=(stored,)))
    plant.switch(positions(6, {3: drive(), 6: drive()}))
    plant.advance(4.0)
    seen = plant.truth()
    spice = simulate(Scenario(what, spread=0.0), positions(6, {3: drive(), 6: drive()}), 2.0, step_s=1e-3)

    for pin, at in what.channel_of_pin.items():
        assert seen.pin_v[at - 1] == pytest.approx(float(spice.pin_v[pin][-1]), abs=1e-3)
    assert seen.pin_a[5] == pytest.approx(float(spice.pin_a[7][-1]), rel=1e-3)
