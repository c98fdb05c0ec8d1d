"""An independent thermal simulation of charged reservoirs, as the truth that leak figures are checked against.

Two volumes of gas at one pressure (the reservoirs; hoses, line and spring cavities), each with its
film and its wall, walls losing heat to air that may warm or cool; filling through an ISO 6358
conductance, then a choked leak. Energy balances are integrated as they stand (Runge-Kutta 4, all
trials at once); nothing here knows how the estimator sees the world.

Film: turbulent natural convection ``h ~ (rho**2 dT)**(1/3)`` or laminar ``**(1/4)``, from the usual
Nusselt correlations for enclosed air, at 8 bar and 1 K about 3 to 9 W/(m2 K), and never below
conduction. Units: SI, absolute pressures.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

R_AIR, CP, CV, GAMMA = 287.05, 1004.7, 717.65, 1.4
AMBIENT_PA, RHO_ANR, T_ANR = 101_325.0, 1.185, 293.15
PSI = 6894.757
STEP_S = 0.5  # the fastest film, of the small volume, settles in 1.5 s


@dataclass(frozen=True, slots=True)
class Trailers:
    """Random trailers, every field (n,); ``film`` and ``wall`` fields have a row for each volume."""

    volume_m3: FloatArray  # (2, n)
    area_m2: FloatArray  # (2, n)
    wall_j_per_k: FloatArray  # (2, n)
    film: FloatArray  # (2, n) W/(m2 K) at 1 K and 8 bar
    power: FloatArray  # (n,) of the temperature difference
    outside: FloatArray  # (2, n) W/K from wall to air
    room_k: FloatArray
    source_pa: FloatArray


def random_trailers(count: int, weak: bool, rng: np.random.Generator) -> Trailers:
    """Reservoirs of 25 to 100 L in steel or aluminium, lines and cavities of 3 to 8 L."""
    tank = rng.uniform(0.025, 0.100, count)
    small = rng.uniform(0.003, 0.008, count)
    area = np.array([6.2 * tank ** (2 / 3) * rng.uniform(0.9, 1.3, count), rng.uniform(0.5, 1.2, count)])
    steel = rng.random(count) < 0.6
    wall = np.where(steel, rng.uniform(9e3, 14e3, count), rng.uniform(5e3, 8e3, count)) * area[0]
    film = rng.uniform(4.0, 9.0, count) * (rng.uniform(0.2, 0.4, count) if weak else 1.0)
    return Trailers(
        volume_m3=np.array([tank, small]),
        area_m2=area,
        wall_j_per_k=np.array([wall, rng.uniform(2e3, 5e3, count)]),
        film=np.array([film, rng.uniform(10, 30, count)]),
        power=rng.uniform(0.25, 1 / 3, count),
        outside=area * rng.uniform(5, 12, count),
        room_k=rng.uniform(268, 308, count),
        source_pa=rng.uniform(95, 120, count) * PSI + AMBIENT_PA,
    )


@dataclass(slots=True)
class _State:
    pressure_pa: FloatArray
    gas_k: FloatArray  # (2, n)
    wall_k: FloatArray  # (2, n)

    def moved(self, rate: "_State", step_s: float) -> "_State":
        return _State(
            self.pressure_pa + step_s * rate.pressure_pa,
            self.gas_k + step_s * rate.gas_k,
            self.wall_k + step_s * rate.wall_k,
        )


@dataclass(frozen=True, slots=True)
class _Conditions:
    trailers: Trailers
    fill: FloatArray  # C of the filling path, m3/(s Pa) ANR
    leak: FloatArray  # k, 1/s
    drift_k_per_s: float


def watch(
    trailers: Trailers, fill_s: float, leak_per_s: FloatArray, drift_k_per_min: float, watch_s: float, every_s: float
) -> tuple[FloatArray, FloatArray]:
    """Fill, close the valve, watch.

    Args:
        trailers: what is watched.
        fill_s: about how long the filling takes.
        leak_per_s: (n,) the isothermal leak rate of the whole volume, or (n, samples) one that changes.
        drift_k_per_min: warming of the air around the tank since long before.
        watch_s: length of the record after the valve closed.
        every_s: spacing of its samples.

    Returns:
        Absolute pressure (n, samples) and wall temperature of the tank (n, samples); the first
        sample is at the closing of the valve.
    """
    drift = drift_k_per_min / 60
    wall_lag = trailers.wall_j_per_k / trailers.outside
    wall = trailers.room_k - drift * wall_lag + 0.0
    state = _State(np.full(trailers.room_k.shape, AMBIENT_PA + 2 * PSI), wall.copy(), wall.copy())
    total = trailers.volume_m3.sum(axis=0)
    conductance = total * (trailers.source_pa - AMBIENT_PA) / (fill_s * 0.8) / (trailers.source_pa * AMBIENT_PA)
    filling = _Conditions(trailers, conductance, np.zeros_like(total), drift)
    clock = 0.0
    while clock < 1.5 * fill_s:
        state, clock = _step(state, filling, clock), clock + STEP_S
    samples, per_sample = round(watch_s / every_s) + 1, round(every_s / STEP_S)
    pressure, skin = np.empty((total.size, samples)), np.empty((total.size, samples))
    for i in range(samples):
        pressure[:, i], skin[:, i] = state.pressure_pa, state.wall_k[0]
        now = leak_per_s if leak_per_s.ndim == 1 else leak_per_s[:, i]
        closed = _Conditions(trailers, np.zeros_like(total), now, drift)
        for _ in range(per_sample):
            state, clock = _step(state, closed, clock), clock + STEP_S
    return pressure, skin


def _step(state: _State, conditions: _Conditions, clock_s: float) -> _State:
    one = _rates(state, conditions, clock_s)
    two = _rates(state.moved(one, STEP_S / 2), conditions, clock_s + STEP_S / 2)
    three = _rates(state.moved(two, STEP_S / 2), conditions, clock_s + STEP_S / 2)
    four = _rates(state.moved(three, STEP_S), conditions, clock_s + STEP_S)
    for rate, weight in ((one, 1), (two, 2), (three, 2), (four, 1)):
        state = state.moved(rate, STEP_S * weight / 6)
    return state


def _rates(state: _State, conditions: _Conditions, clock_s: float) -> _State:
    trailers = conditions.trailers
    warmer = state.wall_k - state.gas_k
    density = state.pressure_pa / 8e5
    film = trailers.film * np.maximum(density ** (2 * trailers.power) * np.abs(warmer) ** trailers.power, 0.15)
    heat_w = film * trailers.area_m2 * warmer
    inflow = _iso_6358(trailers.source_pa, state.pressure_pa, trailers.room_k, conditions.fill)
    total = trailers.volume_m3.sum(axis=0)
    gas_kg = state.pressure_pa * trailers.volume_m3 / (R_AIR * state.gas_k)
    outflow = conditions.leak * gas_kg.sum(axis=0)
    out_k = state.gas_k[0]
    enthalpy_w = CP * (inflow * trailers.room_k - outflow * out_k)
    pressure_rate = (GAMMA - 1) / total * (heat_w.sum(axis=0) + enthalpy_w)
    mixing = inflow * trailers.volume_m3 / total * (trailers.room_k - state.gas_k) / gas_kg
    gas_rate = (heat_w + trailers.volume_m3 * pressure_rate) / (gas_kg * CP) + mixing
    air_k = trailers.room_k + conditions.drift_k_per_s * clock_s
    wall_rate = (trailers.outside * (air_k - state.wall_k) - heat_w) / trailers.wall_j_per_k
    return _State(pressure_rate, gas_rate, wall_rate)


def _iso_6358(upstream_pa: FloatArray, downstream_pa: FloatArray, upstream_k: FloatArray, c: FloatArray) -> FloatArray:
    """Mass flow in kg/s, critical ratio 0.3."""
    ratio = np.minimum(downstream_pa / upstream_pa, 1.0)
    subsonic = np.sqrt(np.maximum(1 - (np.maximum(ratio - 0.3, 0) / 0.7) ** 2, 0.0))
    return np.asarray(c * RHO_ANR * upstream_pa * np.sqrt(T_ANR / upstream_k) * subsonic)
