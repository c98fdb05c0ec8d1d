"""A loose cable between the board's two sockets, as a small network of resistors.

Conductors reach from a near node to a far node; channels feed the near ones, the board's far switches join
the far ones. A cable has no memory, so that its plant jumps from one change to the next. A driven channel at its
limit is a current source.
"""

from collections.abc import Iterator
from math import inf
from operator import itemgetter
from random import Random

import numpy as np
from numpy.typing import NDArray

from bench.contract.table import FAR_GROUND_BIT, FAR_NEGATIVE_BIT, Return
from bench.profiles.cable import copper_ohm
from bench.profiles.cable_model import Cable, CableFault
from bench.profiles.model import Scenario
from firmware_sim.plant.board import (
    BOARD_WARMER_THAN_AIR_K,
    DRIVE_SWITCH_OHM,
    LEAST_SUPPLY_OHM,
    OPEN_OHM,
    PROBE_OHM,
    PULL_DOWN_OHM,
    PULSE_OHM,
    REFERENCE_OHM,
    RESISTOR_SIGMA,
    RETURN_SWITCH_OHM,
)
from firmware_sim.plant.timeline import Timeline
from firmware_sim.port import Conditions, Feed, FeedMode, Switches, Truth

CONTACT_OHM = 0.003  # of each end
LENGTH_TOLERANCE = 0.06
CONTACT_TOLERANCE = 0.40
CAP_OHM = 0.001
USUAL_OHM = {"open": OPEN_OHM, "high-resistance": 0.5, "bridged": 0.05, "leak": 20_000.0, "crossed": 0.0}
CAP = "cap"
Edge = tuple[int, int, float]  # node, node, ohm; node -1 is the board's negative side


