"""Everything about a sound harness and its board that a profile does not say exactly.

Each unknown is a standard normal number ``z``: zero is the drawing, one is one standard
deviation of the profile's tolerance or of the board's own error figures. Span resistances,
lamp currents and cold resistances are multiplied by ``exp(sigma z)``, so they never change sign.

Priors beyond the profile's tolerances (assumptions, deliberately wide): filament cold ratio 6 %
common to all lamps and 4 % of each, self-heating during the pulse 50 %, conducted heat a factor
two, board return and clamp
a factor 1.6, four fifths of the current gain error common to all channels.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from bench.electrical.compared import Compared, lifted_circuits
from bench.electrical.harness import Harness, IntArray, Span
from bench.electrical.laws import (
    COLD_READING_S,
    CONDUCTED_SHARE,
    FILAMENT,
    UNIT,
    FloatArray,
    filament_heat_j_per_k,
)
from bench.electrical.network import Network, solve, sound_network
from bench.profiles.model import COPPER_PER_K, ControlUnit, Filament, Joint, Measurements, Tolerances

COLD_RATIO_SIGMA = 0.06
COLD_LAMP_SIGMA = 0.04
WARMING_SIGMA = 0.5
CONDUCTED_SIGMA = 0.7
RETURN_SIGMA = 0.5
SHARED_GAIN = 0.9
OWN_GAIN = (1 - SHARED_GAIN**2) ** 0.5
LEAST_LOAD_SIGMA = 0.01
TUNGSTEN_PER_K = 1.2 / 293.15


@dataclass(frozen=True)
class Layout:
    """Where each group of unknowns sits in ``z``."""

    spans: slice
    wire: int
    loads: slice
    cold_all: int
    cold: slice
    warming: int
    conducted: int
    board: slice  # pin return, chassis clamp, probe resistor, pulse resistor
    gain: int
    gains: slice  # own part of each current column
    offsets: slice  # of each column
    size: int

    @cached_property
    def built(self) -> FloatArray:
        """1 for unknowns that the workshop's tolerances govern, 0 for the board's own."""
        mask = np.zeros(self.size)
        for part in (self.spans, self.loads, self.cold):
            mask[part] = 1.0
        return mask


def layout(spans: int, loads: int, pins: int) -> Layout:
    """Count out the unknowns of a harness."""
    ends = np.cumsum([spans, 1, loads, 1, loads, 1, 1, 4, 1, pins + 2, 2 * pins + 3]).tolist()
    starts = [0, *ends[:-1]]
    part = [slice(start, end) for start, end in zip(starts, ends, strict=True)]
    return Layout(
        part[0],
        starts[1],
        part[2],
        starts[3],
        part[4],
        starts[5],
        starts[6],
        part[7],
        starts[8],
        part[9],
        part[10],
        ends[-1],
    )


@dataclass(frozen=True)
class Unknowns:
    """Standard deviations of the unknowns of one harness and board.

    Attributes:
        span_sigma: (spans,), relative.
        wire_share: (spans,), copper's share of each span, for the common temperature.
        wire_sigma: relative, of the common wire temperature.
        load_mean: (loads,), expected current factor (a control unit may light its lamp).
        load_sigma: (loads,), relative.
        load_doubt: (loads,), relative, of each reading for itself: a warning lamp lit or not.
        is_filament: (loads,), 1 for filaments.
        lit: (loads,), loads that something else keeps lit.
        unit_farad: (loads,), input capacitors of control units.
        warmth: (n, loads), relative rise of cold resistance by the pulse itself.
    """

    layout: Layout
    sound: Network
    span_sigma: FloatArray
    wire_share: FloatArray
    wire_sigma: float
    load_mean: FloatArray
    load_sigma: FloatArray
    load_doubt: FloatArray
    is_filament: FloatArray
    lit: NDArray[np.bool_]
    unit_farad: FloatArray
    warmth: FloatArray
    probe_sigma: float
    gain_sigma: float
    offset_mean: FloatArray
    offset_sigma: FloatArray

    def network(self, z: FloatArray) -> Network:
        """The harness that ``z`` describes, without faults."""
        at, sound = self.layout, self.sound
        wire = self.wire_sigma * z[at.wire] * self.wire_share
        cold = COLD_RATIO_SIGMA * z[at.cold_all] + COLD_LAMP_SIGMA * z[at.cold]
        warm = 1 + self.warmth * max(1 + WARMING_SIGMA * float(z[at.warming]), 0.0)
        board = z[at.board]
        return Network(
            sound.size, sound.a, sound.b, sound.ohm * np.exp(self.span_sigma * z[at.spans] + wire),
            sound.load_a, sound.load_b, sound.laws,
            self.load_mean * np.exp(self.load_sigma * z[at.loads]),
            sound.cold_scale * np.exp(cold) * warm,
            sound.pin_nodes, sound.ground_nodes, sound.chassis,
            sound.return_ohm * float(np.exp(RETURN_SIGMA * board[0])),
            sound.clamp_ohm * float(np.exp(RETURN_SIGMA * board[1])),
            lit=sound.lit,
            conducted=self.conducted_share(z),
        )  # fmt: skip

    def conducted_share(self, z: FloatArray) -> float:
        """Share of the rated power that filaments conduct away."""
        return float(CONDUCTED_SHARE * np.exp(CONDUCTED_SIGMA * np.clip(z[self.layout.conducted], -3.0, 2.0)))

    def own_share(self, network: Network, branch: IntArray, span: IntArray) -> FloatArray:
        """How much of each branch's resistance is its span's own, when a fault has added to it."""
        return np.minimum(self.sound.ohm[span] / np.maximum(network.ohm[branch], 1e-12), 1.0)

    def source_scale(self, z: FloatArray, hows: FloatArray) -> FloatArray:
        """Conductance factor of the source of each reading; ``hows`` (n, 2) marks probed and pulsed ones."""
        return np.asarray(np.exp(-self.probe_sigma * (hows @ z[self.layout.board][2:])))

    def gains(self, z: FloatArray) -> FloatArray:
        """Gain of each current column."""
        shared, own = z[self.layout.gain], z[self.layout.gains]
        return np.asarray(1 + self.gain_sigma * (SHARED_GAIN * shared + OWN_GAIN * own))

    def offsets(self, z: FloatArray) -> FloatArray:
        """Offset of each column."""
        return self.offset_mean + self.offset_sigma * z[self.layout.offsets]


def unknowns(measurements: Measurements, compared: Compared) -> Unknowns:
    """Priors from the profile's tolerances and the board's figures."""
    harness, tolerances, board = compared.harness, measurements.profile.tolerances, measurements.board
    lifted = lifted_circuits(compared)
    lit = np.array([load.circuit in lifted for load in harness.loads], dtype=bool)
    sound = replace(sound_network(harness, measurements.ambient_c), lit=lit)
    mean, sigma, doubt = _load_priors(harness)
    filament = (harness.laws.kind == FILAMENT).astype(float)
    return Unknowns(
        layout(len(harness.spans), len(harness.loads), len(harness.pins)),
        sound,
        np.array([_span_sigma(span, tolerances) for span in harness.spans]),
        harness.wire_ohm / np.maximum(harness.span_ohm, 1e-9),
        COPPER_PER_K * tolerances.wire_temperature_k / 2,
        mean,
        sigma,
        doubt,
        filament,
        lit,
        np.array([load.type.capacitance_f if isinstance(load.type, ControlUnit) else 0.0 for load in harness.loads]),
        _warmth(harness, compared, sound),
        board.probe_ohm_error,
        board.current_gain_error,
        compared.offset_mean,
        compared.offset_sigma,
    )


def _span_sigma(span: Span, tolerances: Tolerances) -> float:
    parts = [
        element.resistance_ohm
        * 0.5
        * (tolerances.joint_resistance if isinstance(element, Joint) else tolerances.length)
        for element in span.elements
    ]
    total = span.resistance_ohm
    return float(np.sqrt(np.sum(np.square(parts))) / total) if total else 0.2


def _load_priors(harness: Harness) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and standard deviation of each load's current factor, and its doubt in each reading."""
    mean, sigma, doubt = np.ones(len(harness.loads)), np.zeros(len(harness.loads)), np.zeros(len(harness.loads))
    for position, load in enumerate(harness.loads):
        sigma[position] = max(0.5 * load.tolerance, LEAST_LOAD_SIGMA)
        if isinstance(load.type, ControlUnit):
            lamp = 0.5 * load.type.lamp_a * harness.profile.nominal_v / load.type.power_w
            mean[position] = 1 + lamp
            doubt[position] = lamp
    return mean, sigma, doubt


def _warmth(harness: Harness, compared: Compared, sound: Network) -> FloatArray:
    """Mean rise of each filament's resistance during a pulse: its power over its heat capacity."""
    feeds = compared.feeds
    if not len(feeds.siemens):
        return np.zeros((0, len(harness.loads)))
    solution = solve(sound, feeds)
    across = solution.node_v @ sound.load_incidence.T
    heat = np.array(
        [filament_heat_j_per_k(load.type) if isinstance(load.type, Filament) else 1.0 for load in harness.loads]
    )
    kelvin = across * solution.load_a * COLD_READING_S / heat
    return np.asarray(np.where(feeds.cold[:, None] & (harness.laws.kind == FILAMENT), kelvin * TUNGSTEN_PER_K, 0.0))


def is_unit(harness: Harness, load: int) -> bool:
    """Whether a load is a control unit."""
    return bool(harness.laws.kind[load] == UNIT)
