"""What valves, regulators, faults and modulators make of the paths at one time."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from bench.contract.table import Valve
from bench.profiles.air_model import PA_PER_PSI, AirFault, AirSystem
from firmware_sim.air.as_built import (
    CHAMBER,
    LUMPS,
    RESERVOIR,
    SERVICE,
    SPRINGS,
    SUPPLY,
    AirWorks,
    valve_name,
)
from firmware_sim.air.dynamics import Setting
from firmware_sim.air.flow import ATMOSPHERE_PA, M3_PER_S_PA, FloatArray, conductance_of_leak

NORMALLY_OPEN = (Valve.SUPPLY_EXHAUST, Valve.SERVICE_EXHAUST)
HOSE_OFF_C = 40 * M3_PER_S_PA  # an open coupling
MODULATOR_C = 4 * M3_PER_S_PA
LEAK_AT_PA = 100 * PA_PER_PSI + ATMOSPHERE_PA
USUAL_SLOWNESS = 0.2  # of the sound flow
LINES = ("supply", "service")


@dataclass(frozen=True, slots=True)
class Controls:
    """What the bench and the trailer's control unit do.

    Attributes:
        energised: bit n: valve n.
        regulated_pa: gauge set-points of supply and service.
        pulsed: wheel ends whose modulator lets air out now, by position.
    """

    energised: int
    regulated_pa: tuple[float, float]
    pulsed: frozenset[int] = frozenset()


class Settings:
    """Makes settings for one air system."""

    def __init__(self, system: AirSystem, works: AirWorks, air_k: float) -> None:
        self._system, self._works, self._air_k = system, works, air_k
        self._index = {path.name: i for i, path in enumerate(works.paths)}
        self.drained_m3 = drained_m3(system, works)

    def of(self, controls: Controls, faults: Iterable[AirFault]) -> Setting:
        """Conductances and sources with these faults present."""
        forward = np.array([path.forward_c for path in self._works.paths])
        back = np.array([path.back_c for path in self._works.paths])
        source_pa = list(controls.regulated_pa)
        stuck = {fault.place: fault.kind for fault in faults if fault.kind.startswith("valve-stuck")}
        for valve in Valve:
            if not self._passes(valve, controls.energised, stuck):
                forward[self._index[valve_name(valve)]] = back[self._index[valve_name(valve)]] = 0.0
        for fault in faults:
            self._apply(fault, forward, back, source_pa)
        for position in controls.pulsed:
            self._pulse(position, forward, back)
        return Setting(forward, back, np.array([0.0, *source_pa]) + ATMOSPHERE_PA)

    def _passes(self, valve: Valve, energised: int, stuck: Mapping[str, str]) -> bool:
        kind = stuck.get(valve_name(valve))
        if kind is not None:
            return kind == "valve-stuck-open"
        return bool(energised >> valve & 1) != (valve in NORMALLY_OPEN)

    def _apply(self, fault: AirFault, forward: FloatArray, back: FloatArray, source_pa: list[float]) -> None:
        if fault.kind == "leak":
            self._leak(fault, forward, back)
        elif fault.kind == "hose-off":
            at = self._index[f"{fault.place}-glad-hand"]
            forward[at] += HOSE_OFF_C
            back[at] += HOSE_OFF_C
        elif fault.kind == "regulator-low":
            line = LINES.index(fault.place)
            source_pa[line] = min(source_pa[line], fault.value or 0.0)
        elif fault.kind == "slow-application":
            forward[self._brakes(fault.place, "relay-inlet")] *= fault.value or USUAL_SLOWNESS
        elif fault.kind == "slow-release":
            where = self._brakes(fault.place, "relay-exhaust")
            (forward if fault.place == "service" else back)[where] *= fault.value or USUAL_SLOWNESS

    def _brakes(self, place: str, of_all: str) -> int:
        return self._index[of_all if place == "service" else f"hose {place}"]

    def _leak(self, fault: AirFault, forward: FloatArray, back: FloatArray) -> None:
        fall_pa_per_s = (fault.psi_per_min or 0.0) * PA_PER_PSI / 60
        c = conductance_of_leak(fall_pa_per_s, self.drained_m3[fault.place], LEAK_AT_PA, self._air_k)
        at = self._index["reservoir-to-supply" if fault.place == "check-valve" else fault.place]
        forward[at] += c
        if fault.place != "check-valve":
            back[at] += c

    def _pulse(self, position: int, forward: FloatArray, back: FloatArray) -> None:
        """The chamber is shut off from delivery and opened to the air."""
        name = self._system.wheel_ends[position].name
        hose, out = self._index[f"hose {name}"], self._index[f"modulator {name}"]
        forward[hose] = back[hose] = 0.0
        forward[out] = MODULATOR_C


def drained_m3(system: AirSystem, works: AirWorks) -> dict[str, float]:
    """Volume that a leak at each place drains at 100 psi: everything that follows it down.

    Behind a check valve the reservoir does not follow a leak of the supply line, but the supply line
    always follows the reservoir.
    """
    rigid = works.rigid_m3
    supply = float(rigid[SUPPLY : SUPPLY + LUMPS].sum() + rigid[SPRINGS])
    service = float(rigid[SERVICE : SERVICE + LUMPS].sum())
    reservoir = float(rigid[RESERVOIR])
    released = supply + reservoir
    at = np.full(len(system.wheel_ends), LEAK_AT_PA - ATMOSPHERE_PA)
    applied = released + float(rigid[CHAMBER - 1] + works.chambers.volume_m3(at).sum())
    supply = supply if system.check_valve else released
    return {
        "supply-glad-hand": supply, "spring-seal": supply, "reservoir-drain": released,
        "service-glad-hand": service, "service-hose": service, "relay-control": service,
        "relay-inlet-seat": released, "relay-exhaust-seat": applied,
        "diaphragm-1": applied, "diaphragm-2": applied, "check-valve": reservoir,
    }  # fmt: skip
