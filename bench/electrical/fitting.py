"""How well one set of faults explains the readings: damped robust fit and evidence.

Theory. The unknowns ``x`` (nuisances ``z``, then fault sizes ``q``) are standard normal before
anything is read. Residuals follow a Student-t law with ``NU`` degrees of freedom, so that one
bad reading can't carry a verdict. The mode is found by Levenberg-Marquardt on reweighted least
squares. The evidence of the hypothesis is Laplace's: the posterior's height at the mode times
its volume, ``exp(-F) / sqrt(det A)``; the determinant is the Occam factor.

How far a workshop strays from the drawing is itself unknown: all tolerances of the harness
share one scale, with a prior worth ``SCALE_WEIGHT`` observations at 1, found again at every step.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from bench.electrical.compared import Compared, compare
from bench.electrical.faults import Draft, Fault
from bench.electrical.harness import Harness, IntArray
from bench.electrical.laws import FloatArray
from bench.electrical.network import Feeds, Network, Solution, solve
from bench.electrical.unknowns import (
    COLD_LAMP_SIGMA,
    COLD_RATIO_SIGMA,
    CONDUCTED_SIGMA,
    OWN_GAIN,
    RETURN_SIGMA,
    SHARED_GAIN,
    WARMING_SIGMA,
    Unknowns,
    unknowns,
)
from bench.profiles.model import CHASSIS, Measurements

NU = 6.0
SCALE_WEIGHT = 10.0
LARGEST_SCALE = 3.0
ITERATIONS = 12
PATIENCE = 3
SETTLED = 0.02  # of log evidence
DAMPING_START = 1e-3
LUKEWARM_SIGMA = 0.35
LUKEWARM_BELOW = 0.5  # of the rated voltage
CONDUCTED_STEP = 1e-3
DAMPING_MOST = 1e5


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
class Problem:
    """Readings, and what is unknown about their making; everything a fit needs."""

    measurements: Measurements
    compared: Compared
    unknowns: Unknowns
    hows: FloatArray = field(repr=False)
    sense_nodes: IntArray = field(repr=False)

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
        value = np.hstack([volts, _currents(solution) * known.gains(z)]) + known.offsets(z)
        return Prediction(value, solution, draft, feeds)

    @cached_property
    def outputs(self) -> IntArray:
        """Nodes whose voltage is read: pins, chassis, then where else the sense lead has been."""
        network = self.unknowns.sound
        elsewhere = np.setdiff1d(self.sense_nodes, [network.chassis])
        return np.concatenate([network.pin_nodes, [network.chassis], elsewhere]).astype(np.int64)

    @cached_property
    def _sense_rows(self) -> IntArray:
        """Position among ``outputs`` of the sense lead in each reading."""
        pins = len(self.unknowns.sound.pin_nodes)
        rows = [int(np.flatnonzero(self.outputs[pins:] == node)[0]) + pins for node in self.sense_nodes]
        return np.array(rows, dtype=np.int64)

    def read_out(self, nodes: FloatArray) -> FloatArray:
        """From values at ``outputs`` (n, outputs, k) to the voltage columns (n, pins + 1, k)."""
        pins = len(self.unknowns.sound.pin_nodes)
        sense = np.take_along_axis(nodes, self._sense_rows[:, None, None], axis=1)
        return np.concatenate([nodes[:, :pins], sense], axis=1)

    def _feeds(self, z: FloatArray) -> Feeds:
        feeds = self.compared.feeds
        scale = np.where(feeds.fed, self.unknowns.source_scale(z, self.hows)[:, None], 1.0)
        return replace(feeds, siemens=feeds.siemens * scale)

    def residual(self, prediction: Prediction, widen: FloatArray | float = 1.0) -> FloatArray:
        """(entries,), reading minus model over sigma; ``widen`` multiplies the sigmas."""
        compared, at = self.compared, self.compared.entries
        return np.asarray((compared.value[at] - prediction.value[at]) / (compared.sigma[at] * widen))

    def slopes(self, x: FloatArray, prediction: Prediction) -> tuple[FloatArray, FloatArray]:
        """Change of the model with the unknowns over widened sigma (entries, unknowns), and the widening (entries,)."""
        rates, lukewarm = _column_rates(self, x, prediction)
        at = self.compared.entries
        sigma = self.compared.sigma[at]
        widen = np.sqrt(1 + (lukewarm[at] / sigma) ** 2)
        return np.asarray(rates[at] / (sigma * widen)[:, None]), np.asarray(widen)


def pose(measurements: Measurements, harness: Harness) -> Problem:
    """Set up the comparison of ``measurements`` with ``harness``."""
    compared = compare(measurements, harness)
    hows = np.array([[r.how == "probe", r.how == "pulse"] for r in measurements.readings], dtype=float).reshape(-1, 2)
    senses = [harness.index.get(reading.sense_at, harness.index[CHASSIS]) for reading in measurements.readings]
    return Problem(measurements, compared, unknowns(measurements, compared), hows, np.array(senses, dtype=np.int64))


def _usable(start_v: FloatArray | None, network: Network) -> FloatArray | None:
    return start_v if start_v is not None and start_v.shape[1] == network.size else None


def _currents(solution: Solution) -> FloatArray:
    return np.column_stack([solution.pin_a, solution.pin_return_a, solution.chassis_return_a])


# --- derivatives ---


def _column_rates(problem: Problem, x: FloatArray, prediction: Prediction) -> tuple[FloatArray, FloatArray]:
    """Change of every model value with every unknown (n, columns, unknowns); doubt from lukewarm lamps (n, columns)."""
    known, network, feeds = problem.unknowns, prediction.network, prediction.feeds
    at, pins = known.layout, len(network.pin_nodes)
    nodes, doubt = _voltage_rates(problem, prediction, len(x))
    volts, doubt_v = problem.read_out(nodes), problem.read_out(doubt[:, :, None])[:, :, 0]
    fed_s = np.where(feeds.fed, feeds.siemens - feeds.pull_down_s, 0.0)
    amps = -fed_s[:, :, None] * nodes[:, :pins]
    currents = _currents(prediction.solution)
    for column, how in ((at.board.start + 2, 0), (at.board.start + 3, 1)):
        amps[:, :, column] -= known.probe_sigma * problem.hows[:, [how]] * currents[:, :pins]
    grounds = np.flatnonzero(np.isin(network.pin_nodes, network.ground_nodes))
    by_pin = (feeds.pin_return / network.return_ohm)[:, None] * nodes[:, grounds].sum(axis=1)
    by_pin[:, at.board.start] -= RETURN_SIGMA * currents[:, -2]
    by_chassis = (feeds.chassis_return / network.clamp_ohm)[:, None] * nodes[:, pins]
    by_chassis[:, at.board.start + 1] -= RETURN_SIGMA * currents[:, -1]
    amps = np.concatenate([amps, by_pin[:, None], by_chassis[:, None]], axis=1)
    amps *= known.gains(x[: problem.nuisances])[:, None]
    amps[:, :, at.gain] += SHARED_GAIN * known.gain_sigma * currents
    own = np.arange(pins + 2)
    amps[:, own, at.gains.start + own] += OWN_GAIN * known.gain_sigma * currents
    rates = np.concatenate([volts, amps], axis=1)
    every = np.arange(rates.shape[1])
    rates[:, every, at.offsets.start + every] += known.offset_sigma
    doubt_a = np.zeros((len(volts), pins + 2))
    return rates, np.hstack([doubt_v, doubt_a])


def _voltage_rates(problem: Problem, prediction: Prediction, count: int) -> tuple[FloatArray, FloatArray]:
    """Change of the output nodes' voltages (n, outputs, unknowns) by reciprocity; their doubt (n, outputs)."""
    network, solution, known = prediction.network, prediction.solution, problem.unknowns
    outputs = problem.outputs
    unit = np.zeros((network.size, len(outputs)))
    unit[outputs, np.arange(len(outputs))] = 1.0
    reach = np.asarray(np.linalg.solve(solution.matrix, unit[None]).transpose(0, 2, 1))
    branch_a = solution.node_v @ network.branch_incidence.T * network.siemens
    by_branch = (reach @ network.branch_incidence.T) * branch_a[:, None]
    by_load = -(reach @ network.load_incidence.T) * solution.load_a[:, None]
    own_loads = len(known.load_sigma)
    cold = (prediction.feeds.cold[:, None] & ~known.sound.lit) * known.is_filament  # type: ignore[operator]
    by_cold = -by_load[:, :, :own_loads] * cold[:, None]
    maps = _maps(problem, prediction.draft, count)
    rates = np.asarray(by_branch @ maps[0] + by_load @ maps[1] + by_cold @ maps[2])
    _add_lamp_rates(problem, prediction, by_load, by_cold, rates)
    _add_board_rates(problem, prediction, reach, rates)
    return rates, _lukewarm(problem, prediction, by_load)


