"""What earlier sound readings of the same harness teach: a drawing narrowed to what is really there.

A profile's tolerances say how far any such trailer may be from its drawing. One that was read
before, and passed, is known much better: the fit of those readings gives every span and lamp a
mean and all of them a covariance, widened by what may change between two visits.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.calibration import corrected
from bench.electrical.fitting import fit
from bench.electrical.harness import Harness, build
from bench.electrical.laws import FloatArray
from bench.electrical.problem import Prior, pose
from bench.electrical.unknowns import Layout
from bench.profiles.model import Measurements

# Standard deviations, of the profile's own (assumptions):
OF_THE_UNIT = 0.3  # between two visits of one unit: lamps age, contacts corrode
OF_THE_TYPE = 0.8  # between two units of one type: the drawing's own errors are shared, lamps and contacts are not


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


def learn(history: Sequence[Measurements], drift: float = OF_THE_UNIT) -> Baseline:
    """Learn from readings of one harness that passed, oldest first.

    Args:
        history: what was read.
        drift: what may have changed since, in standard deviations of the profile's tolerances.

    Raises:
        ValueError: there are none.
    """
    if not history:
        raise ValueError("a baseline needs at least one earlier set of readings")
    harness = build(history[-1].profile)
    known: Baseline | None = None
    for measurements in history:
        known = _after(corrected(measurements), harness, known, drift)
    assert known is not None  # noqa: S101 - the history is not empty
    return known


def _after(measurements: Measurements, harness: Harness, before: Baseline | None, drift: float) -> Baseline:
    problem = pose(measurements, harness, before.prior if before else None)
    found = fit(problem, [], problem.prior.mean)
    built = np.flatnonzero(problem.unknowns.layout.built)
    covariance = np.linalg.inv(found.curvature)[np.ix_(built, built)] + drift**2 * np.eye(len(built))
    return Baseline(parts_of(harness), found.x[built], covariance)
