"""The air system that was built: volumes, surfaces and paths, each a little off its drawing.

Every part draws its deviation from a generator seeded with the scenario's seed and the part's name.
Where the drawing is silent the values are those of an ordinary two-axle trailer, marked [M] where
they are from memory: what a bench must find out by measuring.

Lines are four volumes in a row. They show how a line fills, not how sound travels in it: a real pressure
front needs 41 ms for 14.2 m before anything moves at the far end, which the plant leaves out.
"""

from dataclasses import dataclass
from math import pi
from random import Random

import numpy as np

from bench.contract.table import Valve
from bench.profiles.air_model import AirScenario, AirSystem
from bench.profiles.chambers import CHAMBERS
from firmware_sim.air.brakes import USUAL_STROKE_SHARE, Chambers
from firmware_sim.air.flow import M3_PER_S_PA, FloatArray, hose_conductance

LUMPS = 4
SUPPLY, SERVICE, SPRINGS, RESERVOIR, DELIVERY, CHAMBER = 0, LUMPS, 2 * LUMPS, 2 * LUMPS + 1, 2 * LUMPS + 2, 11
"""First volume of each kind; the coupling is the first lump of its line, the valves are at its last."""

SPRUNG, RELAY = slice(0, 3), slice(3, 5)
"""Paths that open against a spring (regulators, check valve), and the relay valve's inlet and exhaust."""

SPRING_CAVITY_M3 = 1.0e-3  # [M]
NO_CAVITY_M3 = 0.05e-3
BENCH_SIDE_M3 = 1.1e-3  # [M] hoses and manifold between the bench's valves and a coupling
DELIVERY_M3 = 0.3e-3  # [M] relay valve's delivery side
SOURCE_C = 4 * M3_PER_S_PA  # shop air behind the bench's regulator
SERVICE_FILL_C = 8 * M3_PER_S_PA  # [M] from a receiver beside the valve
EXHAUST_C = 12 * M3_PER_S_PA  # [M]
SPRINGS_C = 5 * M3_PER_S_PA  # [M]
CHECK_C = 10 * M3_PER_S_PA  # [M]
INLET_C = 24 * M3_PER_S_PA  # [M] relay valve fully open
RELAY_EXHAUST_C = 20 * M3_PER_S_PA  # [M]
CHAMBER_HOSE_C = hose_conductance(3.0, 0.0095)  # [M] 10 ft of 3/8 in hose from the relay valve to a chamber
RELIEF_SHARE = 0.3  # an electronic regulator lets air back this much worse than forward
VALVE_B, LINE_B, HOLE_B = 0.3, 0.4, 0.5

VOLUME_TOLERANCE, PATH_TOLERANCE, FILM_TOLERANCE, STROKE_TOLERANCE = 0.04, 0.15, 0.3, 0.15  # two sigma; assumptions


@dataclass(frozen=True, slots=True)
class Path:
    """A restriction from volume (or boundary) ``a`` to ``b``; conductances each way, critical ratio."""

    name: str
    a: int
    b: int
    forward_c: float
    back_c: float
    ratio: float


@dataclass(frozen=True, slots=True)
class AirWorks:
    """Volumes, then the boundaries atmosphere, supply source and service source; paths between them.

    Attributes:
        rigid_m3: shape (n,); of chambers, with the rod back.
        surface_m2: shape (n,), that the air touches.
        forced_w_per_m2_k: shape (n,), film that does not depend on natural convection.
        natural: shape (n,), factor on the natural film.
        wall_j_per_k, outside_w_per_k: of the reservoir.
    """

    chambers: Chambers
    rigid_m3: FloatArray
    surface_m2: FloatArray
    forced_w_per_m2_k: FloatArray
    natural: FloatArray
    wall_j_per_k: float
    outside_w_per_k: float
    paths: tuple[Path, ...]

    @property
    def volumes(self) -> int:
        """Number of volumes; the atmosphere is the boundary of this index."""
        return len(self.rigid_m3)


class _Draw:
    def __init__(self, seed: int, spread: float) -> None:
        self._seed, self._spread = seed, spread

    def __call__(self, name: str, two_sigma: float) -> float:
        """A factor near 1, cut at three sigma."""
        deviation = Random(f"{self._seed} air {name}").gauss(0.0, 1.0)
        return 1 + self._spread * two_sigma / 2 * min(max(deviation, -3.0), 3.0)


def build_works(system: AirSystem, scenario: AirScenario, seed: int) -> AirWorks:
    """Draw the air system from its seed."""
    draw = _Draw(seed, scenario.spread)
    chambers = Chambers.of(system.wheel_ends, list(strokes_m(system, scenario, seed).values()))
    rigid_m3 = np.concatenate((_line_m3(system.supply_line_m, system.line_bore_m),
                               _line_m3(system.service_line_m, system.line_bore_m),
                               _tanks_m3(system, draw), chambers.clear_m3))  # fmt: skip
    surface_m2 = 6.2 * rigid_m3 ** (2 / 3)  # compact vessels: a little more than a sphere's
    surface_m2[SUPPLY:SPRINGS] += [
        each / LUMPS * pi * system.line_bore_m
        for each in (system.supply_line_m, system.service_line_m)
        for _ in range(LUMPS)
    ]
    surface_m2[SPRINGS] *= max(sum(end.spring for end in system.wheel_ends), 1) ** (1 / 3)
    forced = np.full(len(rigid_m3), 0.3)  # conduction alone
    forced[SUPPLY:SPRINGS] = 20.0
    natural = np.ones(len(rigid_m3))
    natural[RESERVOIR] = scenario.convection * draw("film", FILM_TOLERANCE)
    tank_m2 = float(surface_m2[RESERVOIR])
    return AirWorks(
        chambers, rigid_m3, surface_m2, forced, natural,
        wall_j_per_k=tank_m2 * 11_000.0,  # 3 mm of steel
        outside_w_per_k=tank_m2 * 8.0,
        paths=_paths(system, len(rigid_m3), draw),
    )  # fmt: skip


