"""A trailer's air system as frozen dataclasses: what the steps, the inference and the plant read.

Units: Pa gauge unless a name says otherwise, m, m3, s, K. Chamber types are the trade's type
numbers (effective area in square inches).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

PA_PER_PSI = 6894.757
M3_PER_IN3 = 1.6387064e-5

Side = Literal["left", "right"]
AirQuantity = Literal["supply", "service", "chamber", "stroke", "tank-skin"]


@dataclass(frozen=True, slots=True)
class WheelEnd:
    """One brake.

    Attributes:
        chamber: type number as the trade says it ("30"); looked up in the chamber table.
        spring: has a spring (parking) brake.
    """

    name: str
    title: str
    axle: int
    side: Side
    chamber: str
    long_stroke: bool = False
    spring: bool = True


@dataclass(frozen=True, slots=True)
class AirInput:
    """What one of the board's analogue inputs measures.

    Attributes:
        number: board input, 1..6.
        wheel_end: whose chamber or stroke it is.
        low, high: range in the input's own unit (Pa, um or mK); outside it the sensor is not plausible.
        filter_delay_s: known delay of sensor and filter, corrected in timing.
    """

    number: int
    quantity: AirQuantity
    wheel_end: str | None = None
    low: float = -20_000.0
    high: float = 1_400_000.0
    filter_delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class AirSystem:
    """A trailer's air system as its drawing says.

    Attributes:
        vehicle: row of the timing table it belongs to.
        check_valve: the reservoir is guarded against flow back into the supply line.
        regulators: the bench sets pressures itself, or a person sets them by hand.
        modulators: ABS modulators that can be exercised.
        electrical_supply: circuit that feeds the modulators, when there is one.
        valves: the bench has its four valves; without them a person works the taps.
        fill_c, fill_b: sonic conductance in m3/(s Pa) and critical ratio (ISO 6358) of the bench's supply fill path,
            by its maker or a calibration; None: not known, and no volume can be metered.
    """

    vehicle: Literal["semitrailer", "towing-trailer", "dolly"]
    reservoir_m3: float
    wheel_ends: tuple[WheelEnd, ...]
    inputs: tuple[AirInput, ...]
    check_valve: bool = True
    supply_line_m: float = 14.2
    service_line_m: float = 14.2
    line_bore_m: float = 0.0095
    regulators: Literal["electronic", "hand"] = "hand"
    valves: bool = True
    modulators: int = 0
    electrical_supply: str | None = None
    fill_c: float | None = None
    fill_b: float = 0.3

    def wheel_end(self, name: str) -> WheelEnd:
        """The wheel end called ``name``.

        Raises:
            KeyError: there is none.
        """
        for wheel_end in self.wheel_ends:
            if wheel_end.name == name:
                return wheel_end
        raise KeyError(name)


# --- what the simulator plays ---

LeakPlace = Literal[
    "supply-glad-hand", "reservoir-drain", "spring-seal", "service-glad-hand", "service-hose",
    "relay-control", "relay-inlet-seat", "relay-exhaust-seat", "diaphragm-1", "diaphragm-2", "check-valve",
]  # fmt: skip
AirFaultKind = Literal[
    "leak", "sensor-unplugged", "sensor-stuck", "sensors-swapped", "hose-off", "regulator-low",
    "valve-stuck-open", "valve-stuck-shut", "slow-application", "slow-release", "stroke",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class AirFault:
    """A fault of the simulated air system.

    Attributes:
        place: a ``LeakPlace`` for leaks, ``supply`` or ``service`` for sensors and hoses, a
            valve's name for valves, a wheel end for strokes.
        psi_per_min: a leak's size as the fall it causes at 100 psi in the volume it drains with everything settled.
        value: a stroke in m, a regulator's pressure in Pa, a slowed flow as a share of the sound one.
        at_s, until_s: plant time at which it begins and ends.
    """

    kind: AirFaultKind
    place: str
    psi_per_min: float | None = None
    value: float | None = None
    at_s: float = 0.0
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class AirScenario:
    """A simulated air system: its source, its surroundings, what is wrong with it."""

    source_pa: float = 100 * PA_PER_PSI
    start_pa: float = 0.0
    ambient_drift_k_per_min: float = 0.0
    convection: float = 1.0  # of the reservoir's film; 0.3 is a weakly convecting tank
    sensor_noise_pa: float = 0.05 * PA_PER_PSI
    sensor_drift_pa_per_sqrt_min: float = 0.02 * PA_PER_PSI
    sensor_zero_pa: float = 0.1 * PA_PER_PSI
    spread: float = 1.0
    faults: tuple[AirFault, ...] = ()
    strokes_m: Mapping[str, float] = field(default_factory=dict)
