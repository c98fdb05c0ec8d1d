"""What earlier sound readings of the same harness teach: a drawing narrowed to what is really there.

A profile's tolerances say how far any such trailer may be from its drawing. One that was read
before, and passed, is known much better: the fit of those readings gives every span and lamp a
mean and all of them a covariance, widened by what may change between two visits.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.fitting import fit
from bench.electrical.harness import Harness, build
from bench.electrical.laws import FloatArray
from bench.electrical.problem import Prior, pose
from bench.electrical.unknowns import Layout
from bench.profiles.model import Measurements

DRIFT = 0.3  # standard deviation between two visits, of the profile's own: lamps age, contacts corrode


@dataclass(frozen=True)
class Baseline:
    """Mean and covariance of the built unknowns (spans, lamp currents, cold resistances) of one harness.

    Attributes:
        parts: names of what the unknowns belong to; a baseline serves only the same parts.
        mean: (built,), in standard deviations of the profile's tolerances.
        covariance: (built, built).
    """

    parts: tuple[str, ...]
    mean: FloatArray
    covariance: FloatArray

    def prior(self, harness: Harness, layout: Layout) -> Prior | None:
        """The prior it gives; None for a harness of other parts."""
        if parts_of(harness) != self.parts:
            return None
        built = np.flatnonzero(layout.built)
        mean, precision = np.zeros(layout.size), np.eye(layout.size)
        mean[built] = self.mean
        precision[np.ix_(built, built)] = np.linalg.inv(self.covariance)
        return Prior(mean, precision)


def parts_of(harness: Harness) -> tuple[str, ...]:
    """Names of all elements, span by span, and loads."""
    spans = tuple("+".join(element.name for element in span.elements) for span in harness.spans)
    return (*spans, *(load.name for load in harness.loads))


def learn(history: Sequence[Measurements]) -> Baseline:
    """Learn from readings of one harness that passed, oldest first.

    Raises:
        ValueError: there are none.
    """
    if not history:
        raise ValueError("a baseline needs at least one earlier set of readings")
    harness = build(history[-1].profile)
    known: Baseline | None = None
    for measurements in history:
        known = _after(measurements, harness, known)
    assert known is not None  # noqa: S101 - the history is not empty
    return known


def _after(measurements: Measurements, harness: Harness, before: Baseline | None) -> Baseline:
    problem = pose(measurements, harness, before.prior if before else None)
    found = fit(problem, [], problem.prior.mean)
    built = np.flatnonzero(problem.unknowns.layout.built)
    covariance = np.linalg.inv(found.curvature)[np.ix_(built, built)] + DRIFT**2 * np.eye(len(built))
    return Baseline(parts_of(harness), found.x[built], covariance)
