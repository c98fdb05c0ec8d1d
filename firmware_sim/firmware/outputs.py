"""Everything that can put current into the harness: channels, return switches, reference resistor."""

from collections.abc import Callable

from bench.contract.table import ChannelState, EventKind, Return
from firmware_sim.firmware.channel import Channel
from firmware_sim.firmware.sensing import Log
from firmware_sim.port import Switches, Truth


class Outputs:
    """The switch positions the firmware wants, and whether the armed state allows any.

    Args:
        channels: how many.
        log: enters an event.
        shot: see :class:`Channel`.
    """

    def __init__(self, channels: int, log: Log, shot: Callable[[int], None]) -> None:
        self.channels = tuple(Channel(number, log, shot) for number in range(1, channels + 1))
        self.armed = False
        self.returns = Return.NONE
        self.reference = False
        self.far = 0
        self.active: tuple[Channel, ...] = ()
        self.changed = True  # since the switches were last taken
        self.began: Channel | None = None  # a channel that has begun to feed since then
        self._log = log

    def channel(self, number: int) -> Channel:
        """Channel ``number``, counted from 1."""
        return self.channels[number - 1]

    @property
    def probing(self) -> bool:
        """Whether the one probe or the one pulse resistor is in use."""
        return any(c.short_watch or c.state in (ChannelState.PROBE, ChannelState.PULSE) for c in self.active)

    def arm(self, tick: int) -> None:
        """Allow outputs."""
        if not self.armed:
            self.armed = True
            self._log(EventKind.ARMED, 0, 0)
            for channel in self.channels:
                channel.permit(tick)

    def all_off(self, tick: int) -> None:
        """Everything off and disarmed."""
        for channel in self.channels:
            channel.hold(tick)
        self.set_returns(Return.NONE)
        self.reference = False
        self.far = 0
        if self.armed:
            self.armed = False
            self._log(EventKind.DISARMED, 0, 0)
        self.refresh()

    def set_returns(self, returns: Return) -> None:
        """Close these return switches and open the others."""
        if returns != self.returns:
            self.returns = returns
            self.changed = True
            self._log(EventKind.RETURNS, 0, int(returns))

    def set_reference(self, on: bool) -> None:
        """Connect the reference resistor, or not."""
        self.reference = on
        self.changed = True

    def join_far(self, pins: int) -> None:
        """Join these pins of the second socket and open the others."""
        self.far = pins
        self.changed = True

    def off(self, mask: int, tick: int) -> None:
        """Turn the channels of ``mask`` off (bit 0 is channel 1) and clear their trips."""
        resting = ChannelState.OFF if self.armed else ChannelState.HELD_OFF
        for channel in self.channels:
            if mask >> (channel.number - 1) & 1:
                channel.off(tick, resting)
        self.refresh()

    def refresh(self) -> None:
        """Note that a channel has changed by a command."""
        self.active = tuple(channel for channel in self.channels if channel.active)
        self.changed = True

    def step(self, truth: Truth, tick: int, ticks: int) -> None:
        """Let every active channel see what its pin did over the last ``ticks``."""
        changed = False
        for channel in self.active:
            n = channel.number - 1
            feed = channel.feed
            channel.step(tick, ticks, truth.pin_v[n], truth.pin_a[n], truth.limiting[n])
            changed |= channel.feed is not feed
        if changed:
            self.refresh()

    def deadline(self, truth: Truth, tick: int) -> int:
        """Next tick at which a channel must be stepped though nothing changes in the plant."""
        return min(channel.deadline(tick, truth.pin_a[channel.number - 1]) for channel in self.active)

    def take_switches(self) -> Switches:
        """Switch positions to be set now."""
        self.changed = False
        return Switches(tuple(channel.feed for channel in self.channels), self.returns, self.reference, self.far)
