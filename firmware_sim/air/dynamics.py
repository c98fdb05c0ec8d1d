"""What moves: balances of mass and energy of every volume, as one right-hand side.

State per volume: absolute pressure p and mass m; then the temperature of the reservoir's wall.

    dm/dt = sum of flows                      (mass is a linear invariant of the integrator)
    dp/dt = (gamma - 1) H / (V + gamma p V')  H = heat from the wall + enthalpy of the flows
    T     = p V / (R m)

The second line is the energy balance with the moving wall's work p dV/dt, V' = dV/dp at the rod.
Film: turbulent natural convection Nu = 0.13 Ra^(1/3), so h grows with (rho^2 |dT|)^(1/3) and does not
depend on size (textbook). Walls other than the reservoir's are as warm as the air outside.

The relay valve follows its control port without inertia: it opens its inlet while delivery is more
than the crack below control, its exhaust while delivery is above that by more than the dead band.
Check valves and regulators open against a soft spring, so that they neither snap nor chatter.
Below about 40 psi in the supply line the emergency part puts reservoir pressure on the control side.
"""

from dataclasses import dataclass

import numpy as np

from bench.profiles.air_model import PA_PER_PSI
from firmware_sim.air.as_built import CHAMBER, DELIVERY, LUMPS, RELAY, RESERVOIR, SERVICE, SPRUNG, SUPPLY, AirWorks
from firmware_sim.air.brakes import Chambers
from firmware_sim.air.flow import ANR_K, ATMOSPHERE_PA, CP, GAMMA, R_AIR, FloatArray, mass_flow

CRACK_PA = 3 * PA_PER_PSI  # relay valves open at 2 to 6 psi of control (common practice)
DEAD_BAND_PA = 2 * PA_PER_PSI  # [M]
FULLY_OPEN_PA = 3 * PA_PER_PSI  # [M] of error, inlet or exhaust
SPRING_PA = 2000.0  # [M] drop at which a check valve or a regulator is fully open
EMERGENCY_PA = 40 * PA_PER_PSI  # of supply: the emergency part begins to apply,
EMERGENCY_SPAN_PA = 8 * PA_PER_PSI  # [M] and has applied everything this much lower

_NATURAL_FILM = 0.13 * 0.026 * (9.81 / ANR_K * CP / (1.82e-5 * 0.026)) ** (1 / 3)
_LEAST_PA, _LEAST_KG = 1e3, 1e-7  # trial states of the integrator may be absurd
_STEP = 1e-7  # relative, of the Jacobian's differences


@dataclass(frozen=True, slots=True)
class Setting:
    """What stays as it is between two events.

    Attributes:
        forward_c, back_c: conductances of all paths.
        boundary_pa: absolute, of the atmosphere, the supply source and the service source.
    """

    forward_c: FloatArray
    back_c: FloatArray
    boundary_pa: FloatArray


