"""What the steps of one run share: the guarded board, the profile, and all readings so far."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from bench.contract.readings import Capture, Identity, Snapshot
from bench.contract.table import Capability, Return
from bench.electrical import Conclusion, ExpectedCircuit, conclude, expected
from bench.events import Listener, Progress
from bench.profiles.model import (
    BoardErrors,
    Circuit,
    Inrush,
    Limit,
    Measurements,
    Profile,
    Reading,
    ReturnName,
)
from bench.results import Finding, Trace, Value
from bench.safety import GuardedBoard
from bench.sequences.air.memory import AirMemory
from bench.sequences.operator import Nobody, Operator
from bench.sequences.settle import CHARGED_V

How = Literal["probe", "pulse", "drive"]
GROUND_RISE_V = 0.5
RETURN_NAMES: dict[Return, ReturnName] = {
    Return.NONE: "none",
    Return.PIN: "pin",
    Return.CHASSIS: "chassis",
    Return.BOTH: "both",
}


@dataclass(kw_only=True)
class Outcome:
    """What a step has so far; filled while it measures, so that an interrupted step keeps it."""

    values: list[Value] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


@dataclass
class Inspection:
    """One run in progress.

    Attributes:
        step: name of the step being performed, for events.
        readings: everything the inference may look at, in the order it was measured.
        open_v: supply without load, once measured.
        live: pins that are up although nothing was ever fed.
        suspects: names of circuits that a finding names so far.
        joined: names of circuits that a finding takes to be joined to each other.
        operator: whom a step may ask.
        to_come: names of the steps after this one.
        air: what the air steps know.
        only_circuits: names of the circuits to drive alone; None for all.
        conclude: weighs all readings together.
        board: how far its readings may be off, once the board was held against its own reference.
    """

    guard: GuardedBoard
    profile: Profile
    tell: Listener
    step: str = ""
    readings: list[Reading] = field(default_factory=list)
    open_v: float | None = None
    ambient_c: float = 20.0
    live: set[int] = field(default_factory=set)
    suspects: set[str] = field(default_factory=set)
    joined: set[frozenset[str]] = field(default_factory=set)
    operator: Operator = field(default_factory=Nobody)
    to_come: tuple[str, ...] = ()
    air: AirMemory = field(default_factory=AirMemory)
    only_circuits: Collection[str] | None = None
    conclude: Callable[[Measurements], Conclusion] = conclude
    board: BoardErrors | None = None

    @property
    def identity(self) -> Identity:
        """Who the board is."""
        return self.guard.identity

    @property
    def errors(self) -> BoardErrors:
        """How far the board's readings may be off: as measured in this run, or as it states them."""
        return self.board or board_errors(self.identity)

    def can(self, capability: Capability) -> bool:
        """Whether the board has it."""
        return capability in self.guard.capabilities

    def limit(self, name: str) -> Limit | None:
        """A limit of the profile."""
        return self.profile.limits.get(name)

    def channel(self, circuit: Circuit) -> int:
        """The board channel that feeds a circuit."""
        return self.profile.channel_of_pin[circuit.pin]

    def by_pin(self, by_channel: Mapping[int, float]) -> dict[int, float]:
        """Values of channels as values of the connector pins that they feed."""
        return {pin: by_channel[n] for pin, n in self.profile.channel_of_pin.items() if n in by_channel}

    def reachable(self) -> list[Circuit]:
        """Circuits whose pin this board has a channel for."""
        return [each for each in self.profile.circuits if self.channel(each) <= self.identity.channels]

    def chosen(self) -> list[Circuit]:
        """Circuits that are to be driven alone."""
        only = self.only_circuits
        return [circuit for circuit in self.profile.circuits if only is None or circuit.name in only]

    def sound(self) -> list[Circuit]:
        """Circuits that may be driven: no short was seen on them, nothing else feeds them, they did not trip."""
        tripped = {pin for reading in self.readings if reading.tripped for pin in reading.driven}
        return [
            circuit
            for circuit in self.reachable()
            if self.channel(circuit) not in self.guard.shorted and circuit.pin not in tripped | self.live
        ]

    def progress(self, seen: Snapshot, text: str, circuit: Circuit | None = None) -> None:
        """Tell whoever watches."""
        channel = seen.channel(self.channel(circuit)) if circuit else None
        self.tell(
            Progress(
                self.step,
                seen.uptime_s,
                text,
                circuit.name if circuit else None,
                channel.current_a if channel else None,
                channel.voltage_v if channel else None,
            )
        )

    def note(self, reading: Reading) -> Reading:
        """Add a reading to what is known."""
        self.readings.append(reading)
        return reading

    def measurements(self) -> Measurements:
        """All readings so far, for the inference."""
        supplies = [reading.supply_v for reading in self.readings if reading.supply_v is not None]
        supply_v = self.open_v if self.open_v is not None else max(supplies, default=float(self.profile.nominal_v))
        return Measurements(self.profile, self.ambient_c, supply_v, self.errors, tuple(self.readings))

    def expectations(self, supply_v: float) -> dict[str, ExpectedCircuit]:
        """What each circuit of a sound harness reads at ``supply_v``, by name."""
        every = expected(self.profile, self.ambient_c, supply_v, board_errors(self.identity))
        return {each.circuit.name: each for each in every}


