"""One output channel: the state machine of ``states.py`` with its timers and its protection.

``step`` runs once a tick for a channel in an ACTIVE state, after the plant has moved. Everything
that can end a state is decided there or by a command; nothing else changes ``state``.
"""

from collections.abc import Callable

from bench.contract.table import ChannelState, EventKind, TripReason
from firmware_sim.firmware.budget import FullTries, LimitWatch, RollingRms
from firmware_sim.firmware.sensing import Log
from firmware_sim.firmware.settings import ChannelSettings
from firmware_sim.firmware.states import ACTIVE, ALLOWED
from firmware_sim.firmware.wiggle import ShortWatch
from firmware_sim.port import Feed, FeedMode

NEVER = 1 << 62
FULL_TRY = frozenset({TripReason.LIMIT_TIME, TripReason.ENERGY})
FEED_OFF = Feed()
FEED_PROBE = Feed(FeedMode.PROBE)
FEED_PULSE = Feed(FeedMode.PULSE)

OFF, HELD_OFF = ChannelState.OFF, ChannelState.HELD_OFF
PROBE, PULSE = ChannelState.PROBE, ChannelState.PULSE
RAMP, ON, LIMIT = ChannelState.RAMP, ChannelState.ON, ChannelState.LIMIT
RETRY, TRIPPED = ChannelState.RETRY, ChannelState.TRIPPED


