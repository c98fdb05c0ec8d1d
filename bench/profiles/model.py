"""A checked profile as frozen dataclasses: what the session, the inference and the plant read.

A harness is a general electrical network. Its nodes are plain names; two kinds are special:
``pin.N`` is the trailer side of connector pin N, and ``chassis`` is the frame, where the
board's chassis clamp goes. Segments (wire) and joints (contacts, splices, bonds, rings)
connect nodes; loads stand between any two nodes.

Units: V, A, ohm, m, mm2, W, s, degC. Resistances are at 20 degC.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from bench.profiles.abs_model import AbsCodes
from bench.profiles.air_model import AirScenario, AirSystem
from bench.profiles.cable_model import Cable

CHASSIS = "chassis"
COPPER_OHM_MM2_PER_M = 0.017241  # 100 % IACS at 20 degC (ASTM B258 practice)
COPPER_PER_K = 0.00393


def pin_node(number: int) -> str:
    """Node name of the trailer side of connector pin ``number``."""
    return f"pin.{number}"


@dataclass(frozen=True, slots=True)
class Pin:
    """A connector pin; ``x``, ``y`` (-1..1, y up) place it on the face of the trailer's socket, seen from the front."""

    number: int
    function: str
    ground: bool
    colour: str
    size: str
    x: float
    y: float
    mark: str


@dataclass(frozen=True, slots=True)
class Connector:
    """A connector of a standard, with its pins and where the pin table comes from."""

    name: str
    title: str
    standard: str
    nominal_v: int
    pins: tuple[Pin, ...]
    source: str

    @property
    def ground_pins(self) -> tuple[int, ...]:
        """Numbers of the earth pins; the board's pin return joins them."""
        return tuple(pin.number for pin in self.pins if pin.ground)

    @property
    def live_pins(self) -> tuple[int, ...]:
        """Numbers of the other pins; the n-th is on board channel n unless a wiring says otherwise."""
        return tuple(pin.number for pin in self.pins if not pin.ground)


@dataclass(frozen=True, slots=True)
class Segment:
    """A piece of wire between two nodes."""

    name: str
    a: str
    b: str
    length_m: float
    area_mm2: float

    @property
    def resistance_ohm(self) -> float:
        """At 20 degC."""
        return COPPER_OHM_MM2_PER_M * self.length_m / self.area_mm2


@dataclass(frozen=True, slots=True)
class Joint:
    """A contact, splice, bond or ring terminal between two nodes; ``ground`` when it belongs to a return path."""

    name: str
    a: str
    b: str
    resistance_ohm: float
    ground: bool = False


@dataclass(frozen=True, slots=True)
class Filament:
    """An incandescent lamp, from its rating alone."""

    rated_v: float
    rated_w: float


@dataclass(frozen=True, slots=True)
class Led:
    """A regulated LED lamp: nothing below the threshold, then a series resistance, then a constant current."""

    threshold_v: float
    series_ohm: float
    current_a: float
    slope_a_per_v: float = 0.0
    capacitance_f: float = 0.0
    leak_ohm: float = 40_000.0


@dataclass(frozen=True, slots=True)
class Resistor:
    """A plain resistance: a heater, a coil, a test load."""

    resistance_ohm: float


@dataclass(frozen=True, slots=True)
class Diode:
    """Conducts from ``a`` to ``b`` only."""

    forward_v: float = 0.7
    series_ohm: float = 0.05


@dataclass(frozen=True, slots=True)
class ControlUnit:
    """An electronic control unit (ABS): constant power above its lock-out voltage; may feed a warning lamp."""

    power_w: float
    lockout_v: float
    leak_ohm: float = 20_000.0
    capacitance_f: float = 470e-6
    lamp_a: float = 0.0


LoadType = Filament | Led | Resistor | Diode | ControlUnit


