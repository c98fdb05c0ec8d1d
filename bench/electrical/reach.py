"""How far along the wire a short can be.

Seen from one end only the sum of wire and contact resistance is known: a short with 20 mΩ in
its contact looks 2.4 m of 14 AWG farther away than it is. So the distance has a firm upper end
(no contact resistance at all) and a likely middle, from how shorts usually are.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.electrical.candidates import Candidate, Topology
from bench.electrical.compared import BoolArray
from bench.electrical.faults import POSITION_SPREAD, SHORT_CENTRE_OHM, SHORT_SPREAD, Leak
from bench.electrical.laws import FloatArray
from bench.electrical.naming import along_span
from bench.electrical.problem import Problem
from bench.electrical.search import Explained
from bench.profiles.model import CHASSIS
from bench.results import Where

PIECES = 40
SURE_SIGMAS = 2.5
WORTH_A_SPAN = 0.005  # of the likeliest span's weight
WIRE_SIGMA = 0.042  # length and temperature
READING_OHM = 0.003


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
    order = np.argsort(metres)
    share = np.cumsum(np.array([spot.weight for spot in spots])[order])
    share /= share[-1]
    low, high = (
        float(metres[order][min(int(np.searchsorted(share, edge)), len(order) - 1)]) for edge in (0.025, 0.975)
    )
    most = max((spot.metres for spot in spots if spot.possible), default=high)
    best = max(spots, key=lambda spot: spot.weight)
    place = Where(best.where.place, best.where.name, round(0.5 * (low + high), 2), round(0.5 * (high - low), 2))
    return Reach(place, most, two_ended=is_two_ended(problem))


def is_two_ended(problem: Problem) -> bool:
    """Whether the sense lead has been on a wire."""
    return any(reading.sense_at != CHASSIS for reading in problem.measurements.readings)


@dataclass(frozen=True, slots=True)
class _Spot:
    where: Where
    metres: float
    weight: float
    possible: bool


def _spots(problem: Problem, topology: Topology, one: Explained, stands: Candidate, weight: float) -> list[_Spot]:
    """Points of the span that a fitted short lies on, with their weights."""
    if not isinstance(stands.fault, Leak):
        return []
    number, shares = stands.fault.span, (np.arange(PIECES) + 0.5) / PIECES
    if is_two_ended(problem):
        density = _two_ended(problem, one, stands)
        possible = density > 0.01 * density.max()
    else:
        density, possible = _one_ended(problem, topology, one, stands)
    metres = topology.harness.spans[number].length_m
    spots = []
    for share, value, may in zip(shares.tolist(), density.tolist(), possible.tolist(), strict=True):
        where = along_span(topology, number, share)
        if where is not None and where.from_connector_m is not None:
            spots.append(_Spot(where, where.from_connector_m, weight * value * metres, may))
    return spots


def _sizes(problem: Problem, one: Explained, fault: Leak) -> tuple[float, ...]:
    return dict(zip([c.fault for c in one.faults], one.fit.sizes(problem), strict=True))[fault]


def _two_ended(problem: Problem, one: Explained, stands: Candidate) -> FloatArray:
    """Density along the span from the fit itself: the reading at the far end fixes the position."""
    fault = stands.fault
    assert isinstance(fault, Leak)  # noqa: S101 - the caller has looked
    first = problem.nuisances
    for other in one.faults:
        if other.fault == fault:
            break
        first += other.fault.sizes
    sigma = float(np.sqrt(np.linalg.inv(one.fit.curvature)[first, first]))
    shares = (np.arange(PIECES) + 0.5) / PIECES
    q = np.log(shares / (1 - shares)) / POSITION_SPREAD
    density = np.exp(-0.5 * ((q - one.fit.x[first]) / sigma) ** 2) / (shares * (1 - shares))
    return np.asarray(density / density.sum())


def _one_ended(problem: Problem, topology: Topology, one: Explained, stands: Candidate) -> tuple[FloatArray, BoolArray]:
    """Density along the span from what shorts' contacts usually have, for only the sum is measured.

    And which points are possible at all: those before which there is not more wire than the sum allows.
    """
    fault, harness = stands.fault, topology.harness
    assert isinstance(fault, Leak)  # noqa: S101 - the caller has looked
    q = _sizes(problem, one, fault)
    span = harness.spans[fault.span]
    own = float(one.fit.prediction.network.ohm[fault.span]) / max(fault.share(q), 1e-9)
    upstream = harness.distance_m.get(span.a, 0.0) <= harness.distance_m.get(span.b, 0.0)
    shares = (np.arange(PIECES) + 0.5) / PIECES
    along = shares if upstream else 1 - shares
    total = fault.ohm(q) + own * (fault.share(q) if upstream else 1 - fault.share(q))
    contact = total - own * along
    sigma = float(np.hypot(READING_OHM, WIRE_SIGMA * (total + _ohm_before(topology, fault.span))))
    return _contact_density(contact, sigma), contact > -SURE_SIGMAS * sigma


def _ohm_before(topology: Topology, number: int) -> float:
    """Wire resistance between the connector and a span, for its share of the uncertainty."""
    harness, span = topology.harness, topology.harness.spans[number]
    per_metre = span.wire_ohm / max(span.length_m, 1e-9)
    return per_metre * min(harness.distance_m.get(span.a, 0.0), harness.distance_m.get(span.b, 0.0))


def _contact_density(contact_ohm: FloatArray, sigma: float) -> FloatArray:
    """Prior of a contact resistance, smeared by how well the sum is known; log-normal."""
    offsets = np.linspace(-3, 3, 25)
    blur = np.exp(-0.5 * offsets**2)
    ohm = contact_ohm[:, None] + sigma * offsets
    safe = np.maximum(ohm, 1e-5)
    density = np.exp(-0.5 * (np.log(safe / SHORT_CENTRE_OHM) / SHORT_SPREAD) ** 2) / safe
    return np.asarray((np.where(ohm > 1e-5, density, 0.0) * blur).sum(axis=1) / blur.sum())
