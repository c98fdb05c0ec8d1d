"""What this board is: the constant part of its identity."""

from dataclasses import dataclass

from bench.contract.fields import RawValue
from bench.contract.table import CONTRACT_MAGIC, CONTRACT_MAJOR, CONTRACT_MINOR, Capability
from firmware_sim.firmware.air import AirPlant
from firmware_sim.firmware.calibration import Calibration
from firmware_sim.firmware.capture import FASTEST_HZ, LONGEST_SAMPLES
from firmware_sim.firmware.events import EVENT_DEPTH

MODEL = "SIMULATED"
FIRMWARE = "umbilical-sim 1"


@dataclass(frozen=True, slots=True)
class Description:
    """Parts and accuracies of a board; errors as one standard uncertainty."""

    probe_ohm: float = 1000.0
    pulse_ohm: float = 10.0
    reference_ohm: float = 10.0
    pull_down_ohm: float = 100_000.0
    largest_current_a: float = 20.0
    current_gain_error: float = 0.02
    current_offset_error_a: float = 0.010
    voltage_gain_error: float = 0.003
    voltage_offset_error_v: float = 0.003
    serial: str = "SIM-0001"
    firmware: str = FIRMWARE
    calibrated: str = ""
    capabilities: Capability = (
        Capability.PROBE
        | Capability.COLD_PULSE
        | Capability.CURRENT_LIMIT
        | Capability.CAPTURE
        | Capability.RETURN_SWITCHES
        | Capability.CHASSIS_SENSE
        | Capability.WIGGLE_MONITOR
        | Capability.REFERENCE_RESISTOR
        | Capability.WATCHDOG
        | Capability.CALIBRATION
    )

    @property
    def largest_current_ma(self) -> int:
        """Largest limit a channel accepts."""
        return round(self.largest_current_a * 1000)

    def can(self, air: AirPlant) -> Capability:
        """Capabilities, with those that an air plant brings."""
        able = self.capabilities
        if air.valves:
            able |= Capability.AIR
        if air.regulators:
            able |= Capability.REGULATOR
        if air.inputs:
            able |= Capability.AIR_CAPTURE
        return able

    def _errors(self) -> tuple[int, ...]:
        """Errors as the maker states them, before any calibration."""
        return (
            round(self.current_gain_error * 10_000),
            round(self.current_offset_error_a * 10_000),
            round(self.voltage_gain_error * 10_000),
            round(self.voltage_offset_error_v * 10_000),
        )

    def block(self, channels: int, air: AirPlant, calibration: Calibration) -> tuple[RawValue, ...]:
        """Raw values of the identity block."""
        return (
            CONTRACT_MAGIC,
            CONTRACT_MAJOR,
            CONTRACT_MINOR,
            channels,
            int(self.can(air)),
            round(self.probe_ohm * 10),
            round(self.pulse_ohm * 100),
            round(self.reference_ohm * 1000),
            round(self.pull_down_ohm / 100),
            self.largest_current_ma,
            *(calibration.errors if calibration.date else self._errors()),
            FASTEST_HZ,
            LONGEST_SAMPLES,
            EVENT_DEPTH,
            air.inputs,
            air.valves,
            self.serial,
            self.firmware,
            calibration.date or self.calibrated,
        )