def board_errors(identity: Identity) -> BoardErrors:
    """What the board says of its own accuracy, for the inference."""
    return BoardErrors(
        probe_ohm=identity.probe_ohm,
        pulse_ohm=identity.pulse_ohm,
        pull_down_ohm=identity.pull_down_ohm,
        current_gain_error=identity.current_gain_error,
        current_offset_a=identity.current_offset_error_a,
        voltage_gain_error=identity.voltage_gain_error,
        voltage_offset_v=identity.voltage_offset_error_v,
    )


def reading_of(
    inspection: Inspection,
    how: How,
    fed: Sequence[Circuit],
    seen: Snapshot,
    *,
    rest: Snapshot | None = None,
    limited: bool = False,
    tripped: bool = False,
    capture: Capture | None = None,
) -> Reading:
    """A snapshot as a reading, by connector pin: what this board really measures and nothing else.

    ``rest`` was taken just before, with nothing fed: a pin that still held a charge then is left out.
    """
    channels = {
        pin: seen.channel(channel)
        for pin, channel in inspection.profile.channel_of_pin.items()
        if channel <= len(seen.channels)
    }
    driven = tuple(circuit.pin for circuit in fed)
    charged = _charged(inspection, rest) - set(driven)
    volts = {pin: channel.voltage_v for pin, channel in channels.items() if pin not in charged}
    ground_pins = inspection.profile.connector.ground_pins
    if len(ground_pins) == 1:  # of several, nobody says which the board reads
        volts[ground_pins[0]] = seen.ground_pin_v
    switched = inspection.can(Capability.RETURN_SWITCHES)
    return Reading(
        how=how,
        returns=RETURN_NAMES[seen.returns] if switched else "both",
        driven=driven,
        pin_v=volts,
        pin_a={pin: channel.current_a for pin, channel in channels.items()},
        return_a={"pin": seen.return_pin_a, "chassis": seen.return_chassis_a} if switched else {},
        chassis_sense_v=seen.chassis_sense_v if inspection.can(Capability.CHASSIS_SENSE) else None,
        supply_v=seen.supply_v,
        limited=limited,
        tripped=tripped,
        inrush=Inrush(capture.dt_s, capture.current_a, capture.voltage_v) if capture and capture.current_a else None,
    )


def at_rest(reading: Reading, steady_a: Mapping[int, float]) -> Reading:
    """A reading taken a little early, as it will be when its driven pins carry ``steady_a``, by pin.

    The returns' currents and the little that the ground rises go with the current.
    """
    ends = {pin: steady_a.get(pin, reading.pin_a[pin]) for pin in reading.driven}
    seen_a = sum(reading.pin_a[pin] for pin in reading.driven)
    if seen_a <= 0:
        return reading
    ratio = sum(ends.values()) / seen_a
    return replace(
        reading,
        pin_v={pin: volts * ratio if abs(volts) < GROUND_RISE_V else volts for pin, volts in reading.pin_v.items()},
        pin_a={**reading.pin_a, **ends},
        return_a={path: amps * ratio for path, amps in reading.return_a.items()},
        chassis_sense_v=None if reading.chassis_sense_v is None else reading.chassis_sense_v * ratio,
    )


def _charged(inspection: Inspection, rest: Snapshot | None) -> set[int]:
    """Pins that held a charge at ``rest``; one that was live from the start is evidence, not charge."""
    if rest is None:
        return set()
    return {
        pin
        for pin, channel in inspection.profile.channel_of_pin.items()
        if channel <= len(rest.channels)
        and pin not in inspection.live
        and abs(rest.channel(channel).voltage_v) > CHARGED_V
    }
