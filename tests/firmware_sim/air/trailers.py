"""Trailers for the air tests: noiseless sensors, as drawn, reservoirs full unless said otherwise."""

from collections.abc import Sequence
from dataclasses import replace

from bench.contract.table import Valve
from bench.profiles.air_model import PA_PER_PSI, AirFault, AirInput, AirScenario, AirSystem, WheelEnd
from bench.profiles.model import Profile, Scenario
from firmware_sim.air.plant import TrailerAir

ENDS = tuple(WheelEnd(f"{axle}.{side}", "", axle, side, "30") for axle in (1, 2) for side in ("left", "right"))
INPUTS = (
    AirInput(1, "supply"),
    AirInput(2, "service"),
    AirInput(3, "chamber", "1.left"),
    AirInput(4, "stroke", "1.left", -5_000.0, 120_000.0),
    AirInput(5, "tank-skin", None, 213_150.0, 373_150.0),
)
TANDEM = AirSystem("semitrailer", 46.67e-3, ENDS, INPUTS)
QUIET = AirScenario(
    start_pa=100 * PA_PER_PSI, sensor_noise_pa=0.0, sensor_drift_pa_per_sqrt_min=0.0, sensor_zero_pa=0.0, spread=0.0
)

CHARGE = 1 << Valve.SUPPLY_FILL | 1 << Valve.SUPPLY_EXHAUST
HOLD = 1 << Valve.SUPPLY_EXHAUST
APPLY = CHARGE | 1 << Valve.SERVICE_FILL | 1 << Valve.SERVICE_EXHAUST
HOLD_APPLIED = 1 << Valve.SUPPLY_EXHAUST | 1 << Valve.SERVICE_EXHAUST
EXHAUST = 0


def scenario(
    profile: Profile, *faults: AirFault, system: AirSystem = TANDEM, air: AirScenario = QUIET, seed: int = 1
) -> Scenario:
    return Scenario(replace(profile, air=system), seed=seed, air=replace(air, faults=faults))


def psi(plant: TrailerAir, volume: int) -> float:
    return plant.gauge_pa(volume) / PA_PER_PSI


def run(plant: TrailerAir, energised: int, seconds: float) -> TrailerAir:
    plant.switch(energised)
    plant.advance(plant.time_s + seconds)
    return plant


def time_until(plant: TrailerAir, volume: int, above_psi: float | None = None, below_psi: float | None = None) -> float:
    """Seconds from now, at 1 kHz, at most 5."""
    start_s = plant.time_s
    while plant.time_s < start_s + 5:
        plant.advance(plant.time_s + 0.001)
        now = psi(plant, volume)
        if (above_psi is not None and now > above_psi) or (below_psi is not None and now < below_psi):
            break
    return plant.time_s - start_s


def fall(plant: TrailerAir, volume: int, seconds: float) -> float:
    """Fall in psi a minute from now on, nothing switched."""
    before = psi(plant, volume)
    plant.advance(plant.time_s + seconds)
    return (before - psi(plant, volume)) * 60 / seconds


def leak(place: str, psi_per_min: float, **when: float) -> Sequence[AirFault]:
    return (AirFault("leak", place, psi_per_min, **when),)
