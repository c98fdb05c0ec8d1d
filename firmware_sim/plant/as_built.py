"""The harness that was built, which is never quite the one that was drawn.

Every part draws its deviation from a generator seeded with the scenario's seed and the part's
own name, so that adding a fault or another lamp does not change the rest of the harness.
Tolerances are two-sigma; draws are normal, cut at three sigma.
"""

from dataclasses import dataclass, replace
from math import exp
from random import Random

from bench.profiles.model import (
    COPPER_OHM_MM2_PER_M,
    COPPER_PER_K,
    ControlUnit,
    Diode,
    Filament,
    Led,
    Load,
    LoadType,
    Profile,
    Resistor,
    Scenario,
)
from firmware_sim.plant.board import RESISTOR_SIGMA

MASS_TOLERANCE = 0.15  # filament mass, two sigma; assumption


@dataclass(frozen=True, slots=True)
class Link:
    """A wire or joint as built; ``wire`` tells which, because a fault has a position along a wire only."""

    name: str
    a: str
    b: str
    ohm: float
    wire: bool


@dataclass(frozen=True, slots=True)
class BuiltLoad:
    """A load as built; ``mass_factor`` is for filaments."""

    name: str
    a: str
    b: str
    type: LoadType
    mass_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Harness:
    """Everything between the connector and the lamps, and the board's own resistor error."""

    links: tuple[Link, ...]
    loads: tuple[BuiltLoad, ...]
    resistor_factor: float


def build_harness(scenario: Scenario) -> Harness:
    """Draw the harness of ``scenario`` from its seed; with spread 0 it is exactly as drawn."""
    draw = _Draw(scenario.seed, scenario.spread)
    profile = scenario.profile
    return Harness(
        links=(*_wires(profile, scenario.ambient_c, draw), *_joints(profile, draw)),
        loads=tuple(_load(load, draw) for load in profile.loads),
        resistor_factor=1 + draw("board resistors", 2 * RESISTOR_SIGMA),
    )


@dataclass(frozen=True, slots=True)
class _Draw:
    seed: int
    spread: float

    def __call__(self, what: str, two_sigma: float) -> float:
        if not self.spread:
            return 0.0
        normal = Random(f"{self.seed} {what}").gauss(0.0, 1.0)
        return max(-3.0, min(3.0, normal)) * two_sigma / 2 * self.spread


def _wires(profile: Profile, ambient_c: float, draw: _Draw) -> list[Link]:
    wire_c = ambient_c + draw("wire temperature", profile.tolerances.wire_temperature_k)
    warm = 1 + COPPER_PER_K * (wire_c - 20.0)
    links = []
    for segment in profile.segments:
        length_m = segment.length_m * (1 + draw(f"segment {segment.name}", profile.tolerances.length))
        ohm = COPPER_OHM_MM2_PER_M * length_m / segment.area_mm2 * warm
        links.append(Link(segment.name, segment.a, segment.b, ohm, wire=True))
    return links


def _joints(profile: Profile, draw: _Draw) -> list[Link]:
    return [
        Link(
            joint.name,
            joint.a,
            joint.b,
            joint.resistance_ohm * exp(draw(f"joint {joint.name}", profile.tolerances.joint_resistance)),
            wire=False,
        )
        for joint in profile.joints
    ]


def _load(load: Load, draw: _Draw) -> BuiltLoad:
    factor = max(0.05, 1 + draw(f"load {load.name}", load.tolerance))
    mass_factor = max(0.2, 1 + draw(f"mass {load.name}", MASS_TOLERANCE))
    return BuiltLoad(load.name, load.a, load.b, scale_current(load.type, factor), mass_factor)


def scale_current(load: LoadType, factor: float) -> LoadType:
    """The same kind of load drawing ``factor`` times the current; a diode stays as it is."""
    match load:
        case Filament():
            return replace(load, rated_w=load.rated_w * factor)
        case Led():
            return replace(
                load,
                current_a=load.current_a * factor,
                series_ohm=load.series_ohm / factor,
                slope_a_per_v=load.slope_a_per_v * factor,
            )
        case Resistor():
            return replace(load, resistance_ohm=load.resistance_ohm / factor)
        case ControlUnit():
            return replace(load, power_w=load.power_w * factor)
        case Diode():
            return load