@dataclass(frozen=True, slots=True)
class Load:
    """A load between node ``a`` (fed) and node ``b`` (return).

    Attributes:
        circuit: name of the circuit that feeds it.
        title: what a person calls it ("left stop lamp").
        tolerance: relative two-sigma tolerance of its current.
        place: where a person finds it, for drawings and words ("rear left").
    """

    name: str
    title: str
    type: LoadType
    a: str
    b: str
    circuit: str
    tolerance: float = 0.10
    place: str = ""


@dataclass(frozen=True, slots=True)
class Circuit:
    """What one live pin feeds. ``lit`` is false for circuits with nothing to look at (ABS supply)."""

    name: str
    title: str
    pin: int
    lit: bool = True


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit that a verdict rests on.

    Attributes:
        mark: how well the source was checked: ``verified``, ``second-hand``, ``calculated``,
            ``memory`` or ``common-practice``.
    """

    name: str
    low: float | None
    high: float | None
    unit: str
    source: str
    mark: Literal["verified", "second-hand", "calculated", "memory", "common-practice"]


@dataclass(frozen=True, slots=True)
class Tolerances:
    """How far a sound harness may be from its drawing; relative, two sigma."""

    lamp_current: float = 0.10
    joint_resistance: float = 0.40
    length: float = 0.06
    control_unit_current: float = 0.12
    wire_temperature_k: float = 15.0


@dataclass(frozen=True, slots=True)
class Protection:
    """Board channel settings a profile asks for; defaults are for 18 AWG and up."""

    start_limit_a: float = 6.0
    start_time_s: float = 0.005
    limit_a: float = 15.0
    limit_time_s: float = 0.25
    energy_a2s: float = 60.0
    retry_pause_s: float = 1.0
    retries: int = 0
    rms_limit_a: float = 6.0
    wiggle_limit_a: float = 5.0
    wiggle_time_s: float = 0.005
    wiggle_period_s: float = 0.1


@dataclass(frozen=True, slots=True)
class Profile:
    """What is plugged in. ``channel_of_pin`` maps live pins to board channels."""

    name: str
    title: str
    kind: Literal["trailer", "harness"]
    connector: Connector
    nominal_v: int
    circuits: tuple[Circuit, ...]
    segments: tuple[Segment, ...]
    joints: tuple[Joint, ...]
    loads: tuple[Load, ...]
    limits: Mapping[str, Limit]
    channel_of_pin: Mapping[int, int]
    tolerances: Tolerances = field(default_factory=Tolerances)
    protection: Protection = field(default_factory=Protection)
    units: Literal["us", "metric"] = "us"
    notes: str = ""
    air: AirSystem | None = None
    abs_codes: AbsCodes | None = None

    def circuit(self, name: str) -> Circuit:
        """The circuit called ``name``.

        Raises:
            KeyError: there is none.
        """
        for circuit in self.circuits:
            if circuit.name == name:
                return circuit
        raise KeyError(name)

    def loads_of(self, circuit: str) -> tuple[Load, ...]:
        """Loads that the named circuit feeds."""
        return tuple(load for load in self.loads if load.circuit == circuit)


# --- scenarios: what the simulator plays ---

InjectedKind = Literal[
    "open", "short-to-ground", "overload", "cross-connection", "back-feed", "high-resistance",
    "lamp-out", "wrong-load", "ground-open", "ground-high-resistance", "short-to-supply",
    "intermittent", "abs-lamp", "abs-code", "abs-supply", "low-supply", "board-fault",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class InjectedFault:
    """A fault for the simulated harness, in the profile's own names.

    Attributes:
        place: a segment, joint, load or ``pin.N``; for ``board-fault`` what fails
            (``emergency-stop``, ``hot``, ``restart``, ``stuck-current:N``, ...).
        other: the second place of a cross-connection or back-feed.
        position: along a segment, 0 at its ``a`` end to 1 at its ``b`` end.
        ohm: series resistance, or of the path that should not be there.
        volts: of a short to supply or a low supply.
        factor: current factor of a wrong load.
        code: blink code of ``abs-code``.
        of: for ``intermittent``: which kind comes and goes.
        at_s, until_s: plant time at which it begins and ends; until None for good.
        chatter_hz: it comes and goes at this mean rate (seeded random telegraph).
    """

    kind: InjectedKind
    place: str
    other: str | None = None
    position: float = 0.5
    ohm: float | None = None
    volts: float | None = None
    factor: float | None = None
    code: str | None = None
    of: InjectedKind | None = None
    at_s: float = 0.0
    until_s: float | None = None
    chatter_hz: float | None = None


@dataclass(frozen=True, slots=True)
class SenseErrors:
    """Errors of the simulated board's sensors, true values; drawn from the seed where ``None``."""

    current_gain: float | None = None
    current_offset_a: float | None = None
    current_noise_a: float = 0.003
    voltage_gain: float | None = None
    voltage_offset_v: float | None = None
    voltage_noise_v: float = 0.002
    voltage_step_v: float = 0.001
    current_step_a: float = 0.001


