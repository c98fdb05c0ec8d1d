"""The board as the guard uses it: what ``bench.link.board.Board`` offers, and what a fake must."""

from collections.abc import Iterable
from typing import Protocol

from bench.contract.readings import (
    AirCapture,
    Capture,
    ChannelCorrection,
    CommonCorrection,
    EventPage,
    FarSocket,
    Identity,
    Snapshot,
)
from bench.contract.table import Fault, Return, Valve
from bench.profiles.model import Protection


class BoardPort(Protocol):
    """A typed board. Commands raise ``BoardRefused`` when it says no and ``LinkError`` when it can't be asked."""

    async def open(self) -> Identity:
        """Connect and read who it is."""

    async def snapshot(self) -> Snapshot:
        """Everything measured, at one instant."""

    async def shot(self) -> Snapshot:
        """The same at the end of the last timed probe or pulse."""

    async def events(self) -> EventPage:
        """The oldest events, which the board may then forget."""

    async def far_socket(self) -> FarSocket:
        """The second socket's pins."""

    async def capture(self) -> Capture:
        """What the capture memory holds."""

    async def air_capture(self) -> AirCapture:
        """What the capture memory holds of analogue inputs, so far."""

    async def set_board(self, watchdog_s: float, pressure_ceiling_pa: float, nominal_v: float) -> None:
        """Write the board's settings."""

    async def set_channel(self, channel: int, protection: Protection) -> None:
        """Write one channel's settings."""

    async def claim(self) -> None:
        """Become the one controller."""

    async def release(self) -> None:
        """Everything off, disarm, give the claim back."""

    async def kick(self) -> None:
        """Say that the host is alive."""

    async def arm(self) -> None:
        """Allow outputs."""

    async def safe(self) -> None:
        """Everything off, disarmed; always carried out, for anyone."""

    async def clear(self, faults: Fault) -> None:
        """Clear exactly these latched faults."""

    async def returns(self, returns: Return) -> None:
        """Close these return switches and open the others."""

    async def drive(self, channel: int, level: float = 1.0) -> None:
        """Soft-start a channel."""

    async def off(self, channels: Iterable[int] | None = None) -> None:
        """Turn channels off, all by default, and clear their trips."""

    async def probe(self, channel: int, time_s: float) -> None:
        """Probe a pin for this time."""

    async def pulse(self, channel: int, time_s: float) -> None:
        """Cold pulse on a pin."""

    async def wiggle(self, channel: int) -> None:
        """Exercise a wire until it is turned off."""

    async def arm_capture(self, channel: int, rate_hz: int, samples: int) -> None:
        """Record this channel from its next switch-on."""

    async def record_air(self, inputs: Iterable[int], rate_hz: int, samples: int) -> None:
        """Record so many samples of each of these analogue inputs, from now on."""

    async def reset_extremes(self) -> None:
        """Start new minima and maxima."""

    async def reference(self, on: bool) -> None:
        """Connect the reference resistor, or not."""

    async def join_far(self, pins: int) -> None:
        """Join exactly these pins of the second socket."""

    async def valve(self, valve: Valve, energise: bool, longest_s: float = 0.0) -> None:
        """Energise a valve for at most this time, or let it go."""

    async def regulate(self, line: int, pressure_pa: float) -> None:
        """Set an electronic regulator (0 supply, 1 service), gauge."""

    async def self_test(self) -> None:
        """Check memory, converter and temperature."""

    async def correction(self, channel: int) -> ChannelCorrection:
        """Corrections that the board keeps for a channel."""

    async def common_correction(self) -> CommonCorrection:
        """Corrections that it keeps for everything else."""

    async def keep_correction(self, channel: int, correction: ChannelCorrection) -> None:
        """Let it keep corrections of a channel; refused while armed."""

    async def keep_common_correction(self, correction: CommonCorrection) -> None:
        """Let it keep the others, with the date."""

    async def wait(self, seconds: float) -> Snapshot:
        """Let board time pass; a snapshot taken at its end."""

    async def wait_until(self, uptime_s: float) -> Snapshot:
        """Wait for the board's clock; a snapshot taken then."""