def strokes_m(system: AirSystem, scenario: AirScenario, seed: int) -> dict[str, float]:
    """Stroke of every wheel end at 85 psi: as given, otherwise drawn around a well adjusted one."""
    draw = _Draw(seed, scenario.spread)
    usual = {
        end.name: USUAL_STROKE_SHARE
        * CHAMBERS[end.chamber].full_stroke_m(end.long_stroke)
        * draw(f"stroke {end.name}", STROKE_TOLERANCE)
        for end in system.wheel_ends
    }
    return usual | dict(scenario.strokes_m)


def _line_m3(length_m: float, bore_m: float) -> FloatArray:
    lumps = np.full(LUMPS, length_m / LUMPS * pi / 4 * bore_m**2)
    lumps[0] += BENCH_SIDE_M3
    return lumps


def _tanks_m3(system: AirSystem, draw: _Draw) -> FloatArray:
    cavities = sum(end.spring for end in system.wheel_ends)
    springs = cavities * SPRING_CAVITY_M3 * draw("springs", VOLUME_TOLERANCE) or NO_CAVITY_M3
    return np.array([springs, system.reservoir_m3 * draw("reservoir", VOLUME_TOLERANCE), DELIVERY_M3])


def valve_name(valve: Valve) -> str:
    """As people write it: ``supply-fill``."""
    return valve.name.lower().replace("_", "-")


def _paths(system: AirSystem, volumes: int, draw: _Draw) -> tuple[Path, ...]:
    """Those of ``SPRUNG`` first, then those of ``RELAY``."""
    air, supply_source, service_source = volumes, volumes + 1, volumes + 2
    relief = RELIEF_SHARE if system.regulators == "electronic" else 0.0
    line_end = SUPPLY + LUMPS - 1
    springs_c, check_c = SPRINGS_C * draw("springs path", PATH_TOLERANCE), CHECK_C * draw("check", PATH_TOLERANCE)
    inlet_c, exhaust_c = INLET_C * draw("inlet", PATH_TOLERANCE), RELAY_EXHAUST_C * draw("exhaust", PATH_TOLERANCE)
    return (
        Path("supply-fill", supply_source, SUPPLY, SOURCE_C, SOURCE_C * relief, VALVE_B),
        Path("service-fill", service_source, SERVICE, SERVICE_FILL_C, SERVICE_FILL_C * relief, VALVE_B),
        Path("check-valve", line_end, RESERVOIR, check_c, 0.0 if system.check_valve else check_c, VALVE_B),
        Path("relay-inlet", RESERVOIR, DELIVERY, inlet_c, inlet_c, VALVE_B),
        Path("relay-exhaust", DELIVERY, air, exhaust_c, exhaust_c, VALVE_B),
        Path("supply-exhaust", SUPPLY, air, EXHAUST_C, EXHAUST_C, VALVE_B),
        Path("service-exhaust", SERVICE, air, EXHAUST_C, EXHAUST_C, VALVE_B),
        Path("springs", line_end, SPRINGS, springs_c, springs_c, VALVE_B),
        *_line("supply-line", SUPPLY, system.supply_line_m, system.line_bore_m, draw),
        *_line("service-line", SERVICE, system.service_line_m, system.line_bore_m, draw),
        *_chamber_paths(system, air, draw),
        *_leaks(system, air),
    )


def _line(name: str, first: int, length_m: float, bore_m: float, draw: _Draw) -> list[Path]:
    """Squares of conductances in series add up inversely, so each of k pieces has sqrt(k) of the whole."""
    pieces = LUMPS - 1
    c = hose_conductance(length_m, bore_m) * pieces**0.5 * draw(name, PATH_TOLERANCE)
    return [Path(f"{name}-{i + 1}", first + i, first + i + 1, c, c, LINE_B) for i in range(pieces)]


def _chamber_paths(system: AirSystem, air: int, draw: _Draw) -> list[Path]:
    paths = []
    for i, end in enumerate(system.wheel_ends):
        c = CHAMBER_HOSE_C * draw(f"hose {end.name}", PATH_TOLERANCE)
        paths.append(Path(f"hose {end.name}", DELIVERY, CHAMBER + i, c, c, LINE_B))
        if system.modulators:
            paths.append(Path(f"modulator {end.name}", CHAMBER + i, air, 0.0, 0.0, VALVE_B))
    return paths


def _leaks(system: AirSystem, air: int) -> list[Path]:
    """Holes to the air, shut until a fault opens them; leaks of seats are part of the valves' own paths."""
    last = len(system.wheel_ends) - 1
    places = {
        "supply-glad-hand": SUPPLY,
        "spring-seal": SPRINGS,
        "reservoir-drain": RESERVOIR,
        "service-glad-hand": SERVICE,
        "service-hose": SERVICE + 1,
        "relay-control": SERVICE + LUMPS - 1,
        "diaphragm-1": CHAMBER,
        "diaphragm-2": CHAMBER + min(1, last),
        "relay-inlet-seat": RESERVOIR,
        "relay-exhaust-seat": DELIVERY,
    }
    paths = [Path(name, at, air, 0.0, 0.0, HOLE_B) for name, at in places.items()]
    paths[8] = Path("relay-inlet-seat", RESERVOIR, DELIVERY, 0.0, 0.0, HOLE_B)
    return [*paths, Path("reservoir-to-supply", RESERVOIR, SUPPLY + LUMPS - 1, 0.0, 0.0, HOLE_B)]