def _lukewarm(problem: Problem, prediction: Prediction, by_load: FloatArray) -> FloatArray:
    """Doubt (n, outputs) of voltages that lamps fed far below their rating decide.

    Such a lamp takes seconds to settle and keeps the warmth of what was lit before, so its
    resistance is known to a third at best, each reading for itself.
    """
    known, network = problem.unknowns, prediction.network
    own = len(known.load_sigma)
    across = np.abs(prediction.solution.node_v @ network.load_incidence.T)[:, :own] / network.laws.second[:own]
    doubt = LUKEWARM_SIGMA * np.clip((LUKEWARM_BELOW - across) / LUKEWARM_BELOW, 0.0, 1.0) ** 0.5
    hot = (~prediction.feeds.cold[:, None]) * known.is_filament
    return np.asarray(np.sqrt(((by_load[:, :, :own] * (doubt * hot)[:, None]) ** 2).sum(axis=2)))


def _maps(problem: Problem, draft: Draft, count: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How unknowns move ln(ohm) of branches, ln(current) of loads, ln(cold ohm) of filaments."""
    known, at = problem.unknowns, problem.unknowns.layout
    branches, loads = np.zeros((len(draft.owner), count)), np.zeros((len(draft.network.load_a), count))
    for branch, span in enumerate(draft.owner):
        if span >= 0:
            own = known.own_share(draft.network, branch, span)
            branches[branch, at.spans.start + span] = known.span_sigma[span] * own
            branches[branch, at.wire] = known.wire_sigma * known.wire_share[span] * own
    for number, branch, rate in draft.branch_rates:
        branches[branch, number] += rate
    own_loads = len(known.load_sigma)
    each = np.arange(own_loads)
    loads[each, at.loads.start + each] = known.load_sigma
    for number, load, rate in draft.load_rates:
        loads[load, number] += rate
    cold = np.zeros((own_loads, count))
    cold[:, at.cold_all] = COLD_RATIO_SIGMA
    cold[each, at.cold.start + each] = COLD_LAMP_SIGMA
    return branches, loads, cold


def _add_lamp_rates(
    problem: Problem, prediction: Prediction, by_load: FloatArray, by_cold: FloatArray, rates: FloatArray
) -> None:
    """Self-heating in the pulse, and the conducted share of the heat, which moves lamps far from their rating."""
    known, at = problem.unknowns, problem.unknowns.layout
    rates[:, :, at.warming] += WARMING_SIGMA * np.einsum("nol,nl->no", by_cold, known.warmth)
    share = prediction.network.conducted
    across = prediction.solution.node_v @ prediction.network.load_incidence.T
    more = replace(prediction.network, conducted=share * (1 + CONDUCTED_STEP))
    amps = prediction.solution.load_a
    moved, _ = more.load_law(across, prediction.feeds.cold)
    relative = CONDUCTED_SIGMA / CONDUCTED_STEP * (moved - amps) / np.where(np.abs(amps) > 1e-9, amps, 1.0)
    own = len(known.load_sigma)
    rates[:, :, at.conducted] += np.einsum("nol,nl->no", by_load[:, :, :own], relative[:, :own] * known.is_filament)


def _add_board_rates(problem: Problem, prediction: Prediction, reach: FloatArray, rates: FloatArray) -> None:
    network, solution = prediction.network, prediction.solution
    known, board = problem.unknowns, problem.unknowns.layout.board.start
    ground_a = solution.node_v[:, network.ground_nodes] * (prediction.feeds.pin_return / network.return_ohm)[:, None]
    rates[:, :, board] += RETURN_SIGMA * np.einsum("nog,ng->no", reach[:, :, network.ground_nodes], ground_a)
    rates[:, :, board + 1] += RETURN_SIGMA * reach[:, :, network.chassis] * solution.chassis_return_a[:, None]
    from_source = np.einsum("nop,np->no", reach[:, :, network.pin_nodes], solution.pin_a)
    for offset in (0, 1):
        rates[:, :, board + 2 + offset] -= known.probe_sigma * problem.hows[:, [offset]] * from_source
    for number, node, amps in prediction.draft.held_rates:
        rates[:, :, number] += amps * reach[:, :, node]


# --- the fit ---


@dataclass(frozen=True)
class Fit:
    """A hypothesis at its best.

    Attributes:
        x: nuisances, then sizes of the faults in order.
        loss: F at the mode.
        log_evidence: up to a constant common to all fits of the problem.
        scale: of the workshop's tolerances.
        residual: (entries,), in sigmas of the single reading.
        curvature: (unknowns, unknowns), A.
    """

    faults: tuple[Fault, ...]
    x: FloatArray
    loss: float
    log_evidence: float
    scale: float
    residual: FloatArray
    curvature: FloatArray
    prediction: Prediction

    def sizes(self, problem: Problem) -> list[tuple[float, ...]]:
        """Normal size numbers of each fault."""
        out, first = [], problem.nuisances
        for fault in self.faults:
            out.append(tuple(self.x[first : first + fault.sizes].tolist()))
            first += fault.sizes
        return out


def fit(
    problem: Problem,
    faults: Sequence[Fault],
    start: FloatArray,
    start_v: FloatArray | None = None,
    hopeless: float = np.inf,
) -> Fit:
    """Find the mode from ``start`` (nuisances, then sizes) and its evidence.

    A loss still above ``hopeless`` after ``PATIENCE`` steps ends the fit where it is.
    """
    scale = 1.0
    x, damping = start.copy(), DAMPING_START
    prediction = problem.predict(x, faults, start_v)
    for turn in range(ITERATIONS):
        here = _Here.at(problem, x, prediction, scale)
        x, prediction, damping, better = _step(problem, faults, x, prediction, here, damping)
        scale = _scale(problem, x, here.curvature, scale)
        if better < SETTLED or (turn >= PATIENCE and here.loss - better > hopeless):
            break
    here = _Here.at(problem, x, prediction, scale)
    built = problem.unknowns.layout.built.sum()
    hyper = built * np.log(scale) + 0.5 * SCALE_WEIGHT * (np.log(scale**2) + 1 / scale**2 - 1)
    loss = here.loss + float(np.log(here.widen).sum())
    evidence = -loss - hyper - 0.5 * float(np.linalg.slogdet(here.curvature)[1])
    return Fit(tuple(faults), x, loss, evidence, scale, here.residual, here.curvature, prediction)


@dataclass(frozen=True)
class _Here:
    """A point on the way: its loss, how to go down from it, and how curved it is."""

    residual: FloatArray
    widen: FloatArray
    prior: FloatArray
    curvature: FloatArray
    pull: FloatArray
    loss: float

    @classmethod
    def at(cls, problem: Problem, x: FloatArray, prediction: Prediction, scale: float) -> "_Here":
        rates, widen = problem.slopes(x, prediction)
        residual = problem.residual(prediction, widen)
        weight = (NU + 1) / (NU + residual**2)
        prior = _precision(problem, len(x), scale)
        curvature = (rates.T * weight) @ rates + np.diag(prior)
        pull = rates.T @ (weight * residual) - prior * x
        return cls(residual, widen, prior, curvature, pull, _loss(residual, x, prior))


def _step(
    problem: Problem, faults: Sequence[Fault], x: FloatArray, prediction: Prediction, here: _Here, damping: float
) -> tuple[FloatArray, Prediction, float, float]:
    """One Levenberg-Marquardt step; damping grows until the loss falls. Last value: how much it fell."""
    while damping <= DAMPING_MOST:
        trial = x + np.linalg.solve(here.curvature + damping * np.diag(np.diag(here.curvature)), here.pull)
        ahead = problem.predict(trial, faults, prediction.solution.node_v)
        loss = _loss(problem.residual(ahead, here.widen), trial, here.prior)
        if loss <= here.loss + 1e-9:
            return trial, ahead, max(damping / 10, 1e-9), here.loss - loss
        damping *= 10
    return x, prediction, damping, 0.0


def _precision(problem: Problem, count: int, scale: float) -> FloatArray:
    precision = np.ones(count)
    precision[: problem.nuisances] = np.where(problem.unknowns.layout.built > 0, 1 / scale**2, 1.0)
    return precision


def _loss(residual: FloatArray, x: FloatArray, prior: FloatArray) -> float:
    return float(0.5 * (NU + 1) * np.log1p(residual**2 / NU).sum() + 0.5 * (prior * x**2).sum())


def _scale(problem: Problem, x: FloatArray, curvature: FloatArray, scale: float) -> float:
    """MacKay's update: what the built unknowns show, over how many of them the readings fix."""
    built = np.flatnonzero(problem.unknowns.layout.built)
    spread = np.linalg.inv(curvature)[built, built]
    fixed = float(np.sum(1 - spread / scale**2))
    wanted = (float(np.sum(x[built] ** 2)) + SCALE_WEIGHT) / (max(fixed, 0.0) + SCALE_WEIGHT)
    return float(np.clip(np.sqrt(wanted), 1.0, LARGEST_SCALE))