class CablePlant:
    """Fulfils :class:`firmware_sim.port.Plant`; the last conductor is that of the ground pins."""

    def __init__(self, scenario: Scenario, cable: Cable) -> None:
        self.time_s = 0.0
        self._scenario = scenario
        profile = scenario.profile
        self._pins = {pin: channel - 1 for pin, channel in profile.channel_of_pin.items()}
        self._ground = len(self._pins)
        self._pins |= dict.fromkeys(profile.connector.ground_pins, self._ground)
        draw = Random(f"{scenario.seed} cable")
        length_m = cable.length_m * (1 + scenario.spread * draw.gauss(0, LENGTH_TOLERANCE / 2))
        pin_of = {self._pins[pin.number]: pin for pin in reversed(profile.connector.pins) if pin.number in self._pins}
        self._ohm = [
            copper_ohm(pin, length_m) + 2 * CONTACT_OHM * (1 + scenario.spread * draw.gauss(0, CONTACT_TOLERANCE / 2))
            for _, pin in sorted(pin_of.items(), key=itemgetter(0))
        ]
        self._resistor_factor = 1 + scenario.spread * draw.gauss(0, RESISTOR_SIGMA)
        self._faults = [(fault, self._timeline(fault, n)) for n, fault in enumerate(cable.faults)]
        self._capped = False
        self._switches = Switches(tuple(Feed() for _ in range(self._ground)), Return.NONE)
        self._told: Truth | None = None

    def _timeline(self, fault: CableFault, number: int) -> Timeline:
        rng = Random(f"{self._scenario.seed} cable fault {number}")
        return Timeline(fault.at_s, fault.until_s, fault.chatter_hz, rng)

    # --- the port ---

    def switch(self, switches: Switches) -> None:
        """Take new switch positions."""
        self._switches, self._told = switches, None

    def clip_sense(self, node: str) -> None:
        """Put the shorting cap on the free end, or take it off."""
        self._capped, self._told = node == CAP, None

    def advance(
        self, until_s: float, channel: int = 0, samples: int = 0
    ) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Move to ``until_s``; samples are those of the steady state between changes."""
        pace_s = (until_s - self.time_s) / max(samples, 1)
        amps: list[float] = []
        volts: list[float] = []
        for n in range(1, samples + 1):
            self._move(until_s if n == samples else self.time_s + pace_s)
            amps.append(self.truth().pin_a[channel - 1])
            volts.append(self.truth().pin_v[channel - 1])
        self._move(until_s)
        return tuple(amps), tuple(volts)

    def _move(self, time_s: float) -> None:
        changed = [timeline.advance(time_s) for _, timeline in self._faults]
        if any(changed):
            self._told = None
        self.time_s = time_s

    def quiet_until_s(self) -> float:
        """When the next fault comes or goes."""
        return min((timeline.next_s for _, timeline in self._faults), default=inf)

    def board_conditions(self) -> Conditions:
        """Nothing happens to the board."""
        ambient_c = self._scenario.ambient_c
        return Conditions(ambient_c=ambient_c, board_c=ambient_c + BOARD_WARMER_THAN_AIR_K)

    def truth(self) -> Truth:
        """Values now."""
        if self._told is None:
            self._told = self._solve()
        return self._told

    # --- the network ---

    def _edges(self) -> Iterator[Edge]:
        """Everything but the feeds; near nodes come first, then far ones, then the far joint."""
        present = [fault for fault, timeline in self._faults if timeline.active]
        size, joint = self._ground + 1, 2 * self._ground + 2
        ends = list(range(size))
        ohm = list(self._ohm)
        for fault in present:
            a, b = self._pins[fault.pin], self._pins[fault.other] if fault.other is not None else -1
            size_ohm = USUAL_OHM[fault.kind] if fault.ohm is None else fault.ohm
            if fault.kind == "crossed":
                ends[a], ends[b] = ends[b], ends[a]
            elif fault.kind in ("bridged", "leak"):
                yield (a, b, size_ohm)
            else:
                ohm[a] += size_ohm
        yield from ((n, size + ends[n], ohm[n]) for n in range(size))
        yield from ((n, -1, PULL_DOWN_OHM) for n in range(2 * size))
        yield (joint, -1, OPEN_OHM)
        if self._capped:
            yield from ((size + n, joint, CAP_OHM) for n in range(size))
        far = self._switches.far
        bits = {**{n: 1 << n for n in range(self._ground)}, self._ground: FAR_GROUND_BIT}
        yield from ((size + n, joint, RETURN_SWITCH_OHM) for n, bit in bits.items() if far & bit)
        if far & FAR_NEGATIVE_BIT:
            yield (joint, -1, RETURN_SWITCH_OHM)
        if self._switches.returns & Return.PIN:
            yield (self._ground, -1, RETURN_SWITCH_OHM)

    def _solve(self) -> Truth:
        limiting: frozenset[int] = frozenset()
        while True:
            volts, amps, supply_v = self._solved(limiting)
            over = limiting | {
                n
                for n, feed in enumerate(self._switches.feeds)
                if feed.mode is FeedMode.DRIVE and amps[n] > feed.limit_a * (1 + 1e-9)
            }
            if over == limiting:
                return self._truth(volts, amps, supply_v, limiting)
            limiting = over

    def _solved(self, limiting: frozenset[int]) -> tuple[NDArray[np.float64], list[float], float]:
        """Node voltages, currents out of the channels, and the supply's voltage."""
        size = self._ground + 1
        supply = 2 * size + 1
        matrix = np.zeros((supply + 1, supply + 1))
        source = np.zeros(supply + 1)

        def connect(a: int, b: int, siemens: float) -> None:
            for here, there in ((a, b), (b, a)):
                if here >= 0:
                    matrix[here, here] += siemens
                if here >= 0 and there >= 0:
                    matrix[here, there] -= siemens

        for a, b, ohm in self._edges():
            connect(a, b, 1 / max(ohm, 1e-6))
        inner = 1 / max(self._scenario.supply_ohm, LEAST_SUPPLY_OHM)
        connect(supply, -1, inner)
        source[supply] += inner * self._scenario.supply_v
        if self._switches.reference:
            connect(supply, -1, 1 / REFERENCE_OHM)
        fed = [
            (n, feed) for n, feed in enumerate(self._switches.feeds[: self._ground]) if feed.mode is not FeedMode.OFF
        ]
        for n, feed in fed:
            if n in limiting:
                source[n] += feed.limit_a
                source[supply] -= feed.limit_a
            else:
                connect(supply, n, 1 / self._feed_ohm(feed))
        volts = np.asarray(np.linalg.solve(matrix, source), dtype=np.float64)
        amps = [0.0] * len(self._switches.feeds)
        for n, feed in fed:
            drop_v = float(volts[supply] - volts[n])
            amps[n] = feed.limit_a if n in limiting else drop_v / self._feed_ohm(feed)
        return volts, amps, float(volts[supply])

    def _feed_ohm(self, feed: Feed) -> float:
        through = {FeedMode.PROBE: PROBE_OHM, FeedMode.PULSE: PULSE_OHM[self._scenario.profile.nominal_v]}
        return through[feed.mode] * self._resistor_factor if feed.mode in through else DRIVE_SWITCH_OHM

    def _truth(self, volts: NDArray[np.float64], amps: list[float], supply_v: float, limiting: frozenset[int]) -> Truth:
        size, channels = self._ground + 1, len(self._switches.feeds)
        node_v = volts.tolist()
        spare = (0.0,) * (channels - self._ground)
        returned = self._switches.returns & Return.PIN
        reference_a = supply_v / REFERENCE_OHM if self._switches.reference else 0.0
        return Truth(
            time_s=self.time_s,
            supply_v=supply_v,
            supply_a=sum(amps) + reference_a,
            pin_v=(*node_v[: self._ground], *spare),
            pin_a=tuple(amps),
            limiting=tuple(n in limiting for n in range(channels)),
            return_pin_a=node_v[self._ground] / RETURN_SWITCH_OHM if returned else 0.0,
            return_chassis_a=0.0,
            chassis_sense_v=0.0,
            ground_pin_v=node_v[self._ground],
            reference_a=reference_a,
            far_v=(*node_v[size : size + self._ground], *spare, node_v[2 * size - 1]),
        )
