"""How every model value changes with every unknown, and what no parameter can promise.

Theory. At a solution the slope matrix ``Y`` of each reading is symmetric, so one solution of
``Y r = e`` for a node that is read gives the change of its voltage for a current pushed in
anywhere: a resistance that changes by ``d ln R`` pushes its own current back across its ends, a
load that changes by ``d ln I`` takes more of its own. Currents follow from the voltages of the
nodes that the board holds.

*Doubt* is what differs from reading to reading: a lamp fed far below its rating takes seconds to
settle and keeps the warmth of what was lit before; a control unit lights its warning lamp or
not; two pins held apart by millivolts push amperes through a bridge between them; what nothing
holds floats. It widens the standard deviations instead of becoming a parameter.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from bench.electrical.faults import Draft
from bench.electrical.laws import FILAMENT, FloatArray, filament_current
from bench.electrical.problem import Prediction, Problem, currents
from bench.electrical.unknowns import (
    COLD_LAMP_SIGMA,
    COLD_RATIO_SIGMA,
    CONDUCTED_SIGMA,
    OWN_GAIN,
    RETURN_SIGMA,
    SHARED_GAIN,
    WARMING_SIGMA,
)

CONDUCTED_STEP = 1e-3
LEAST_AMPS = 1e-6
STRAY_A = 5e-7  # leaks nobody drew; they decide where a part of the harness floats that nothing holds
HOLDING_OHM = 2000.0  # a pin with more than this to ground keeps what its lamps' capacitors hold
HELD_V = 4.0
FORWARD_SIGMA_V = 0.1
FILLING_SIGMA = 0.4  # of what an input capacitor takes during a cold reading
LUKEWARM_SIGMA = 0.35
HEATING_SIGMA = 0.5  # of ln(cold current / settled current): how far a dim lamp has come when it is read
LUKEWARM_BELOW = 0.5  # of the rated voltage


def slopes(problem: Problem, x: FloatArray, prediction: Prediction) -> tuple[FloatArray, FloatArray]:
    """Change of the model with the unknowns over widened sigma (entries, unknowns); the widening (entries,)."""
    response = _Response.of(problem, prediction)
    rates = _rates(response, x)
    doubt = _doubt(response)
    at = problem.compared.entries
    sigma = problem.compared.sigma[at]
    widen = np.sqrt(1 + (doubt[at] / sigma) ** 2)
    return np.asarray(rates[at] / (sigma * widen)[:, None]), np.asarray(widen)


def to_columns(problem: Problem, prediction: Prediction, nodes: FloatArray) -> FloatArray:
    """Changes (n, outputs, k) of the nodes that are read, as changes of the columns (n, columns, k), gains aside."""
    network, feeds = prediction.network, prediction.feeds
    pins = len(network.pin_nodes)
    fed_s = np.where(feeds.fed, feeds.siemens - feeds.pull_down_s, 0.0)
    by_pin = (feeds.pin_return / network.return_ohm)[:, None] * nodes[:, problem.bar_column].sum(axis=1)
    by_chassis = (feeds.chassis_return / network.clamp_ohm)[:, None] * nodes[:, pins]
    return np.concatenate(
        [problem.read_out(nodes), -fed_s[:, :, None] * nodes[:, :pins], by_pin[:, None], by_chassis[:, None]], axis=1
    )


@dataclass(frozen=True)
class _Response:
    """Elementary changes of the output nodes (n, outputs, k).

    Attributes:
        reach: k nodes, per ampere pushed in.
        by_branch: k branches, per d ln(ohm).
        by_load: k loads, per d ln(current).
    """

    problem: Problem
    prediction: Prediction
    reach: FloatArray
    by_branch: FloatArray
    by_load: FloatArray

    @classmethod
    def of(cls, problem: Problem, prediction: Prediction) -> "_Response":
        network, solution = prediction.network, prediction.solution
        outputs = problem.outputs
        unit = np.zeros((network.size, len(outputs)))
        unit[outputs, np.arange(len(outputs))] = 1.0
        reach = np.asarray(np.linalg.solve(solution.matrix, unit[None]).transpose(0, 2, 1))
        branch_a = solution.node_v @ network.branch_incidence.T * network.siemens
        by_branch = (reach @ network.branch_incidence.T) * branch_a[:, None]
        by_load = -(reach @ network.load_incidence.T) * solution.load_a[:, None]
        return cls(problem, prediction, reach, by_branch, by_load)

    @property
    def own_load(self) -> FloatArray:
        """``by_load`` without what faults have added."""
        return self.by_load[:, :, : len(self.problem.unknowns.load_sigma)]

    @cached_property
    def by_source(self) -> FloatArray:
        """(n, columns, pins): change of the columns per volt on each held pin."""
        network, feeds, pins = self.prediction.network, self.prediction.feeds, len(self.problem.harness.pins)
        push_s = np.where(self.problem.held, feeds.siemens, 0.0)
        columns = to_columns(self.problem, self.prediction, self.reach[:, :, network.pin_nodes] * push_s[:, None])
        own = np.arange(pins)
        columns[:, pins + 1 + own, own] += push_s
        return columns


# --- doubt ---


def _doubt(response: _Response) -> FloatArray:
    """(n, columns), standard deviation of what differs from reading to reading."""
    problem, prediction = response.problem, response.prediction
    lamps = to_columns(problem, prediction, response.own_load) * _load_doubt(response)[:, None]
    variance = (lamps**2).sum(axis=2)
    outputs = problem.outputs
    impedance = response.reach[:, np.arange(len(outputs)), outputs]
    # What hangs on capacitors need not be their own lamp's pin: a ground that is open carries them elsewhere.
    held_v = np.where(problem.capacitive & (impedance > HOLDING_OHM), HELD_V, 0.0)
    stray_v = np.hypot(STRAY_A * impedance, held_v)
    variance[:, : len(problem.harness.pins) + 1] += problem.read_out(stray_v[:, :, None])[:, :, 0] ** 2
    variance += (_diode_doubt(response) ** 2).sum(axis=2)
    together = problem.held.sum(axis=1) > 1
    if np.any(together):
        noise = problem.measurements.board.voltage_noise_v
        variance += np.where(together[:, None], ((response.by_source * noise) ** 2).sum(axis=2), 0.0)
    return np.asarray(np.sqrt(variance))


def _load_doubt(response: _Response) -> FloatArray:
    """(n, loads), relative doubt of each load's current, each reading for itself."""
    known, prediction = response.problem.unknowns, response.prediction
    network = prediction.network
    own = len(known.load_sigma)
    across = np.abs(prediction.solution.node_v @ network.load_incidence.T)[:, :own]
    low = LUKEWARM_BELOW * network.laws.second[:own]
    dim = np.sqrt(np.clip((low - across) / np.maximum(low, 1e-9), 0.0, 1.0))
    still_cold = np.log(
        np.maximum(_cold_current(response, across) / np.maximum(_warm_current(response), LEAST_AMPS), 1)
    )
    lukewarm = dim * np.maximum(LUKEWARM_SIGMA, HEATING_SIGMA * still_cold)
    awake = ~prediction.feeds.cold[:, None]
    filling = FILLING_SIGMA * (known.unit_farad > 0)
    return np.asarray(np.where(awake, lukewarm * known.is_filament + known.load_doubt, filling))


