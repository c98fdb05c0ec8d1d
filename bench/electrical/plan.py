"""The measurement plan: which settings tell the faults apart, cold things first.

A. Probe every pin with both returns and with none. B. Pulse every pin while its filaments are
cold. C. Drive every pin alone. D. One heavy pair with each return alone. E. All lamps at once.
Pins that feed a control unit are neither probed nor pulsed for the record: constant power behind a
resistor has two states, and its capacitor is still filling. Behind open returns LED lamps and their
capacitors float for seconds, so such a harness is not probed with none closed.

The plan holds for a harness of which nothing is known yet. What the readings show changes it: a pin
found shorted or live is not driven, and a suspect is kept out of the heavy pair.
"""

from dataclasses import dataclass
from typing import Literal

from bench.profiles.model import Circuit, ControlUnit, Filament, Led, LoadType, Profile, Reading, ReturnName

How = Literal["probe", "pulse", "drive"]


@dataclass(frozen=True, slots=True)
class Stage:
    """Readings that are taken for one reason, in their order."""

    letter: str
    title: str
    readings: tuple[Reading, ...]
    why: str


CHANGES = (
    "A pin that the probe or the pulse shows to be shorted is not driven: its resistance is known by then, and "
    "driving it would only heat the contact.",
    "A pin that is live with nothing fed is not driven: something else feeds it.",
    "Circuits that look joined are driven together, by both returns and by each: the difference is the joint.",
    "A circuit that some reading makes suspect is not used to load the ground return.",
    "After lamps were lit, the cold pulse waits until their filaments are cold again: 5 s at least.",
    "Once a short is found, the operator is asked to clip the sense lead to the far end: one more reading places it.",
)


def stages(profile: Profile) -> tuple[Stage, ...]:
    """The plan with its reasons; stages that a harness has no use for are left out."""
    every = tuple(circuit.pin for circuit in profile.circuits)
    probed = tuple(circuit.pin for circuit in profile.circuits if not feeds_unit(profile, circuit))
    pulsed = tuple(circuit.pin for circuit in reversed(profile.circuits) if is_pulsed(profile, circuit))
    heavy = heaviest(profile)
    found = (
        Stage(
            "A",
            "Probe, both returns closed",
            _alone("probe", "both", probed),
            "A few milliamperes into each pin, all pins read: open, hard short, or another pin that comes up with it. "
            "Nothing lights.",
        ),
        Stage(
            "A",
            "Probe, returns open",
            () if floats(profile) else _alone("probe", "none", probed),
            "With no way back to the board, whatever comes up is joined in the harness itself: both ways alike is "
            "metal, one way is a diode or a lamp.",
        ),
        Stage(
            "B",
            "Cold pulse",
            _alone("pulse", "both", pulsed),
            "Four milliseconds through a known resistor, filaments still cold: a missing lamp and added resistance "
            "look alike when hot and differ tenfold when cold; a short shows its ohms before anything is driven.",
        ),
        Stage(
            "C",
            "Each pin alone",
            _alone("drive", "both", every),
            "Soft-started and recorded, read once its current can be told: lamps out, wrong lamps, added resistance; "
            "the undriven pins are free sense wires to the grounds of their lamps.",
        ),
        Stage(
            "D",
            "Heavy pair, each return alone",
            tuple(Reading("drive", way, heavy, {}) for way in _EACH if heavy),
            "The two heaviest circuits load the ground: its path by the pin, by the frame, and how they share.",
        ),
        Stage(
            "E",
            "All circuits at once",
            (Reading("drive", "both", every, {}),) if len(every) > 1 else (),
            "Supply sag and ground drop under full load, and whatever shows only when lamps share a bad ground.",
        ),
    )
    return tuple(stage for stage in found if stage.readings)


def plan(profile: Profile) -> tuple[Reading, ...]:
    """Readings to take, in order, with nothing read yet."""
    return tuple(reading for stage in stages(profile) for reading in stage.readings)


_EACH: tuple[ReturnName, ...] = ("both", "pin", "chassis")


def _alone(how: How, returns: ReturnName, pins: tuple[int, ...]) -> tuple[Reading, ...]:
    return tuple(Reading(how, returns, (pin,), {}) for pin in pins)


def floats(profile: Profile) -> bool:
    """Whether a harness takes seconds to come to rest behind open returns."""
    return any(isinstance(load.type, Led) for load in profile.loads)


def has_filament(profile: Profile, circuit: Circuit) -> bool:
    """Whether some lamp of the circuit takes time to heat."""
    return any(isinstance(load.type, Filament) for load in profile.loads_of(circuit.name))


def is_pulsed(profile: Profile, circuit: Circuit) -> bool:
    """Whether a circuit is pulsed: what is lit, and no control unit."""
    return circuit.lit and not feeds_unit(profile, circuit)


def feeds_unit(profile: Profile, circuit: Circuit) -> bool:
    """Whether a control unit hangs on the circuit."""
    return any(isinstance(load.type, ControlUnit) for load in profile.loads_of(circuit.name))


def heaviest(profile: Profile) -> tuple[int, ...]:
    """Pins of the two circuits that take the most, for the ground return."""
    lit = [circuit for circuit in profile.circuits if circuit.lit]
    ranked = sorted(lit, key=lambda circuit: -rated_current(profile, circuit))
    return tuple(circuit.pin for circuit in ranked[:2])


def rated_current(profile: Profile, circuit: Circuit) -> float:
    """Sum of the rated currents (A) of a circuit's lamps."""
    return sum(_rated_a(load.type) for load in profile.loads_of(circuit.name))


def _rated_a(load: LoadType) -> float:
    match load:
        case Filament(volts, watts):
            return watts / volts
        case Led():
            return load.current_a
        case _:
            return 0.0
