"""An incandescent filament from its rating alone.

With R = R_hot (T/T_hot)^1.2 and a lamp current that follows V^0.55 (re-rating law, Fink & Beaty,
*Standard Handbook for Electrical Engineers*), P = V I and R = V / I give P ∝ T^n with
n = 1.2 * 1.55 / 0.45 = 4.13. Part of that loss is conducted through gas and leads (linear in T)
and matters when a lamp cools; the rest is radiated with the exponent that keeps the slope of the
sum at n in the middle of the voltages a lamp is used at. The wire's size follows from the
surface that radiates the rated power and from R_hot; its mass and the specific heat of tungsten
give the thermal inertia.

The state is u = ln(T/T_hot), the *warmth*. In it conductance and every part of the heat balance
are exponentials, and the usual courses are nearly straight: at a constant current dT/dt goes with
R, so du/dt with T^0.2. Steps can be longer, and their relative error is the error of u.

Vectors here have shape (filaments,).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cbrt, log, pi

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

RESISTANCE_EXPONENT = 1.2  # tungsten, 300..3000 K
CURRENT_EXPONENT = 0.55  # I against V; Fink & Beaty
LOSS_EXPONENT = RESISTANCE_EXPONENT * (1 + CURRENT_EXPONENT) / (1 - CURRENT_EXPONENT)
CONDUCTED_SHARE = 0.08  # of the rated power; assumption for small gas-filled lamps
MIDDLE = 0.95  # of T_hot: about 0.88 of the rated voltage
STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4)
EMISSIVITY = 0.25
DENSITY_KG_PER_M3 = 19_300.0
HEAT_J_PER_KG_K = 132.0
KELVIN = 273.15


def tungsten_resistivity(kelvin: float) -> float:
    """Ohm metre; textbook fit 5.65e-8 (T/300)^1.2."""
    return 5.65e-8 * float((kelvin / 300.0) ** RESISTANCE_EXPONENT)


def hot_temperature_k(rated_w: float) -> float:
    """Working temperature: larger lamps burn hotter (2150 K at 1 W, 2640 K at 27 W; assumption)."""
    return 2150.0 + 150.0 * log(max(rated_w, 0.05))


def heat_capacity_j_per_k(rated_v: float, rated_w: float) -> float:
    """Of the straight round wire that radiates the rated power and has the rated resistance."""
    hot_k = hot_temperature_k(rated_w)
    surface_m2 = rated_w / (EMISSIVITY * STEFAN_BOLTZMANN * hot_k**4)
    hot_ohm = rated_v**2 / rated_w
    # surface = pi d L and R = rho L / (pi d^2 / 4)
    diameter_m = cbrt(4 * tungsten_resistivity(hot_k) * surface_m2 / (pi**2 * hot_ohm))
    return DENSITY_KG_PER_M3 * HEAT_J_PER_KG_K * surface_m2 * diameter_m / 4


@dataclass(frozen=True, slots=True)
class FilamentRating:
    """One filament as built; ``mass_factor`` scales the geometric mass."""

    rated_v: float
    rated_w: float
    mass_factor: float = 1.0


class Filaments:
    """All filaments of a harness as vectors."""

    def __init__(self, ratings: Sequence[FilamentRating], ambient_k: float) -> None:
        self.count = len(ratings)
        self.ambient_k = ambient_k
        watts = np.array([rating.rated_w for rating in ratings], dtype=float)
        volts = np.array([rating.rated_v for rating in ratings], dtype=float)
        self.hot_k = np.array([hot_temperature_k(w) for w in watts], dtype=float)
        self.hot_siemens = watts / volts**2
        self.heat_j_per_k = np.array(
            [heat_capacity_j_per_k(r.rated_v, r.rated_w) * r.mass_factor for r in ratings], dtype=float
        )
        conducted = CONDUCTED_SHARE / (self.hot_k - ambient_k)  # per K, as a share of the rated power
        self.conducted_w_per_k = conducted * watts
        loss = MIDDLE**LOSS_EXPONENT
        middle_k = MIDDLE * self.hot_k
        self.radiated_exponent = (LOSS_EXPONENT * loss - conducted * middle_k) / (
            loss - conducted * (middle_k - ambient_k)
        )
        ambient_term = (ambient_k / self.hot_k) ** self.radiated_exponent
        self.radiated_w = (1 - CONDUCTED_SHARE) * watts / (1 - ambient_term)
        self.constant_w = self.radiated_w * ambient_term + self.conducted_w_per_k * ambient_k
        self.heat_j = self.heat_j_per_k * self.hot_k  # per unit of warmth, times T/T_hot
        self.conducted_w = self.conducted_w_per_k * self.hot_k
        self.gained_exponent = self.radiated_exponent - 1
        self._exponents = np.vstack(
            (np.full(self.count, -RESISTANCE_EXPONENT), self.gained_exponent, -np.ones(self.count))
        )
        self._at_hot = np.vstack((self.hot_siemens, self.radiated_w, np.ones(self.count)))

    def warmth(self, kelvin: FloatArray) -> FloatArray:
        """Logarithm of the temperature over that of the rated lamp."""
        result: FloatArray = np.log(kelvin / self.hot_k)
        return result

    def at(self, warmth: FloatArray) -> FloatArray:
        """Conductance; gross radiated power times T_hot/T; T_hot/T. Shape (3, filaments)."""
        values: FloatArray = self._at_hot * np.exp(self._exponents * warmth)
        return values

    def siemens(self, kelvin: FloatArray) -> FloatArray:
        """Conductance at temperature."""
        conductance: FloatArray = self.at(self.warmth(kelvin))[0]
        return conductance

    def loss_w(self, kelvin: FloatArray) -> FloatArray:
        """Net heat lost at temperature; zero at ambient."""
        _, radiated, cold = self.at(self.warmth(kelvin))
        result: FloatArray = radiated / cold + self.conducted_w_per_k * kelvin - self.constant_w
        return result
