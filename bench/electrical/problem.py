"""Readings, what is unknown about their making, and what a model says of them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from bench.electrical.compared import BoolArray, Compared, compare, slow_pins
from bench.electrical.faults import Draft, Fault
from bench.electrical.harness import Harness, IntArray
from bench.electrical.laws import FloatArray
from bench.electrical.network import Feeds, Network, Solution, solve
from bench.electrical.unknowns import Layout, Unknowns, unknowns
from bench.profiles.model import CHASSIS, Measurements


@dataclass(frozen=True, slots=True)
class Prediction:
    """Model values (n, columns) with the solved network behind them."""

    value: FloatArray
    solution: Solution
    draft: Draft
    feeds: Feeds

    @property
    def network(self) -> Network:
        """The network that was solved."""
        return self.draft.network


@dataclass(frozen=True)
class Prior:
    """Normal prior of the nuisances: ``mean`` (nuisances,) and ``precision`` (nuisances, nuisances)."""

    mean: FloatArray
    precision: FloatArray


Teach = Callable[[Harness, Layout], Prior | None]


@dataclass(frozen=True)
class Problem:
    """Readings, and what is unknown about their making; everything a fit needs."""

    measurements: Measurements
    compared: Compared
    unknowns: Unknowns
    hows: FloatArray = field(repr=False)
    sense_nodes: IntArray = field(repr=False)
    prior: Prior = field(repr=False)

    @property
    def harness(self) -> Harness:
        """The harness as drawn."""
        return self.compared.harness

    @property
    def nuisances(self) -> int:
        """Number of unknowns of a sound harness."""
        return self.unknowns.layout.size

    def predict(self, x: FloatArray, faults: Sequence[Fault], start_v: FloatArray | None = None) -> Prediction:
        """Model values for nuisances and sizes ``x``; ``start_v`` is a nearby solution."""
        z, known = x[: self.nuisances], self.unknowns
        draft = Draft(known.network(z), list(range(len(known.span_sigma))))
        first = self.nuisances
        for fault in faults:
            fault.apply(draft, x[first : first + fault.sizes].tolist(), first)
            first += fault.sizes
        feeds = self._feeds(z)
        solution = solve(draft.network, feeds, _usable(start_v, draft.network))
        sense_v = np.take_along_axis(solution.node_v, self.sense_nodes[:, None], axis=1)
        volts = np.hstack([solution.pin_v, sense_v])
        value = np.hstack([volts, currents(solution) * known.gains(z)]) + known.offsets(z)
        return Prediction(value, solution, draft, feeds)

    @cached_property
    def outputs(self) -> IntArray:
        """Nodes whose voltage is read: pins, chassis, then where else the sense lead has been."""
        network = self.unknowns.sound
        elsewhere = np.setdiff1d(self.sense_nodes, [network.chassis])
        return np.concatenate([network.pin_nodes, [network.chassis], elsewhere]).astype(np.int64)

    @cached_property
    def bar_column(self) -> IntArray:
        """Position among the pins of the one at which the board's return switch sits."""
        network = self.unknowns.sound
        return np.flatnonzero(np.isin(network.pin_nodes, network.bar))

    @cached_property
    def _sense_rows(self) -> IntArray:
        """Position among ``outputs`` of the sense lead in each reading."""
        pins = len(self.unknowns.sound.pin_nodes)
        rows = [int(np.flatnonzero(self.outputs[pins:] == node)[0]) + pins for node in self.sense_nodes]
        return np.array(rows, dtype=np.int64)

    @cached_property
    def capacitive(self) -> bool:
        """Whether any lamp has an input capacitor."""
        return bool(slow_pins(self.harness, 0.0).any())

    def read_out(self, nodes: FloatArray) -> FloatArray:
        """From values at ``outputs`` (n, outputs, k) to the voltage columns (n, pins + 1, k)."""
        pins = len(self.unknowns.sound.pin_nodes)
        sense = np.take_along_axis(nodes, self._sense_rows[:, None, None], axis=1)
        return np.concatenate([nodes[:, :pins], sense], axis=1)

    def _feeds(self, z: FloatArray) -> Feeds:
        feeds, pins = self.compared.feeds, len(self.harness.pins)
        scale = np.where(feeds.fed, self.unknowns.source_scale(z, self.hows)[:, None], 1.0)
        # A driven pin was measured through its own offset.
        volts = feeds.volts - np.where(self.held, self.unknowns.offsets(z)[:pins], 0.0)
        return replace(feeds, siemens=feeds.siemens * scale, volts=volts)

    @cached_property
    def held(self) -> BoolArray:
        """(n, pins), pins held at the voltage that was measured on them."""
        return self.compared.feeds.fed & ~self.compared.feeds.cold[:, None]

    def residual(self, prediction: Prediction, widen: FloatArray | float = 1.0) -> FloatArray:
        """(entries,), reading minus model over sigma; ``widen`` multiplies the sigmas."""
        compared, at = self.compared, self.compared.entries
        return np.asarray((compared.value[at] - prediction.value[at]) / (compared.sigma[at] * widen))


def pose(measurements: Measurements, harness: Harness, teach: Teach | None = None) -> Problem:
    """Set up the comparison of ``measurements`` with ``harness``; ``teach`` may know it better than its drawing."""
    compared = compare(measurements, harness)
    hows = np.array([[r.how == "probe", r.how == "pulse"] for r in measurements.readings], dtype=float).reshape(-1, 2)
    senses = [harness.index.get(reading.sense_at, harness.index[CHASSIS]) for reading in measurements.readings]
    known = unknowns(measurements, compared)
    size = known.layout.size
    taught = teach(harness, known.layout) if teach is not None else None
    prior = taught or Prior(np.zeros(size), np.eye(size))
    return Problem(measurements, compared, known, hows, np.array(senses, dtype=np.int64), prior)


def _usable(start_v: FloatArray | None, network: Network) -> FloatArray | None:
    return start_v if start_v is not None and start_v.shape[1] == network.size else None


def currents(solution: Solution) -> FloatArray:
    """(n, pins + 2), out of the pins, then back by pin and chassis."""
    return np.column_stack([solution.pin_a, solution.pin_return_a, solution.chassis_return_a])
