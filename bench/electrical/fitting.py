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
from dataclasses import dataclass

import numpy as np

from bench.electrical.faults import Fault
from bench.electrical.laws import FloatArray
from bench.electrical.problem import Prediction, Problem
from bench.electrical.slopes import slopes

NU = 6.0
SCALE_WEIGHT = 10.0
LARGEST_SCALE = 3.0
ITERATIONS = 12
EARLY_MERCY = (np.inf, 100.0, 30.0, 0.0)  # of loss: what later steps may still gain
SETTLED = 0.03  # of log evidence
DAMPING_START = 1e-3
DAMPING_MOST = 1e5


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

    A loss that can't come below ``hopeless`` any more ends the fit where it is.
    """
    scale = 1.0
    x, damping = start.copy(), DAMPING_START
    prediction = problem.predict(x, faults, start_v)
    for turn in range(ITERATIONS):
        here = _Here.at(problem, x, prediction, scale)
        x, prediction, damping, better = _step(problem, faults, x, prediction, here, damping)
        scale = _scale(problem, x, here.curvature, scale)
        if better < SETTLED or here.loss - better > hopeless + EARLY_MERCY[min(turn, len(EARLY_MERCY) - 1)]:
            break
    if better > SETTLED:
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
        rates, widen = slopes(problem, x, prediction)
        residual = problem.residual(prediction, widen)
        weight = (NU + 1) / (NU + residual**2)
        prior = _precision(problem, len(x), scale)
        off = from_mean(problem, x)
        curvature = (rates.T * weight) @ rates + prior
        pull = rates.T @ (weight * residual) - prior @ off
        return cls(residual, widen, prior, curvature, pull, _loss(residual, off, prior))


def _step(
    problem: Problem, faults: Sequence[Fault], x: FloatArray, prediction: Prediction, here: _Here, damping: float
) -> tuple[FloatArray, Prediction, float, float]:
    """One Levenberg-Marquardt step; damping grows until the loss falls. Last value: how much it fell."""
    while damping <= DAMPING_MOST:
        trial = x + np.linalg.solve(here.curvature + damping * np.diag(np.diag(here.curvature)), here.pull)
        ahead = problem.predict(trial, faults, prediction.solution.node_v)
        loss = _loss(problem.residual(ahead, here.widen), from_mean(problem, trial), here.prior)
        if loss <= here.loss + 1e-9:
            return trial, ahead, max(damping / 10, 1e-9), here.loss - loss
        damping *= 10
    return x, prediction, damping, 0.0


def from_mean(problem: Problem, x: FloatArray) -> FloatArray:
    """The unknowns as deviations from their prior mean."""
    off = x.copy()
    off[: problem.nuisances] -= problem.prior.mean
    return off


def _precision(problem: Problem, count: int, scale: float) -> FloatArray:
    """(unknowns, unknowns), with the harness's tolerances ``scale`` times as wide."""
    looser = np.where(problem.unknowns.layout.built > 0, 1 / scale, 1.0)
    precision = np.eye(count)
    nuisances = problem.nuisances
    precision[:nuisances, :nuisances] = problem.prior.precision * np.outer(looser, looser)
    return precision


def _loss(residual: FloatArray, off: FloatArray, prior: FloatArray) -> float:
    return float(0.5 * (NU + 1) * np.log1p(residual**2 / NU).sum() + 0.5 * off @ prior @ off)


def _scale(problem: Problem, x: FloatArray, curvature: FloatArray, scale: float) -> float:
    """MacKay's update: what the built unknowns show, over how many of them the readings fix."""
    built = np.flatnonzero(problem.unknowns.layout.built)
    precision = problem.prior.precision[np.ix_(built, built)]
    off = from_mean(problem, x)[built]
    loose = float(np.sum(precision * np.linalg.inv(curvature)[np.ix_(built, built)])) / scale**2
    wanted = (float(off @ precision @ off) + SCALE_WEIGHT) / (max(len(built) - loose, 0.0) + SCALE_WEIGHT)
    return float(np.clip(np.sqrt(wanted), 1.0, LARGEST_SCALE))
