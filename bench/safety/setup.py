"""What the safety rules need to know of a profile, by board channel."""

from collections.abc import Mapping
from dataclasses import dataclass

from bench.profiles.model import ControlUnit, Diode, Filament, Led, LoadType, Profile, Protection, Resistor

COLD_RATIO = 14.0  # hot over cold resistance of a filament; 12..14 for vehicle lamps, the largest is the careful choice


@dataclass(frozen=True, slots=True)
class Setup:
    """One profile on one board.

    Attributes:
        circuits: name of the circuit on each channel in use.
        nominal_a: expected current of each channel at the nominal voltage.
        cold_siemens: expected conductance of each channel's loads before power, wires left out.
    """

    nominal_v: int
    circuits: Mapping[int, str]
    nominal_a: Mapping[int, float]
    cold_siemens: Mapping[int, float]
    protection: Protection

    @classmethod
    def of(cls, profile: Profile) -> "Setup":
        """The setup that ``profile`` asks for."""
        circuits = {profile.channel_of_pin[circuit.pin]: circuit.name for circuit in profile.circuits}
        loads = {channel: [load.type for load in profile.loads_of(name)] for channel, name in circuits.items()}
        volts = float(profile.nominal_v)
        return cls(
            nominal_v=profile.nominal_v,
            circuits=circuits,
            nominal_a={channel: sum(_nominal_a(load, volts) for load in types) for channel, types in loads.items()},
            cold_siemens={channel: sum(_cold_siemens(load) for load in types) for channel, types in loads.items()},
            protection=profile.protection,
        )


def _nominal_a(load: LoadType, volts: float) -> float:
    match load:
        case Filament():
            return load.rated_w / load.rated_v
        case Led():
            return load.current_a
        case Resistor():
            return volts / load.resistance_ohm
        case ControlUnit():
            return load.power_w / volts + load.lamp_a
        case Diode():
            return 0.0


def _cold_siemens(load: LoadType) -> float:
    match load:
        case Filament():
            return COLD_RATIO * load.rated_w / load.rated_v**2
        case Resistor():
            return 1 / load.resistance_ohm
        case Led() | ControlUnit():
            return 1 / load.leak_ohm
        case Diode():
            return 0.0
