"""Volumes against closed forms and conservation laws."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.profiles.air_model import PA_PER_PSI, AirScenario
from firmware_sim.air.as_built import CHAMBER, DELIVERY, RELAY, RESERVOIR, AirWorks, build_works
from firmware_sim.air.dynamics import Dynamics, Setting
from firmware_sim.air.flow import ANR_K, ANR_KG_PER_M3, ATMOSPHERE_PA, R_AIR, FloatArray
from firmware_sim.air.motion import Motion
from tests.firmware_sim.air.trailers import TANDEM

AIR_K = 293.15
BOUNDARY_PA = np.full(3, ATMOSPHERE_PA)


@pytest.fixture(scope="module")
def works() -> AirWorks:
    return build_works(TANDEM, AirScenario(spread=0.0), 1)


def hole_in_the_reservoir(works: AirWorks, c: float) -> Setting:
    """Everything else is shut."""
    sizes = np.array([c if path.name == "reservoir-drain" else 0.0 for path in works.paths])
    return Setting(sizes, sizes, BOUNDARY_PA)


def course(dynamics: Dynamics, setting: Setting, state: FloatArray, times_s: FloatArray) -> FloatArray:
    motion = Motion(0.0, state, kept_s=1e9)
    while motion.end_s < times_s[-1]:
        motion.extend(
            partial(dynamics.rates, setting=setting), partial(dynamics.jacobian, setting=setting), times_s[-1]
        )
    return np.array([motion.at(time_s) for time_s in times_s])


def choked_rate(works: AirWorks, c: float) -> float:
    """Share of its air that the reservoir loses a second at first."""
    return float(c * ANR_KG_PER_M3 * (ANR_K / AIR_K) ** 0.5 * R_AIR * AIR_K / works.rigid_m3[RESERVOIR])


def test_an_insulated_reservoir_blows_down_adiabatically(works):
    """Textbook: p = p0 (1 + 0.2 a t)^-7 while choked, a the share lost a second at first."""
    insulated = replace(works, natural=works.natural * 0, forced_w_per_m2_k=works.forced_w_per_m2_k * 0)
    c = 2e-8
    a = choked_rate(works, c)
    times_s = np.linspace(0.0, 1.0 / a, 30)
    dynamics = Dynamics(insulated, AIR_K, 0.0)
    p0 = 100 * PA_PER_PSI + ATMOSPHERE_PA

    p = course(dynamics, hole_in_the_reservoir(works, c), dynamics.rest(p0), times_s)[:, RESERVOIR]
    assert p[-1] > 2 * ATMOSPHERE_PA
    assert np.abs(p - p0 * (1 + 0.2 * a * times_s) ** -7).max() < 0.01 * PA_PER_PSI


@pytest.mark.parametrize(("inches", "tau_s"), [(1 / 64, 1899), (1 / 32, 475), (1 / 16, 119), (0.018, 1431)])
def test_a_reservoir_with_perfect_walls_blows_down_isothermally(works, inches, tau_s):
    """Tau = V / (A Cd 0.6847 sqrt(R T)) for 2848 in3 and an ideal hole, worked separately."""
    perfect = replace(works, forced_w_per_m2_k=works.forced_w_per_m2_k + 1e7, wall_j_per_k=1e12)
    c = 0.04041 * np.pi / 4 * (inches * 0.0254) ** 2 / ANR_K**0.5 / ANR_KG_PER_M3
    times_s = np.linspace(0.0, 1.2 * tau_s, 30)
    dynamics = Dynamics(perfect, AIR_K, 0.0)
    p0 = 100 * PA_PER_PSI + ATMOSPHERE_PA

    p = course(dynamics, hole_in_the_reservoir(works, c), dynamics.rest(p0), times_s)[:, RESERVOIR]
    found_tau_s = times_s[1:] / np.log(p0 / p[1:])
    assert found_tau_s == pytest.approx(tau_s, rel=0.001, abs=0.5)
    exact = p0 * np.exp(-choked_rate(works, float(c)) * times_s)
    assert np.abs(p - exact).max() < 0.01 * PA_PER_PSI


def closed(works: AirWorks) -> Setting:
    """No path to the outside: air only moves between volumes."""
    inside = np.array([max(path.a, path.b) < works.volumes for path in works.paths])
    return Setting(
        np.array([path.forward_c for path in works.paths]) * inside,
        np.array([path.back_c for path in works.paths]) * inside,
        BOUNDARY_PA,
    )


pressures = st.lists(st.floats(0, 130), min_size=15, max_size=15)


@settings(max_examples=8, deadline=None)
@given(gauge_psi=pressures)
def test_air_that_cannot_leave_is_neither_made_nor_lost(gauge_psi):
    works = build_works(TANDEM, AirScenario(spread=0.0), 1)
    dynamics = Dynamics(works, AIR_K, 0.0)
    n = dynamics.n
    p = np.array(gauge_psi) * PA_PER_PSI + ATMOSPHERE_PA
    state = np.concatenate((p, p * dynamics.volume_m3(p) / (R_AIR * AIR_K), [AIR_K]))

    end = course(dynamics, closed(works), state, np.array([0.0, 20.0]))[-1]
    assert end[n : 2 * n].sum() == pytest.approx(state[n : 2 * n].sum(), rel=1e-9)
    assert end[:n].min() > 0.5 * ATMOSPHERE_PA


def test_what_leaves_is_what_is_missing(works):
    dynamics = Dynamics(works, AIR_K, 0.0)
    setting = hole_in_the_reservoir(works, 1e-8)
    times_s = np.linspace(0.0, 60.0, 601)
    n = dynamics.n

    states = course(dynamics, setting, dynamics.rest(8e5), times_s)
    left = np.trapezoid([dynamics.flows(t, y, setting).sum() for t, y in zip(times_s, states, strict=True)], times_s)
    assert states[0, n : 2 * n].sum() - states[-1, n : 2 * n].sum() == pytest.approx(left, rel=1e-5)


def test_an_insulated_closed_system_keeps_its_energy(works):
    """First law: inner energy and the work that the push rods have taken up."""
    insulated = replace(works, natural=works.natural * 0, forced_w_per_m2_k=works.forced_w_per_m2_k * 0)
    dynamics = Dynamics(insulated, AIR_K, 0.0)
    state = dynamics.rest(8e5)
    setting = closed(works)
    setting.forward_c[RELAY] = (1e-8, 0.0)
    control = slice(4, 8)  # the service line, closed in, commands an application
    state[control] = 8e5
    state[15 + 4 : 15 + 8] *= 8e5 / ATMOSPHERE_PA
    times_s = np.linspace(0.0, 10.0, 4001)

    states = course(dynamics, setting, state, times_s)
    p = states[:, : dynamics.n]
    volume = dynamics.volume_m3(p)
    energy = (p * volume).sum(axis=1) / 0.4
    chambers_pa, chambers_m3 = p[:, CHAMBER:], volume[:, CHAMBER:]
    work = ((chambers_pa[1:] + chambers_pa[:-1]) / 2 * np.diff(chambers_m3, axis=0)).sum()
    assert p[-1, DELIVERY] > 5e5
    assert energy[-1] + work == pytest.approx(energy[0], rel=2e-5)


def test_the_jacobian_is_that_of_the_rates(works):
    """Central differences, one column at a time."""
    dynamics = Dynamics(works, AIR_K, 0.0)
    setting = hole_in_the_reservoir(works, 1e-8)
    y = dynamics.rest(6e5)
    y[15:30] *= np.linspace(0.95, 0.97, 15)  # warmer than the walls
    exact = np.empty((len(y), len(y)))
    for k, size in enumerate(np.abs(y) * 1e-6):
        step = np.eye(len(y))[k] * size
        exact[:, k] = (dynamics.rates(0.0, y + step, setting) - dynamics.rates(0.0, y - step, setting)) / (2 * size)

    found = dynamics.jacobian(0.0, y, setting)
    scale = np.abs(exact).max(axis=1, keepdims=True) + 1e-12
    assert np.abs((found - exact) / scale).max() < 1e-3