@dataclass(frozen=True, slots=True)
class Scenario:
    """A simulated trailer on a simulated board."""

    profile: Profile
    seed: int = 1
    ambient_c: float = 20.0
    supply_v: float = 12.8
    supply_ohm: float = 0.02
    spread: float = 1.0  # how much of the profile's tolerances the drawn harness uses; 0: as drawn
    clamp_ohm: float = 0.005
    sense: SenseErrors = field(default_factory=SenseErrors)
    faults: tuple[InjectedFault, ...] = ()
    air: AirScenario | None = None
    cable: Cable | None = None  # loose, in the sockets; the profile is then that of its conductors
    answers: Mapping[str, str | float | bool] = field(default_factory=dict)


# --- measurements: what the inference reads ---


@dataclass(frozen=True, slots=True)
class BoardErrors:
    """What the board says of its own accuracy; one standard uncertainty each.

    ``current_gain`` is what currents read, over what they are, where the board has measured it of itself.
    """

    probe_ohm: float = 1000.0
    pulse_ohm: float = 10.0
    pull_down_ohm: float = 100_000.0
    probe_ohm_error: float = 0.01
    current_gain_error: float = 0.02
    current_offset_a: float = 0.01
    current_noise_a: float = 0.003
    voltage_gain_error: float = 0.003
    voltage_offset_v: float = 0.003
    voltage_noise_v: float = 0.002
    current_gain: float = 1.0


@dataclass(frozen=True, slots=True)
class Inrush:
    """A recorded switch-on: evenly sampled current and pin voltage."""

    dt_s: float
    a: tuple[float, ...]
    v: tuple[float, ...]


ReturnName = Literal["pin", "chassis", "both", "none"]


@dataclass(frozen=True, slots=True)
class Reading:
    """All pins at one instant while one pin is fed.

    Attributes:
        how: through the probe resistor, through the pulse resistor (filaments still cold), or driven.
        returns: which return switches were closed.
        driven: pin numbers fed; several only for ``drive``.
        pin_v: voltage of every pin that was read, ground pins included when read.
        pin_a: current out of the pins that were read.
        return_a: current into the board by ``pin`` and ``chassis``.
        supply_v: at the board, at that instant.
        sense_at: node that the sense lead is on; the far end of a wire for a two-ended test.
    """

    how: Literal["probe", "pulse", "drive"]
    returns: ReturnName
    driven: tuple[int, ...]
    pin_v: Mapping[int, float]
    pin_a: Mapping[int, float] = field(default_factory=dict)
    return_a: Mapping[str, float] = field(default_factory=dict)
    chassis_sense_v: float | None = None
    supply_v: float | None = None
    level: float = 1.0
    limited: bool = False
    tripped: bool = False
    inrush: Inrush | None = None
    sense_at: str = CHASSIS


@dataclass(frozen=True, slots=True)
class Measurements:
    """Everything the electrical inference may look at."""

    profile: Profile
    ambient_c: float
    supply_v: float
    board: BoardErrors
    readings: tuple[Reading, ...]
