"""Every shipped scenario with a fault in its harness: the fault is found, with its kind, its circuit and its place.

The readings are those of a whole inspection on the simulator; a short has its far end read as well.
"""

from dataclasses import dataclass

import pytest

from bench.electrical import conclude
from bench.electrical.harness import Harness, build
from bench.profiles import load_scenario, scenario_names
from bench.profiles.model import InjectedFault, Measurements, Scenario
from bench.results import Finding
from bench.virtual_time import run_virtual
from tests.bench.sequences.sessions import inspect_in, on_simulator

OF_THE_BOARD = {"board-fault"}
OF_THE_UNIT = {"abs-lamp", "abs-code"}  # a lamp that the unit lights, not a reading of the harness
# A diode's own drop is more than the wire's; a supply is no place; what comes and goes is placed by moving the wire.
PLACE_HIDDEN = {"back-feed", "low-supply", "intermittent"}
SAME_FROM_OUTSIDE = {
    "high-resistance": {"wrong-load"},  # inside a load's own terminals
    "lamp-out": {"open", "ground-open"},
    "open": {"lamp-out"},
}
BESIDE_M = 1.5
BEGINS_S = 0.5  # later, it is a scenario of wear


def is_there(fault: InjectedFault) -> bool:
    """Whether a fault is the harness's own and present while it is inspected."""
    return fault.kind not in OF_THE_BOARD | OF_THE_UNIT and fault.at_s <= BEGINS_S


def faulty() -> list[str]:
    """Scenarios whose harness has a fault that an inspection can read."""
    return [name for name in scenario_names() if any(is_there(fault) for fault in load_scenario(name).faults)]


class Clipper:
    """Puts the sense lead where the question says."""

    def __init__(self, simulator: object) -> None:
        self.simulator = simulator

    async def ask(self, question: object) -> bool:
        if question.node:
            self.simulator.clip_sense(question.node)
        return True


def read(scenario: Scenario) -> Measurements:
    seen: list[Measurements] = []
    session = on_simulator(scenario)
    clipper = Clipper(session.board.simulator)
    run_virtual(inspect_in(session, operator=clipper, infer=lambda readings: seen.append(readings) or ()))
    return seen[-1]


@dataclass
class Truth:
    """One injected fault, and what may be said of it."""

    fault: InjectedFault
    harness: Harness

    @property
    def kinds(self) -> set[str]:
        own = {self.fault.kind} | ({self.fault.of} if self.fault.of else set())
        return own.union(*(SAME_FROM_OUTSIDE.get(kind, set()) for kind in own))

    @property
    def circuits(self) -> set[str]:
        """Circuits that the place belongs to; of a ground, those whose lamps hang on it."""
        profile, names = self.harness.profile, {self.fault.place, self.fault.other}
        loads = {load.circuit for load in profile.loads if load.name in names}
        wires = [part for part in (*profile.segments, *profile.joints) if part.name in names]
        nodes = {node for part in wires for node in (part.a, part.b)} | names
        fed = {name for node in nodes for name in self.harness.live_side.get(node, ())}
        return loads | fed or {circuit.name for circuit in profile.circuits}

    @property
    def at_m(self) -> float:
        profile, place = self.harness.profile, self.fault.place
        for segment in profile.segments:
            if segment.name == place:
                a, b = (self.harness.distance_m.get(node, 0.0) for node in (segment.a, segment.b))
                return a + (b - a) * self.fault.position
        node = next((part.a for part in (*profile.joints, *profile.loads) if part.name == place), place)
        return self.harness.distance_m.get(node, 0.0)

    def is_told_by(self, found: Finding) -> bool:
        kinds = {found.kind, *(other.kind for other in found.alternatives)}
        return bool(kinds & self.kinds) and (bool(set(found.circuits) & self.circuits) or not found.circuits)

    def is_placed_by(self, found: Finding) -> bool:
        places = [found.where, *(other.where for other in found.alternatives)]
        return any(where is not None and self._is_at(where) for where in places)

    def _is_at(self, where: object) -> bool:
        if where.name in {self.fault.place, self.fault.other}:
            return True
        far_m = abs((where.from_connector_m or 0.0) - self.at_m)
        return far_m <= (where.plus_minus_m or 0.0) + BESIDE_M


@pytest.mark.parametrize("name", faulty())
def test_what_was_built_into_a_scenario_is_found_and_nothing_is_said_of_other_circuits(name: str) -> None:
    scenario = load_scenario(name)
    nodes = [node for fault in scenario.faults for node in (fault.place, fault.other) if node]
    harness = build(scenario.profile, nodes)
    findings = [found for found in conclude(read(scenario)).findings if found.kind != "unexplained"]

    for fault in filter(is_there, scenario.faults):
        truth = Truth(fault, harness)
        told = [found for found in findings if truth.is_told_by(found)]
        assert told, f"{fault.kind} at {fault.place} was not found"
        if fault.kind not in PLACE_HIDDEN:
            assert any(truth.is_placed_by(found) for found in told), f"{fault.kind} is not placed at {fault.place}"
    touched = set().union(*(Truth(fault, harness).circuits for fault in scenario.faults))
    assert [found for found in findings if not set(found.circuits) <= touched] == []


def test_every_kind_of_fault_that_a_harness_can_have_has_a_scenario() -> None:
    shipped = {fault.kind for name in scenario_names() for fault in load_scenario(name).faults}

    assert shipped >= {
        "open", "short-to-ground", "overload", "cross-connection", "back-feed", "high-resistance", "lamp-out",
        "wrong-load", "ground-open", "ground-high-resistance", "short-to-supply", "intermittent", "abs-supply",
    }  # fmt: skip
