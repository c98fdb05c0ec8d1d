"""The whole plant against equations written a second time, in other variables.

Here a volume's state is its mass and inner energy, flows are worked out one by one in plain Python,
chambers are inverted from p V = 0.4 U by table, and LSODA integrates to 1e-7. Only the numbers of
the trailer (volumes, conductances, surfaces) are shared.
"""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bench.profiles.air_model import PA_PER_PSI
from firmware_sim.air.as_built import AirWorks, build_works
from firmware_sim.air.plant import TrailerAir
from tests.firmware_sim.air.trailers import APPLY, CHARGE, HOLD, HOLD_APPLIED, QUIET, TANDEM, scenario

AIR_K, ATM, R, CV, CP = 293.15, 101_325.0, 287.05, 717.625, 1004.7
PSI = PA_PER_PSI
OPEN = {
    "supply-fill": {CHARGE, APPLY},
    "supply-exhaust": set(),
    "service-fill": {APPLY},
    "service-exhaust": {CHARGE, HOLD},
}


def rod_m(gauge: float, contact_m: float, elastic_m: float) -> float:
    """3 psi: begins; 8 psi: at the drum, by a smooth curve; then 0.35 in for the next 77 psi until it bottoms."""
    if gauge <= 3 * PSI:
        return 0.0
    if gauge < 8 * PSI:
        s = (gauge / PSI - 3) / 5
        return contact_m * (3 * s**2 - 2 * s**3)
    return contact_m + min((gauge / PSI - 8) * 0.35 * 0.0254 / 77, elastic_m)


class Second:
    """The second set of equations."""

    def __init__(self, works: AirWorks, source: float) -> None:
        self.w, self.source = works, source
        gauge = np.linspace(-0.5 * ATM, 12e5, 60_001)
        c = works.chambers
        rods = np.array([rod_m(g, c.contact_m[0], c.elastic_m[0]) for g in gauge])  # all four are alike
        self.table_p, self.table_pv = gauge + ATM, (gauge + ATM) * (c.clear_m3[0] + c.area_m2[0] * rods)
        self.mode = CHARGE

    def pressures(self, energy: np.ndarray) -> np.ndarray:
        p = 0.4 * energy / self.w.rigid_m3
        p[11:] = np.interp(0.4 * energy[11:], self.table_pv, self.table_p)
        return p

    def rhs(self, _time_s: float, y: np.ndarray) -> np.ndarray:
        n = 15
        m, energy, wall = y[:n], y[n : 2 * n], y[2 * n]
        p, t = self.pressures(energy.copy()), energy / (m * CV)
        ends_p, ends_t = [*p, ATM, self.source, self.source], [*t, AIR_K, AIR_K, AIR_K]
        dm, heat = np.zeros(n + 3), np.zeros(n + 3)
        for path in self.w.paths:
            flow, from_t = self.flow(path, ends_p, ends_t)
            for end, sign in ((path.a, -1), (path.b, 1)):
                dm[end] += sign * flow
                heat[end] += sign * flow * CP * from_t
        volume = 0.4 * energy / p
        warmer = np.where(np.arange(n) == 9, wall, AIR_K) - t
        film = self.w.forced_w_per_m2_k + self.w.natural * self.free_film(m / volume, warmer)
        to_gas = film * self.w.surface_m2 * warmer
        du = heat[:n] + to_gas
        du[11:] -= self.work(p[11:], volume[11:], du[11:])
        dwall = (self.w.outside_w_per_k * (AIR_K - wall) - to_gas[9]) / self.w.wall_j_per_k
        return np.concatenate((dm[:n], du, [dwall]))

    def work(self, p: np.ndarray, volume: np.ndarray, inflow: np.ndarray) -> np.ndarray:
        """P dV/dt from d(pV) = 0.4 (inflow - p dV), with dV/dp by differences of the rod's curve."""
        c, out = self.w.chambers, []
        for i in range(4):
            above, below = (rod_m(p[i] - ATM + d, c.contact_m[i], c.elastic_m[i]) for d in (1.0, -1.0))
            slope = c.area_m2[i] * (above - below) / 2
            dp = 0.4 * inflow[i] / (volume[i] + 1.4 * p[i] * slope)
            out.append(p[i] * slope * dp)
        return np.array(out)

    def free_film(self, density: np.ndarray, difference: np.ndarray) -> np.ndarray:
        """Nu = 0.13 Ra^(1/3) of air at room temperature; a length falls out."""
        per_length = 9.81 / 293.15 * np.abs(difference) * density**2 * CP / (1.82e-5 * 0.026)
        return np.asarray(0.13 * 0.026 * per_length ** (1 / 3))

    def flow(self, path, p, t):
        if path.name in OPEN and self.mode not in OPEN[path.name]:
            return 0.0, AIR_K
        forward = p[path.a] >= p[path.b]
        up, down = (path.a, path.b) if forward else (path.b, path.a)
        c = path.forward_c if forward else path.back_c
        if path.name in ("supply-fill", "service-fill", "check-valve"):
            c *= min((p[up] - p[down]) / 2000.0, 1.0)
        if path.name.startswith("relay-") and not path.name.endswith(("seat", "control")):
            c *= self.relay(path.name, p)
        ratio = p[down] / p[up]
        if ratio > 0.999:
            over = sqrt(1 - ((0.999 - path.ratio) / (1 - path.ratio)) ** 2) * (1 - ratio) / 0.001
        else:
            over = 1.0 if ratio <= path.ratio else sqrt(1 - ((ratio - path.ratio) / (1 - path.ratio)) ** 2)
        size = c * 1.185 * p[up] * sqrt(293.15 / t[up]) * over
        return (size if forward else -size), t[up]

    def relay(self, name: str, p) -> float:
        share = min(max((40 - (p[3] - ATM) / PSI) / 8, 0.0), 1.0)
        control = max(p[7] - ATM, share * (p[9] - ATM))
        wanted = control - 3 * PSI
        got = p[10] - ATM
        error = wanted - got if name == "relay-inlet" else got - wanted - 2 * PSI
        return min(max(error / (3 * PSI), 0.0), 1.0)


