"""The measurement plan: which settings tell the faults apart, cold things first.

A. Probe every pin with both returns and with none. B. Pulse every pin while its filaments are
cold. C. Drive every pin alone. D. One heavy pair with each return alone. E. All lamps at once.
Pins that feed a control unit are not pulsed: constant power behind a resistor has two states.
"""

from bench.profiles.model import Circuit, ControlUnit, Filament, Led, LoadType, Profile, Reading, ReturnName


def plan(profile: Profile) -> tuple[Reading, ...]:
    """Readings to take, in order, with nothing read yet."""
    pins = [circuit.pin for circuit in profile.circuits]
    pulsed = [circuit.pin for circuit in profile.circuits if not feeds_unit(profile, circuit)]
    heavy = heaviest(profile)
    lit = tuple(circuit.pin for circuit in profile.circuits if circuit.lit)
    returns: tuple[ReturnName, ...] = ("both", "none")
    return (
        *(Reading("probe", way, (pin,), {}) for way in returns for pin in pins),
        *(Reading("pulse", "both", (pin,), {}) for pin in pulsed),
        *(Reading("drive", "both", (pin,), {}) for pin in pins),
        *(Reading("drive", way, heavy, {}) for way in _EACH if heavy),
        *([Reading("drive", "both", lit, {})] if len(lit) > 1 else []),
    )


_EACH: tuple[ReturnName, ...] = ("pin", "chassis", "both")


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
