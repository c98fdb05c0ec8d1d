"""Random but realistic trailer harnesses as pure data, for tests and benchmarks.

Every profile has a nose (connector contacts), a front, a middle and a rear, wires and joints
between them, left and right cluster grounds that meet at a rear ground, a ground wire back to
the connector and, when ``bonded``, a bond of the rear ground to the frame. Gauges, lengths,
joint resistances and lamp ratings are drawn from the ranges that such trailers have (common
practice, no source). Nothing here knows the plant or the inference.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from bench.profiles.model import (
    CHASSIS,
    Circuit,
    Connector,
    ControlUnit,
    Filament,
    Joint,
    Led,
    Load,
    LoadType,
    Pin,
    Profile,
    Segment,
    pin_node,
)

LampMix = Literal["filament", "led", "mixed"]

CIRCUITS = ("marker", "left-turn", "stop", "right-turn", "tail", "abs")
_PIN_OF = {"marker": 2, "left-turn": 3, "stop": 4, "right-turn": 5, "tail": 6, "abs": 7}
_TITLE = {
    "marker": "clearance and side markers",
    "left-turn": "left turn",
    "stop": "stop",
    "right-turn": "right turn",
    "tail": "tail and licence",
    "abs": "ABS supply",
}
_COLOURS = ("white", "black", "yellow", "red", "green", "brown", "blue")
_GROUND_PIN = 1

AREA_MM2 = {8: 8.366, 10: 5.261, 12: 3.309, 14: 2.081, 16: 1.309, 18: 0.823}  # AWG by ASTM B258
_FEED_GAUGES = {"stop": (10, 12), "abs": (10, 12)}
_DROP_GAUGES = (14, 16, 18)

# rated W of filaments and regulated A of LED lamps (12 V) by use; common practice, no source
_RATED_W = {"signal": (21.0, 27.0), "tail": (7.5, 8.3), "marker": (3.8, 4.9), "licence": (3.8, 5.0)}
_LED_A = {"signal": (0.28, 0.40), "tail": (0.05, 0.07), "marker": (0.035, 0.06), "licence": (0.05, 0.08)}
_LED_THRESHOLD_V = {"signal": (7.2, 8.2), "tail": (6.5, 8.0), "marker": (6.0, 8.0), "licence": (6.0, 8.0)}


@dataclass
class _Draft:
    """A harness under construction."""

    rng: Random
    nominal_v: int
    lamp_mix: LampMix
    segments: list[Segment] = field(default_factory=list)
    joints: list[Joint] = field(default_factory=list)
    loads: list[Load] = field(default_factory=list)

    def wire(self, a: str, b: str, low_m: float, high_m: float, gauges: Sequence[int]) -> None:
        length_m = round(self.rng.uniform(low_m, high_m), 2)
        self.segments.append(Segment(f"{a}--{b}", a, b, length_m, AREA_MM2[self.rng.choice(list(gauges))]))

    def joint(self, a: str, b: str, *, ground: bool = False) -> None:
        ohm = round(self.rng.uniform(0.002, 0.010), 4)
        self.joints.append(Joint(f"{a}=={b}", a, b, ohm, ground))

    def lamp(self, name: str, use: str, a: str, b: str, circuit: str, place: str) -> None:
        title = name.replace("-", " ")
        self.loads.append(Load(name, title, self._lamp_type(use), a, b, circuit, place=place))

    def _lamp_type(self, use: str) -> LoadType:
        led = self.lamp_mix == "led" or (self.lamp_mix == "mixed" and self.rng.random() < 0.5)
        return self._led(use) if led else self._filament(use)

    def _filament(self, use: str) -> Filament:
        rated_v = 28.0 if self.nominal_v == 24 else self.rng.choice((12.8, 13.5))
        return Filament(rated_v, self.rng.choice(_RATED_W[use]))

    def _led(self, use: str) -> Led:
        scale = self.nominal_v / 12
        current_a = self.rng.uniform(*_LED_A[use]) / scale
        knee_v = self.rng.uniform(1.0, 2.5) * scale
        return Led(
            threshold_v=round(self.rng.uniform(*_LED_THRESHOLD_V[use]) * scale, 2),
            series_ohm=round(knee_v / current_a, 2),
            current_a=round(current_a, 4),
            slope_a_per_v=round(current_a * 0.01, 6),
            capacitance_f=self.rng.choice((0.0, 1e-7, 1e-6, 4.7e-6)),
        )


def _connector(nominal_v: int) -> Connector:
    function = {pin: _TITLE[circuit] for circuit, pin in _PIN_OF.items()} | {_GROUND_PIN: "ground return"}
    pins = tuple(
        Pin(number, function[number], number == _GROUND_PIN, _COLOURS[number - 1], "", 0.0, 0.0, "memory")
        for number in range(1, 8)
    )
    return Connector("random-7", "random seven-pin", "none", nominal_v, pins, "invented for tests")


def _grounds(draft: _Draft, *, bonded: bool) -> None:
    draft.joint(pin_node(_GROUND_PIN), "nose.ground", ground=True)
    draft.wire("nose.ground", "front.ground", 0.5, 2.0, (8, 10))
    draft.wire("front.ground", "mid.ground", 4.0, 7.0, (8, 10))
    draft.wire("mid.ground", "rear.ground", 4.0, 8.0, (8, 10))
    for side in ("left", "right"):
        draft.wire("rear.ground", f"rear-{side}.wire-end", 0.8, 1.6, (12, 14))
        draft.joint(f"rear-{side}.wire-end", f"rear-{side}.ground", ground=True)
    if bonded:
        draft.joint("rear.ground", CHASSIS, ground=True)


def _feed(draft: _Draft, circuit: str, stops: Sequence[str]) -> None:
    """Contact, then wire from the nose through ``stops`` (of front, mid, rear)."""
    draft.joint(pin_node(_PIN_OF[circuit]), f"nose.{circuit}")
    gauges = _FEED_GAUGES.get(circuit, (12, 14))
    lengths = {"front": (0.5, 2.0), "mid": (4.0, 7.0), "rear": (4.0, 8.0)}
    last = f"nose.{circuit}"
    for stop in stops:
        low_m, high_m = lengths[stop]
        draft.wire(last, f"{stop}.{circuit}", low_m, high_m, gauges)
        last = f"{stop}.{circuit}"


def _rear_lamp(draft: _Draft, circuit: str, side: str, use: str, name: str) -> None:
    socket = f"rear-{side}.{circuit}"
    draft.wire(f"rear.{circuit}", f"{socket}.end", 0.8, 1.6, _DROP_GAUGES)
    draft.joint(f"{socket}.end", socket)
    draft.lamp(name, use, socket, f"rear-{side}.ground", circuit, f"rear {side}")


def _turn(draft: _Draft, circuit: str) -> None:
    _feed(draft, circuit, ("mid", "rear"))
    side = circuit.removesuffix("-turn")
    _rear_lamp(draft, circuit, side, "signal", f"{side}-turn-lamp")
    if draft.rng.random() < 0.5:
        draft.lamp(f"{side}-mid-turn-lamp", "signal", f"mid.{circuit}", "mid.ground", circuit, f"mid {side}")


def _pair(draft: _Draft, circuit: str, use: str) -> None:
    _feed(draft, circuit, ("mid", "rear"))
    for side in ("left", "right"):
        _rear_lamp(draft, circuit, side, use, f"{side}-{circuit}-lamp")


def _tail(draft: _Draft, circuit: str) -> None:
    _pair(draft, circuit, "tail")
    draft.lamp("licence-lamp", "licence", f"rear.{circuit}", "rear.ground", circuit, "rear")


def _marker(draft: _Draft, circuit: str) -> None:
    _feed(draft, circuit, ("front", "mid", "rear"))
    for place in ("front", "mid"):
        for side in ("left", "right"):
            node = f"{place}-{side}.{circuit}"
            draft.wire(f"{place}.{circuit}", node, 1.0, 2.0, _DROP_GAUGES)
            draft.lamp(f"{side}-{place}-marker", "marker", node, f"{place}.ground", circuit, f"{place} {side}")
    for side in ("left", "right"):
        _rear_lamp(draft, circuit, side, "marker", f"{side}-rear-marker")
    draft.lamp("identification-lamp", "marker", f"rear.{circuit}", "rear.ground", circuit, "rear")


def _abs(draft: _Draft, circuit: str) -> None:
    _feed(draft, circuit, ("mid", "rear"))
    scale = draft.nominal_v / 12
    lamp_a = round(draft.rng.uniform(0.04, 0.2) / scale, 3)
    unit = ControlUnit(power_w=round(draft.rng.uniform(3.0, 5.0), 2), lockout_v=round(8.3 * scale, 1), lamp_a=lamp_a)
    draft.joint(f"rear.{circuit}", "abs-unit.supply")
    draft.loads.append(
        Load("abs-unit", "ABS control unit", unit, "abs-unit.supply", "rear.ground", circuit, 0.12, "rear")
    )


def _build(draft: _Draft, circuit: str) -> None:
    if circuit == "marker":
        _marker(draft, circuit)
    elif circuit == "stop":
        _pair(draft, circuit, "signal")
    elif circuit == "tail":
        _tail(draft, circuit)
    elif circuit == "abs":
        _abs(draft, circuit)
    else:
        _turn(draft, circuit)


def random_profile(
    rng: Random,
    *,
    nominal_v: int = 12,
    lamp_mix: LampMix = "mixed",
    bonded: bool = True,
    circuits: Sequence[str] = CIRCUITS,
) -> Profile:
    """Draw a trailer.

    Args:
        rng: decides everything; the same state gives the same profile.
        nominal_v: 12 or 24; lamps, LED thresholds and the ABS lock-out follow it.
        lamp_mix: ``mixed`` draws filament or LED for each lamp.
        bonded: whether the rear ground is bonded to the frame. Without it the chassis clamp returns nothing.
        circuits: which of ``CIRCUITS`` the trailer has; absent ones leave their pin without a wire.

    Raises:
        KeyError: a circuit that is not in ``CIRCUITS``.
    """
    draft = _Draft(rng, nominal_v, lamp_mix)
    _grounds(draft, bonded=bonded)
    for circuit in circuits:
        _build(draft, circuit)
    connector = _connector(nominal_v)
    return Profile(
        name="random",
        title="random trailer",
        kind="trailer",
        connector=connector,
        nominal_v=nominal_v,
        circuits=tuple(Circuit(name, _TITLE[name], _PIN_OF[name], lit=name != "abs") for name in circuits),
        segments=tuple(draft.segments),
        joints=tuple(draft.joints),
        loads=tuple(draft.loads),
        limits={},
        channel_of_pin={pin: channel for channel, pin in enumerate(connector.live_pins, start=1)},
    )