PHASES = ((CHARGE, 20.0), (HOLD, 60.0), (APPLY, 3.0), (HOLD_APPLIED, 30.0), (CHARGE, 2.0))


@pytest.fixture(scope="module")
def second_course():
    works = build_works(TANDEM, QUIET, 1)
    second = Second(works, 100 * PSI + ATM)
    p0 = np.full(15, ATM)
    p0[9] += 60 * PSI
    y = np.concatenate((p0 * works.rigid_m3 / (R * AIR_K), p0 * works.rigid_m3 / 0.4, [AIR_K]))
    start_s, times, pressures = 0.0, [], []
    for mode, length_s in PHASES:
        second.mode = mode
        at = np.geomspace(0.02, length_s, 25)
        solved = solve_ivp(second.rhs, (0.0, length_s), y, "LSODA", at, rtol=1e-7, atol=1e-9)
        times += (start_s + at).tolist()
        pressures += [second.pressures(state[15:30].copy()) for state in solved.y.T]
        y, start_s = solved.y[:, -1], start_s + length_s
    return times, np.array(pressures)


def test_every_pressure_is_within_a_hundredth_of_a_psi(profile, second_course):
    times, expected = second_course
    plant = TrailerAir(scenario(profile, air=replace(QUIET, start_pa=60 * PSI)))
    found = []
    waiting = iter(times)
    for mode, _ in PHASES:
        plant.switch(mode)
        for _ in range(25):
            plant.advance(next(waiting))
            found.append(plant.state()[:15])

    error_psi = np.abs(np.array(found) - expected) / PSI
    assert expected[:, 9].max() > 95 * PSI
    assert error_psi.max() < 0.01