class Dynamics:
    """The right-hand side of an air system.

    Args:
        works: what is built.
        ambient_k: outside at time 0.
        drift_k_per_s: warming of the outside.
    """

    def __init__(self, works: AirWorks, ambient_k: float, drift_k_per_s: float) -> None:
        self.works = works
        self.chambers = works.chambers  # as they are adjusted now
        self.ambient_k, self.drift_k_per_s = ambient_k, drift_k_per_s
        n = self.n = works.volumes
        self._from = np.array([path.a for path in works.paths])
        self._to = np.array([path.b for path in works.paths])
        self._ratio = np.array([path.ratio for path in works.paths])
        incidence = np.zeros((len(works.paths), n + 3))
        rows = np.arange(len(works.paths))
        incidence[rows, self._to] += 1.0
        incidence[rows, self._from] -= 1.0
        self._into = incidence[:, :n]
        self._natural = works.surface_m2 * works.natural * _NATURAL_FILM
        self._forced = works.surface_m2 * works.forced_w_per_m2_k

    def rest(self, reservoir_pa: float) -> FloatArray:
        """State at rest: everything at the pressure of the air, the reservoir at ``reservoir_pa`` absolute."""
        p = np.full(self.n, ATMOSPHERE_PA)
        p[RESERVOIR] = reservoir_pa
        return np.concatenate((p, p * self.volume_m3(p) / (R_AIR * self.ambient_k), [self.ambient_k]))

    def refit(self, chambers: Chambers, state: FloatArray) -> FloatArray:
        """Adjust the brakes anew; the state with the same pressures and temperatures."""
        n = self.n
        before = self.volume_m3(state[:n])
        self.chambers = chambers
        state = state.copy()
        state[n : 2 * n] *= self.volume_m3(state[:n]) / before
        return state

    def volume_m3(self, p: FloatArray) -> FloatArray:
        """Volumes at absolute pressures ``p``, shape (..., n)."""
        return self._volume_and_growth(p)[0]

    def _volume_and_growth(self, p: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Volumes, and of the chambers alone how they grow with pressure, m3/Pa."""
        chambers = self.chambers
        stroke_m, growth_m_per_pa = chambers.stroke_and_growth(p[..., CHAMBER:] - ATMOSPHERE_PA)
        volume = np.empty(p.shape)
        volume[...] = self.works.rigid_m3
        volume[..., CHAMBER:] += chambers.area_m2 * stroke_m
        return volume, chambers.area_m2 * growth_m_per_pa

    def rates(self, time_s: float, y: FloatArray, setting: Setting) -> FloatArray:
        """Derivative of states ``y``, shape (..., 2 n + 1)."""
        n, works = self.n, self.works
        p, m, wall_k = np.maximum(y[..., :n], _LEAST_PA), np.maximum(y[..., n : 2 * n], _LEAST_KG), y[..., 2 * n]
        outside_k = self.ambient_k + self.drift_k_per_s * time_s
        volume, growth = self._volume_and_growth(p)
        gas_k = p * volume / (R_AIR * m)
        warmer = outside_k - gas_k
        warmer[..., RESERVOIR] = wall_k - gas_k[..., RESERVOIR]
        density = m / volume
        film = self._forced + self._natural * np.cbrt(density * density * np.abs(warmer))
        heat_w = film * warmer
        flow, upstream_k = self._path_flows(p, gas_k, outside_k, setting)
        rate = np.empty(y.shape)
        rate[..., n : 2 * n] = flow @ self._into
        volume[..., CHAMBER:] += GAMMA * p[..., CHAMBER:] * growth
        rate[..., :n] = (GAMMA - 1) * (heat_w + (CP * flow * upstream_k) @ self._into) / volume
        to_wall_w = works.outside_w_per_k * (outside_k - wall_k) - heat_w[..., RESERVOIR]
        rate[..., 2 * n] = to_wall_w / works.wall_j_per_k
        return rate

    def jacobian(self, time_s: float, y: FloatArray, setting: Setting) -> FloatArray:
        """By forward differences, all columns at once."""
        step = _STEP * np.abs(y) + 1e-12
        rates = self.rates(time_s, y + np.vstack((np.zeros_like(y), np.diag(step))), setting)
        result: FloatArray = ((rates[1:] - rates[0]) / step[:, None]).T
        return result

    def flows(self, time_s: float, y: FloatArray, setting: Setting) -> FloatArray:
        """Signed mass flow of every path, kg/s."""
        p, m = y[: self.n], y[self.n : 2 * self.n]
        gas_k = p * self.volume_m3(p) / (R_AIR * m)
        return self._path_flows(p, gas_k, self.ambient_k + self.drift_k_per_s * time_s, setting)[0]

    def _path_flows(
        self, p: FloatArray, gas_k: FloatArray, outside_k: float, setting: Setting
    ) -> tuple[FloatArray, FloatArray]:
        n = self.n
        both = np.empty((2, *p.shape[:-1], n + 3))
        pa, kelvin = both
        pa[..., :n] = p
        pa[..., n:] = setting.boundary_pa
        kelvin[..., :n] = gas_k
        kelvin[..., n:] = outside_k
        (a_pa, a_k), (b_pa, b_k) = both[..., self._from], both[..., self._to]
        drop_pa = a_pa - b_pa
        forward = drop_pa >= 0
        upstream_k = np.where(forward, a_k, b_k)
        c = np.where(forward, setting.forward_c, setting.back_c)
        c[..., RELAY] *= self._relay_opening(p)
        c[..., SPRUNG] *= np.minimum(np.abs(drop_pa[..., SPRUNG]) * (1 / SPRING_PA), 1.0)
        size = mass_flow(np.maximum(a_pa, b_pa), np.minimum(a_pa, b_pa), upstream_k, c, self._ratio)
        return np.copysign(size, drop_pa), upstream_k

    def _relay_opening(self, p: FloatArray) -> FloatArray:
        """Openings of inlet and exhaust, 0 to 1, shape (..., 2)."""
        supply, control = p[..., SUPPLY + LUMPS - 1], p[..., SERVICE + LUMPS - 1]
        emergency = np.minimum(np.maximum((EMERGENCY_PA + ATMOSPHERE_PA - supply) / EMERGENCY_SPAN_PA, 0.0), 1.0)
        by_emergency = ATMOSPHERE_PA + emergency * (p[..., RESERVOIR] - ATMOSPHERE_PA)
        above = p[..., DELIVERY] - (np.maximum(control, by_emergency) - CRACK_PA)
        opening = np.empty((*above.shape, 2))
        opening[..., 0] = -above
        opening[..., 1] = above - DEAD_BAND_PA
        return np.minimum(np.maximum(opening * (1 / FULLY_OPEN_PA), 0.0), 1.0)
