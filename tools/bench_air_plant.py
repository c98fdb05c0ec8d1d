"""What simulated air costs: ``python -m tools.bench_air_plant``.

CPU time a simulated minute of a two-axle trailer that leaks 2 psi/min after a fast fill, beside
scipy's Radau and BDF on the same equations with the same tolerances; and the error of the plant
against a run with tolerances a thousand times finer. The ratios are what stays; the machine
decides the rest.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.integrate import BDF, Radau, solve_ivp  # type: ignore[import-untyped]

from bench.contract.table import Valve
from bench.profiles import load_profile
from bench.profiles.air_model import PA_PER_PSI, AirFault, AirScenario
from bench.profiles.model import Scenario
from firmware_sim.air import motion
from firmware_sim.air.plant import TrailerAir

CHARGE = 1 << Valve.SUPPLY_FILL | 1 << Valve.SUPPLY_EXHAUST
HOLD = 1 << Valve.SUPPLY_EXHAUST
APPLY = CHARGE | 1 << Valve.SERVICE_FILL | 1 << Valve.SERVICE_EXHAUST
FILL_S, HOLD_MIN, READ_S = 90.0, 10, 0.1
FINER = 1e-3


@dataclass(frozen=True, slots=True)
class Cost:
    """CPU milliseconds a simulated minute."""

    ms: float

    def __str__(self) -> str:
        return f"{self.ms:8.2f} ms a minute"


def cost(minutes: float, work: Callable[[], object]) -> Cost:
    """CPU time of ``work``, which simulates so many minutes."""
    start = time.process_time()
    work()
    return Cost((time.process_time() - start) * 1e3 / minutes)


def filled() -> TrailerAir:
    """A trailer just filled, with a leak at its reservoir."""
    leak = AirFault("leak", "reservoir-drain", psi_per_min=2.0)
    scenario = Scenario(load_profile("tandem-53ft"), air=AirScenario(faults=(leak,)))
    plant = TrailerAir(scenario)
    plant.switch(CHARGE)
    plant.advance(FILL_S)
    plant.readings()
    return plant


def hold(plant: TrailerAir, minutes: float) -> list[float]:
    """Shut the supply; true supply pressures in psi, one every ten seconds."""
    plant.switch(HOLD)
    seen = []
    for _ in range(round(minutes * 6)):
        plant.advance(plant.time_s + 10.0)
        seen.append(plant.gauge_pa(0) / PA_PER_PSI)
    return seen


def look_after(plant: TrailerAir, seconds: float) -> None:
    """Let time pass, then look."""
    plant.advance(plant.time_s + seconds)
    plant.gauge_pa(0)


def read(plant: TrailerAir, minutes: float) -> None:
    """Readings as a leak test takes them."""
    for _ in range(round(minutes * 60 / READ_S)):
        plant.advance(plant.time_s + READ_S)
        plant.readings()


def applications(plant: TrailerAir) -> None:
    """Ten in a minute, looked at every 2 ms for the first second of each."""
    for _ in range(10):
        for energised in (APPLY, CHARGE):
            plant.switch(energised)
            for _ in range(500):
                plant.advance(plant.time_s + 0.002)
                plant.readings()
            plant.advance(plant.time_s + 2.0)


def by_scipy(method: type) -> Cost:
    """The same ten minutes by an integrator of scipy."""
    plant = filled()
    plant.switch(HOLD)
    rates, jacobian, state = plant.equations()

    def run() -> None:
        solve_ivp(
            rates, (0.0, HOLD_MIN * 60.0), state, method, np.linspace(0.0, HOLD_MIN * 60.0, 61), jac=jacobian,
            rtol=motion.RELATIVE, atol=motion.absolute(len(state)),
        )  # fmt: skip

    return cost(HOLD_MIN, run)


def error_psi() -> float:
    """Largest error of the supply pressure in ten minutes after a fast fill."""
    coarse = hold(filled(), HOLD_MIN)
    usual = motion.RELATIVE, motion.ABSOLUTE
    motion.RELATIVE, motion.ABSOLUTE = usual[0] * FINER, (usual[1][0] * FINER, usual[1][1] * FINER, usual[1][2] * FINER)
    try:
        fine = hold(filled(), HOLD_MIN)
    finally:
        motion.RELATIVE, motion.ABSOLUTE = usual
    return float(np.abs(np.array(coarse) - np.array(fine)).max())


def main() -> None:
    """Print the comparison; the second after a valve has moved is not quiet and stands by itself."""
    plant = filled()
    whole = cost(HOLD_MIN, partial(hold, plant, HOLD_MIN))
    rest = cost(20, partial(hold, plant, 20))
    plant = filled()
    plant.switch(HOLD)
    settling = cost(1, partial(look_after, plant, 1.0))
    quiet = cost(HOLD_MIN, partial(hold, plant, HOLD_MIN))
    print(f"the second after a valve shut {settling.ms:8.2f} ms once")
    print(f"leak-down, then {HOLD_MIN} minutes    {quiet}   (goal 1 ms)")
    print(f"leak-down, next 20 minutes    {rest}")
    print(f"that second and {HOLD_MIN} minutes    {whole}")
    for method in (BDF, Radau):
        other = by_scipy(method)
        print(f"the same, scipy's {method.__name__:5}       {other}   {other.ms / whole.ms:.1f} times the plant")
    print(f"error in the first {HOLD_MIN} minutes {error_psi():8.4f} psi           (goal 0.01 psi)")
    plant = filled()
    print(f"ten readings a second         {cost(2, partial(read, plant, 2))}")
    print(f"ten applications a minute     {cost(1, partial(applications, plant))}")


if __name__ == "__main__":
    main()
