"""How far along the wire a short can be, and where two wires touch.

Seen from one end only the sum of wire and contact resistance is known: a short with 20 mΩ in
its contact looks 2.4 m of 14 AWG farther away than it is. So the distance has a firm upper end
(where it would be with no contact resistance at all, as surely as the sum is known) and a likely
middle, from how shorts usually are.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.electrical.candidates import Candidate, Topology
from bench.electrical.faults import POSITION_SPREAD, SHORT_CENTRE_OHM, SHORT_SPREAD, Fault, Leak, Touch
from bench.electrical.laws import FloatArray
from bench.electrical.naming import along_span
from bench.electrical.problem import Problem
from bench.electrical.search import Explained
from bench.profiles.model import CHASSIS
from bench.results import Where

LEAST_RANGE_M = 0.5  # no covariance knows how a cable is laid
PIECES = 40
SHARES = (np.arange(PIECES) + 0.5) / PIECES
MOST_SHARE = 0.99
WORTH_A_SPAN = 0.005  # of the likeliest span's weight
LEAST_SIGMA_OHM = 0.001  # what no covariance knows: contacts move


@dataclass(frozen=True, slots=True)
class Reach:
    """Where a short may be; ``most_m`` is exceeded in about 1 % of cases."""

    where: Where | None
    most_m: float
    two_ended: bool


def short_reach(problem: Problem, topology: Topology, rivals: Sequence[tuple[Explained, Candidate, float]]) -> Reach:
    """Weigh every point of the wires that the fitted shorts lie on.

    ``rivals`` are fitted sets with the fault that stands in question and their weights.
    """
    heaviest = max((weight for _, _, weight in rivals), default=0.0)
    spots = [
        spot
        for one, stands, weight in rivals
        if weight >= WORTH_A_SPAN * heaviest
        for spot in _spots(problem, topology, one, stands, weight)
    ]
    if not spots:
        return Reach(None, 0.0, two_ended=False)
    metres = np.array([spot.metres for spot in spots])
    low, high = _quantiles(metres, np.array([spot.weight for spot in spots]), (0.025, 0.975))
    (most,) = _quantiles(metres, np.array([spot.bare for spot in spots]), (MOST_SHARE,))
    best = max(spots, key=lambda spot: spot.weight)
    place = Where(best.where.place, best.where.name, round(0.5 * (low + high), 2), round(0.5 * (high - low), 2))
    return Reach(place, most, two_ended=is_two_ended(problem))


def touch_place(problem: Problem, topology: Topology, one: Explained, touch: Touch) -> Where | None:
    """Where two wires touch, with the 95 % range that the fit leaves open along the first of them."""
    first = _first_size(problem, one, touch)
    sigma = float(np.sqrt(np.linalg.inv(one.fit.curvature)[first, first]))
    at, *ends = (
        along_span(topology, touch.one, touch.share((one.fit.x[first] + sigmas * sigma,)))
        for sigmas in (0.0, -1.96, 1.96)
    )
    metres = [end.from_connector_m for end in ends if end is not None and end.from_connector_m is not None]
    if at is None or len(metres) < 2:
        return at
    return replace(at, plus_minus_m=round(max(0.5 * abs(metres[1] - metres[0]), LEAST_RANGE_M), 2))


def _quantiles(metres: FloatArray, weights: FloatArray, shares: Sequence[float]) -> list[float]:
    order = np.argsort(metres)
    reached = np.cumsum(weights[order])
    places = np.searchsorted(reached, np.array(shares) * reached[-1])
    return [float(metres[order][min(int(place), len(order) - 1)]) for place in places]


def is_two_ended(problem: Problem) -> bool:
    """Whether the sense lead has been on a wire."""
    return any(reading.sense_at != CHASSIS for reading in problem.measurements.readings)


@dataclass(frozen=True, slots=True)
class _Spot:
    where: Where
    metres: float
    weight: float
    bare: float  # weight if the contact had no resistance


def _spots(problem: Problem, topology: Topology, one: Explained, stands: Candidate, weight: float) -> list[_Spot]:
    """Points of the span that a fitted short lies on, with their weights."""
    if not isinstance(stands.fault, Leak):
        return []
    number = stands.fault.span
    if is_two_ended(problem):
        density = bare = _two_ended(problem, one, stands.fault)
    else:
        density, bare = _one_ended(problem, topology, one, stands.fault)
    metres = topology.harness.spans[number].length_m
    spots = []
    for share, value, without in zip(SHARES.tolist(), density.tolist(), bare.tolist(), strict=True):
        where = along_span(topology, number, share)
        if where is not None and where.from_connector_m is not None:
            spots.append(_Spot(where, where.from_connector_m, weight * value * metres, weight * without * metres))
    return spots


def _first_size(problem: Problem, one: Explained, fault: Fault) -> int:
    """Where the sizes of a fault begin among the unknowns of a fit."""
    before = [other.fault for other in one.faults[: [each.fault for each in one.faults].index(fault)]]
    return problem.nuisances + sum(each.sizes for each in before)


def _two_ended(problem: Problem, one: Explained, fault: Leak) -> FloatArray:
    """Density along the span from the fit itself: the reading at the far end fixes the position."""
    first = _first_size(problem, one, fault)
    sigma = float(np.sqrt(np.linalg.inv(one.fit.curvature)[first, first]))
    q = np.log(SHARES / (1 - SHARES)) / POSITION_SPREAD
    density = np.exp(-0.5 * ((q - one.fit.x[first]) / sigma) ** 2) / (SHARES * (1 - SHARES))
    return np.asarray(density / density.sum())


def _one_ended(problem: Problem, topology: Topology, one: Explained, fault: Leak) -> tuple[FloatArray, FloatArray]:
    """Density along the span from what shorts' contacts usually have, for only the sum is measured.

    And the density if this contact had no resistance.
    """
    contact, sigma = _contact_ohm(problem, topology, one, fault)
    return _contact_density(contact, sigma), np.exp(-0.5 * (contact / sigma) ** 2) / sigma


def _contact_ohm(problem: Problem, topology: Topology, one: Explained, fault: Leak) -> tuple[FloatArray, FloatArray]:
    """What the contact of a fitted short would have at each of ``SHARES``, and how well that is known.

    The fit knows ``ohm + own (share - s)``; its covariance gives the standard deviation for every ``s``.
    """
    harness, known, first = topology.harness, problem.unknowns, _first_size(problem, one, fault)
    q = one.fit.x[first : first + 2].tolist()
    span, share, ohm = harness.spans[fault.span], fault.share(q), fault.ohm(q)
    own = float(one.fit.prediction.network.ohm[fault.span]) / max(share, 1e-9)
    upstream = harness.distance_m.get(span.a, 0.0) <= harness.distance_m.get(span.b, 0.0)
    away = own * (share - SHARES) * (1 if upstream else -1)
    at = [first, first + 1, known.layout.spans.start + fault.span, known.layout.wire]
    by = np.empty((PIECES, 4))
    by[:, 0] = own * POSITION_SPREAD * share * (1 - share) * (1 if upstream else -1)
    by[:, 1] = ohm * SHORT_SPREAD
    by[:, 2] = away * known.span_sigma[fault.span]
    by[:, 3] = away * known.wire_sigma * known.wire_share[fault.span]
    covariance = np.linalg.inv(one.fit.curvature)[np.ix_(at, at)]
    return ohm + away, np.hypot(LEAST_SIGMA_OHM, np.sqrt(np.einsum("si,ij,sj->s", by, covariance, by)))


def _contact_density(contact_ohm: FloatArray, sigma: FloatArray) -> FloatArray:
    """Prior of a contact resistance, smeared by how well the sum is known; log-normal."""
    offsets = np.linspace(-3, 3, 25)
    blur = np.exp(-0.5 * offsets**2)
    ohm = contact_ohm[:, None] + sigma[:, None] * offsets
    safe = np.maximum(ohm, 1e-5)
    density = np.exp(-0.5 * (np.log(safe / SHORT_CENTRE_OHM) / SHORT_SPREAD) ** 2) / safe
    return np.asarray((np.where(ohm > 1e-5, density, 0.0) * blur).sum(axis=1) / blur.sum())