class Channel:
    """Channel ``number``, counted from 1.

    Args:
        log: enters an event.
        shot: called at the end of a timed probe or pulse, while it still feeds, with the number
            of ticks that it has fed.
    """

    def __init__(self, number: int, log: Log, shot: Callable[[int], None]) -> None:
        self.number = number
        self.settings = ChannelSettings()
        self.state = HELD_OFF
        self.feed = FEED_OFF
        self.trips = 0
        self.since = 0  # tick at which the present state began
        self.short_watch: ShortWatch | None = None  # there while the channel is exercised by WIGGLE
        self._log = log
        self._shot = shot
        self._due = NEVER
        self._level = 1.0
        self._tries_left = 0
        self._try = LimitWatch()
        self._rms = RollingRms()
        self._full_tries = FullTries()

    @property
    def active(self) -> bool:
        """Whether it feeds or may feed again without a command."""
        return self.state in ACTIVE

    @property
    def watched(self) -> bool:
        """Whether the wiggle monitor looks at its conduction: on, or under a lasting probe."""
        return self.state is ON or (self.state is PROBE and (self._due == NEVER or self.short_watch is not None))

    @property
    def spell(self) -> object:
        """Changes whenever the monitor must look at the channel afresh; one exercise is one spell."""
        return self.short_watch or self.since

    def budget_used(self, tick: int) -> bool:
        """Whether the wire must cool before another switch-on."""
        return self._full_tries.allowed_at(tick) > tick or self._rms.still_over(tick, self.settings.rms_a)

    # --- commands: the caller has checked that they are allowed ---

    def probe(self, tick: int, ticks: int) -> None:
        """Feed through the probe resistor for ``ticks``, 0 until switched off."""
        self._enter(PROBE, tick, due=tick + ticks if ticks else NEVER)

    def pulse(self, tick: int, ticks: int) -> None:
        """Feed through the pulse resistor for ``ticks``."""
        self._enter(PULSE, tick, due=tick + ticks)

    def drive(self, tick: int, level: float) -> None:
        """Soft-start, or change the level of a channel that is on."""
        self._level = level
        if self.state is ON:
            self.feed = self._drive_feed(self.settings.limit_a)
            return
        self._tries_left = self.settings.retries
        self._start_try(tick)

    def wiggle(self, tick: int) -> None:
        """Probe, with current pulses in between, until switched off."""
        self._level = 1.0
        self._enter(PROBE, tick, due=tick + self.settings.wiggle_period_ticks)
        self.short_watch = ShortWatch(self.number, self._log)

    def off(self, tick: int, resting: ChannelState) -> None:
        """Switch off and forget trips; ``resting`` is OFF when armed, else HELD_OFF."""
        self.short_watch = None
        self.trips = 0
        if self.state is not HELD_OFF and self.state is not resting:
            self._enter(resting, tick)

    def hold(self, tick: int) -> None:
        """Switch off because disarmed; a trip stays latched."""
        self.short_watch = None
        if self.state is not TRIPPED and self.state is not HELD_OFF:
            self._enter(HELD_OFF, tick)

    def permit(self, tick: int) -> None:
        """The board has been armed."""
        if self.state is HELD_OFF:
            self._enter(OFF, tick)

    # --- time ---

    def deadline(self, tick: int, pin_a: float) -> int:
        """Tick at which ``step`` must run again though nothing changes in the plant."""
        if self.state is RAMP or self.state is LIMIT:
            return tick + 1
        if self.state is ON:
            return self._rms.deadline(tick, pin_a, self.settings.rms_a)
        return self._due

    def step(self, tick: int, ticks: int, pin_v: float, pin_a: float, limiting: bool) -> None:
        """Take note of what the pin did over the last ``ticks`` and change state where due."""
        state = self.state
        if state is PROBE:
            self._step_probe(tick, pin_v)
        elif state is RETRY:
            self._step_retry(tick)
        else:
            self._rms.add(tick, ticks, pin_a)
            if state is PULSE:
                self._step_pulse(tick)
            elif self.short_watch:
                self._step_wiggle_pulse(self.short_watch, tick, pin_v, pin_a, limiting)
            else:
                self._step_driven(tick, ticks, pin_v, pin_a, limiting)

    def _step_probe(self, tick: int, pin_v: float) -> None:
        if self.short_watch:
            self.short_watch.probed(pin_v, tick - self.since)
        if tick < self._due:
            return
        if self.short_watch:
            self.short_watch.begin_pulse()
            self._enter(RAMP, tick, due=tick + self.settings.wiggle_ticks, limit_a=self.settings.wiggle_limit_a)
            return
        self._shot(tick - self.since)
        self._enter(OFF, tick)

    def _step_pulse(self, tick: int) -> None:
        if tick >= self._due:
            self._shot(tick - self.since)
            self._enter(OFF, tick)

    def _step_retry(self, tick: int) -> None:
        if tick >= self._due:
            self._start_try(tick)

    def _step_wiggle_pulse(self, watch: ShortWatch, tick: int, pin_v: float, pin_a: float, limiting: bool) -> None:
        watch.pulsed(pin_v, pin_a, limiting)
        if self._rms.over(self.settings.rms_a):
            self._trip(TripReason.RMS, tick)
        elif tick >= self._due:
            watch.end_pulse()
            self._enter(PROBE, tick, due=self.since + self.settings.wiggle_period_ticks)

    def _step_driven(self, tick: int, ticks: int, pin_v: float, pin_a: float, limiting: bool) -> None:
        reason: TripReason | None = None
        if limiting:
            reason = self._try.limited(pin_v, pin_a, self.settings)
        else:
            self._try.free(ticks)
        if self._rms.over(self.settings.rms_a):
            reason = TripReason.RMS
        if reason is not None:
            self._trip(reason, tick)
        elif self.state is not RAMP or tick >= self._due:
            self._run(LIMIT if limiting else ON, tick)

    # --- transitions ---

    def _run(self, state: ChannelState, tick: int) -> None:
        if state is not self.state:
            self._enter(state, tick, limit_a=self.settings.limit_a)

    def _start_try(self, tick: int) -> None:
        self._try = LimitWatch()
        self._enter(RAMP, tick, due=tick + self.settings.start_ticks, limit_a=self.settings.start_limit_a)

    def _trip(self, reason: TripReason, tick: int) -> None:
        self.trips += 1
        self._log(EventKind.TRIP, self.number, reason)
        if reason in FULL_TRY:
            self._full_tries.add(tick)
        if self._tries_left and reason is not TripReason.RMS and self.short_watch is None:
            self._tries_left -= 1
            due = self._full_tries.allowed_at(tick + self.settings.pause_ticks)
            self._enter(RETRY, tick, due=due)
            return
        if self.settings.retries and reason is not TripReason.RMS:
            self._log(EventKind.TRIP, self.number, TripReason.TRIES)
        self.short_watch = None
        self._enter(TRIPPED, tick)

    def _enter(self, state: ChannelState, tick: int, due: int = NEVER, limit_a: float = 0.0) -> None:
        if (self.state, state) not in ALLOWED:
            raise AssertionError(f"channel {self.number}: {self.state.name} to {state.name} is not in the table")
        armed_or_not = {self.state, state} == {OFF, HELD_OFF}
        self.state = state
        self.since = tick
        self._due = due
        feed = self._feed_of(state, limit_a)
        if feed != self.feed:  # LIMIT and ON feed alike: nothing is to be switched between them
            self.feed = feed
        # ARMED and DISARMED tell that all channels rest otherwise now, and a wiggle changes twenty times a second.
        if not armed_or_not and self.short_watch is None:
            self._log(EventKind.CHANNEL_STATE, self.number, state)

    def _feed_of(self, state: ChannelState, limit_a: float) -> Feed:
        if state is PROBE:
            return FEED_PROBE
        if state is PULSE:
            return FEED_PULSE
        return self._drive_feed(limit_a) if limit_a else FEED_OFF

    def _drive_feed(self, limit_a: float) -> Feed:
        return Feed(FeedMode.DRIVE, limit_a, self._level)