def _diode_doubt(response: _Response) -> FloatArray:
    """(n, columns, diodes), what the forward voltage of a diode that a fault has added leaves open."""
    prediction, own = response.prediction, len(response.problem.unknowns.load_sigma)
    incidence = prediction.network.load_incidence
    _, slope = prediction.network.load_law(prediction.solution.node_v @ incidence.T, prediction.feeds.cold)
    push = (response.reach @ incidence[own:].T) * slope[:, None, own:]
    return FORWARD_SIGMA_V * to_columns(response.problem, prediction, push)


def _cold_current(response: _Response, across_v: FloatArray) -> FloatArray:
    """(n, loads), what filaments would take from cold."""
    laws, own = response.prediction.network.laws, across_v.shape[1]
    return np.asarray(across_v / np.where(laws.kind[:own] == FILAMENT, laws.third[:own], np.inf))


def _warm_current(response: _Response) -> FloatArray:
    """(n, loads), what the solution says that the harness's own loads take."""
    return np.abs(response.prediction.solution.load_a[:, : len(response.problem.unknowns.load_sigma)])


# --- rates ---


def _rates(response: _Response, x: FloatArray) -> FloatArray:
    """(n, columns, unknowns)."""
    problem, prediction, known = response.problem, response.prediction, response.problem.unknowns
    at, pins = known.layout, len(problem.harness.pins)
    columns = to_columns(problem, prediction, _node_rates(response, len(x)))
    amps, flowing = columns[:, pins + 1 :], currents(prediction.solution)
    for offset in (0, 1):
        amps[:, :pins, at.board.start + 2 + offset] -= known.probe_sigma * problem.hows[:, [offset]] * flowing[:, :pins]
    amps[:, -2, at.board.start] -= RETURN_SIGMA * flowing[:, -2]
    amps[:, -1, at.board.start + 1] -= RETURN_SIGMA * flowing[:, -1]
    own = np.arange(pins)
    columns[:, :, at.offsets.start + own] -= response.by_source * known.offset_sigma[:pins]
    amps *= known.gains(x[: problem.nuisances])[:, None]
    amps[:, :, at.gain] += SHARED_GAIN * known.gain_sigma * flowing
    every = np.arange(pins + 2)
    amps[:, every, at.gains.start + every] += OWN_GAIN * known.gain_sigma * flowing
    every = np.arange(columns.shape[1])
    columns[:, every, at.offsets.start + every] += known.offset_sigma
    return columns


