"""Rank hundreds of candidate faults at once, to first order.

Theory. At a solved network the matrix of slopes ``Y`` is known for every reading. A fault that
adds a conductance ``g`` across nodes ``u`` changes all voltages by the Woodbury identity,

    dv = -Z u (g (u.v - push)) / (1 + g u'Zu),   Z = 1/Y,

exact for a linear network; a load that changes its current is the same with its own slope. The
nuisances take up what they can of the rest by one linear step, and what remains is weighed by
the same robust loss as in a full fit. Only the best go on to that.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.electrical.candidates import Candidate
from bench.electrical.faults import Stamp
from bench.electrical.fitting import NU, Fit, from_mean
from bench.electrical.laws import FloatArray
from bench.electrical.problem import Prediction, Problem
from bench.electrical.slopes import slopes, to_columns


@dataclass(frozen=True, slots=True)
class Screened:
    """A candidate with its best trial sizes, and the log posterior odds it promises against no change."""

    candidate: Candidate
    q: tuple[float, ...]
    score: float

    @property
    def gain(self) -> float:
        """The part of it that the readings give."""
        return self.score - self.candidate.log_prior


def screen(problem: Problem, base: Fit, tried: Sequence[Candidate]) -> list[Screened]:
    """Score every candidate on top of ``base``, best first."""
    trials = [
        (number, q, stamp) for number, one in enumerate(tried) for q, stamp in one.fault.stamps(base.prediction.network)
    ]
    if not trials:
        return []
    changes = _changes(problem, base.prediction, [stamp for _, _, stamp in trials])
    scores = _scores(problem, base, np.column_stack([np.zeros(len(changes)), changes]))
    scores = scores[1:] - scores[0]
    best: dict[int, Screened] = {}
    for (number, q, _), score in zip(trials, scores.tolist(), strict=True):
        size_prior = -0.5 * sum(value**2 for value in q) - 1.5 * len(q)
        total = score + size_prior + tried[number].log_prior
        if number not in best or total > best[number].score:
            best[number] = Screened(tried[number], q, total)
    return sorted(best.values(), key=lambda one: -one.score)


def _changes(problem: Problem, prediction: Prediction, stamps: Sequence[Stamp]) -> FloatArray:
    """(entries, stamps): change of the model over sigma."""
    network, solution = prediction.network, prediction.solution
    nodes, weights = _ends(stamps)
    impedance = np.linalg.inv(solution.matrix)
    self_reach = np.einsum("hi,nhij,hj->nh", weights, impedance[:, nodes[:, :, None], nodes[:, None, :]], weights)
    drive, slope = _drive(prediction, stamps, np.einsum("nhi,hi->nh", solution.node_v[:, nodes], weights))
    flow = drive / _away_from_zero(1 + slope * self_reach)
    across = np.zeros((network.size, len(stamps)))
    np.add.at(across, (nodes, np.arange(len(stamps))[:, None]), weights)
    nodes_v = -(impedance[:, problem.outputs] @ across) * flow[:, None]
    at = problem.compared.entries
    return np.asarray(to_columns(problem, prediction, nodes_v)[at] / problem.compared.sigma[at][:, None])


def _ends(stamps: Sequence[Stamp]) -> tuple[NDArray[np.int64], FloatArray]:
    """(stamps, 4) nodes and their weights, padded with weight 0."""
    nodes, weights = np.zeros((len(stamps), 4), dtype=np.int64), np.zeros((len(stamps), 4))
    for row, stamp in enumerate(stamps):
        for column, (node, weight) in enumerate(stamp.nodes):
            nodes[row, column], weights[row, column] = node, weight
    return nodes, weights


def _away_from_zero(value: FloatArray) -> FloatArray:
    return np.where(np.abs(value) < 1e-9, 1e-9, value)


def _drive(prediction: Prediction, stamps: Sequence[Stamp], across_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n, stamps): current that the change would carry at the present voltages, and its slope."""
    solution = prediction.solution
    conductance = np.array([stamp.conductance for stamp in stamps])
    push = np.array([stamp.push_v for stamp in stamps])
    one_way = np.array([stamp.one_way for stamp in stamps])
    slope = np.where(one_way & (across_v < push), 0.0, conductance)
    drive = slope * (across_v - push)
    load_slopes = _load_slopes(prediction)
    for column, stamp in enumerate(stamps):
        if stamp.load >= 0:
            drive[:, column] = stamp.load_change * solution.load_a[:, stamp.load]
            slope[:, column] = stamp.load_change * load_slopes[:, stamp.load]
    return drive, slope


def _load_slopes(prediction: Prediction) -> FloatArray:
    network, volts = prediction.network, prediction.solution.node_v
    across = volts @ network.load_incidence.T
    return network.load_law(across, prediction.feeds.cold)[1]


def _scores(problem: Problem, base: Fit, changes: FloatArray) -> FloatArray:
    """(stamps,), minus the robust loss after the nuisances have taken their share.

    The nuisances are moved twice: once by all readings alike, which is right for what the
    candidate leaves over, and once without those that are far off already, which is right when
    another fault makes them so. The better of the two counts.
    """
    rates, widen = slopes(problem, base.x, base.prediction)
    prior = np.eye(rates.shape[1])
    prior[: problem.nuisances, : problem.nuisances] = problem.prior.precision
    off = rates @ from_mean(problem, base.x)
    residual = problem.residual(base.prediction, widen) + off
    missed = residual[:, None] - changes / widen[:, None]
    robust = (NU + 1) / (NU + residual**2)
    return np.maximum(*(_score(rates, prior, missed, weight) for weight in (np.ones(len(residual)), robust)))


def _score(rates: FloatArray, prior: FloatArray, missed: FloatArray, weight: FloatArray) -> FloatArray:
    weighted = rates.T * weight
    taken = np.linalg.solve(weighted @ rates + prior, weighted @ missed)
    rest = missed - rates @ taken
    loss = 0.5 * (NU + 1) * np.log1p(rest**2 / NU).sum(axis=0) + 0.5 * (taken * (prior @ taken)).sum(axis=0)
    return np.asarray(-loss)