def _node_rates(response: _Response, count: int) -> FloatArray:
    """(n, outputs, unknowns), everything but the sensors."""
    prediction, known = response.prediction, response.problem.unknowns
    cold = (prediction.feeds.cold[:, None] & ~known.lit) * known.is_filament
    by_cold = -response.own_load * cold[:, None]
    branches, loads, colds = _maps(response.problem, prediction.draft, count)
    moves = np.concatenate([response.by_branch, response.by_load, by_cold], axis=2)
    rates = (moves.reshape(-1, moves.shape[2]) @ np.vstack([branches, loads, colds])).reshape(*moves.shape[:2], -1)
    rates[:, :, known.layout.warming] += WARMING_SIGMA * np.einsum("nol,nl->no", by_cold, known.warmth)
    rates[:, :, known.layout.conducted] += np.einsum("nol,nl->no", response.own_load, _conduction(response))
    _add_board(response, rates)
    return rates


def _maps(problem: Problem, draft: Draft, count: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How unknowns move ln(ohm) of branches, ln(current) of loads, ln(cold ohm) of filaments."""
    known, at = problem.unknowns, problem.unknowns.layout
    branches, loads = np.zeros((len(draft.owner), count)), np.zeros((len(draft.network.load_a), count))
    owner = np.array(draft.owner)
    branch = np.flatnonzero(owner >= 0)
    span = owner[branch]
    own = known.own_share(draft.network, branch, span)
    branches[branch, at.spans.start + span] = known.span_sigma[span] * own
    branches[branch, at.wire] = known.wire_sigma * known.wire_share[span] * own
    for number, piece, rate in draft.branch_rates:
        branches[piece, number] += rate
    own_loads = len(known.load_sigma)
    each = np.arange(own_loads)
    loads[each, at.loads.start + each] = known.load_sigma
    for number, load, rate in draft.load_rates:
        loads[load, number] += rate
    cold = np.zeros((own_loads, count))
    cold[:, at.cold_all] = COLD_RATIO_SIGMA
    cold[each, at.cold.start + each] = COLD_LAMP_SIGMA
    return branches, loads, cold


def _conduction(response: _Response) -> FloatArray:
    """(n, loads), d ln(current) of filaments with the share of heat that they conduct away."""
    prediction, known = response.prediction, response.problem.unknowns
    network, amps = prediction.network, prediction.solution.load_a
    across = prediction.solution.node_v @ network.load_incidence.T
    more = filament_current(network.laws, across, network.conducted * (1 + CONDUCTED_STEP)) * network.factor
    warm = ~network.asleep(prediction.feeds.cold) & (np.abs(amps) > LEAST_AMPS)
    relative = np.where(warm, more / np.where(warm, amps, 1.0) - 1, 0.0)[:, : len(known.load_sigma)]
    return np.asarray(CONDUCTED_SIGMA / CONDUCTED_STEP * relative * known.is_filament)


def _add_board(response: _Response, rates: FloatArray) -> None:
    """The board's own resistances, and foreign supplies."""
    problem, prediction, reach = response.problem, response.prediction, response.reach
    network, solution, known = prediction.network, prediction.solution, problem.unknowns
    board = known.layout.board.start
    rates[:, :, board] += RETURN_SIGMA * reach[:, :, network.bar].sum(axis=2) * solution.pin_return_a[:, None]
    rates[:, :, board + 1] += RETURN_SIGMA * reach[:, :, network.chassis] * solution.chassis_return_a[:, None]
    from_source = np.einsum("nop,np->no", reach[:, :, network.pin_nodes], solution.pin_a)
    for offset in (0, 1):
        rates[:, :, board + 2 + offset] -= known.probe_sigma * problem.hows[:, [offset]] * from_source
    for number, node, amps in prediction.draft.held_rates:
        rates[:, :, number] += amps * reach[:, :, node]
