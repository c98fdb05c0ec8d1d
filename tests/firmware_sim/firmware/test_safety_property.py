"""Whatever a host says and whatever happens, nothing is on that may not be.

The machine plays hosts, harness and weather against the firmware. What may be on is judged from
outside: from the plant's switches, from what the plant does, and from which commands were answered
with "carried out"; never from the firmware's own idea of its state.
"""

from dataclasses import dataclass, field, replace

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from bench.contract.table import (
    BOARD_HOT_DEGC,
    COMMANDS,
    TICK_S,
    ChannelState,
    CommandCode,
    Fault,
    Mode,
    Refusal,
    Return,
)
from firmware_sim.firmware import Board
from firmware_sim.port import FeedMode, Switches
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant, Lamp
from tests.firmware_sim.host import CHANNEL_18AWG, Host

CHANNELS = 3
LARGEST_A = 20.0
LOADS = (0.02, 0.7, 3.2, 1e9, Lamp(0.23, 3.0, 0.05))
OFF_COMMANDS = (CommandCode.SAFE, CommandCode.RELEASE, CommandCode.RESTART)


def something_is_on(switches: Switches) -> bool:
    feeding = any(feed.mode is not FeedMode.OFF for feed in switches.feeds)
    return feeding or switches.returns is not Return.NONE or switches.reference


@dataclass
class Outside:
    """What an observer who trusts no register knows."""

    armed: bool = False
    kicked_s: float | None = None
    watchdog_s: float = 0.5
    silent_at_s: float | None = None
    board_set: bool = False
    limits_a: dict[int, float] = field(default_factory=dict)


class AnyHostAnyWeather(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.plant = FakePlant(channels=CHANNELS, ohm={1: 3.2, 2: 3.2, 3: 0.05})
        self.board = Board(self.plant, ExactSensors())
        self.hosts = {key: Host(self.board, key) for key in (7, 8)}
        self.outside = Outside()
        self.restarts_asked = False

    # --- hosts ---

    @initialize()
    def get_ready(self) -> None:
        host = self.hosts[7]
        host.arm()
        self.outside = Outside(True, 0.0, 0.5, 0.5, True, dict.fromkeys(range(1, CHANNELS + 1), 15.0))

    @rule(
        key=st.sampled_from([7, 7, 7, 8]),
        command=st.sampled_from(COMMANDS),
        channel=st.integers(0, CHANNELS + 1),
        other=st.sampled_from([0, 1, 5, 20, 300, 1000]),
    )
    def command(self, key, command, channel, other) -> None:
        self._give(key, command.code, channel, other, 5)

    def switch_on(self, channel: int, code: CommandCode) -> None:
        self._give(7, code, channel, {CommandCode.DRIVE: 1000}.get(code, 20), 0)

    @rule(
        left_out=st.sets(st.integers(0, 6), max_size=2),
        first=st.sampled_from([None, *OFF_COMMANDS]),
        limit_ma=st.sampled_from([0, 15_000]),
        code=st.sampled_from([CommandCode.DRIVE, CommandCode.WIGGLE, CommandCode.PROBE, CommandCode.PULSE]),
    )
    def get_ready_and_switch_on(self, left_out, first, limit_ma, code) -> None:
        """All that is needed, or all but one or two of it, from any state before."""
        if first:
            self._give(7, first)
            self._settle()
        steps = [
            lambda: self._give(7, CommandCode.CLAIM),
            lambda: self._give(7, CommandCode.KICK),
            self._clear,
            lambda: self.set_board(500, 12_000),
            lambda: self.set_channel(1, limit_ma),
            lambda: self._give(7, CommandCode.ARM),
            lambda: self._give(7, CommandCode.RETURNS, 3),
        ]
        for number, step in enumerate(steps):
            if number not in left_out:
                step()
        self.switch_on(1, code)

    def _clear(self) -> None:
        self._settle()
        self._give(7, CommandCode.CLEAR, int(self.hosts[7].snapshot().faults))

    @rule()
    def switch_off(self) -> None:
        self._give(7, CommandCode.OFF, 0xFFFF)

    def _give(self, key: int, code: CommandCode, *arguments: int) -> None:
        refusal = self.hosts[key].command(code, *arguments)
        if refusal is not Refusal.NONE:
            return
        if code is CommandCode.KICK:
            self.outside.kicked_s = self.plant.time_s
            self.outside.silent_at_s = self.plant.time_s + self.outside.watchdog_s
        elif code is CommandCode.ARM:
            self.outside.armed = True
        elif code in OFF_COMMANDS:
            self.outside.armed = False
            self.restarts_asked |= code is CommandCode.RESTART

    @rule(channel=st.integers(1, CHANNELS), limit_ma=st.sampled_from([0, 999, 4000, 15_000, 20_001]))
    def change_channel(self, channel, limit_ma) -> None:
        self.set_channel(channel, limit_ma)

    def set_channel(self, channel: int, limit_ma: int) -> None:
        values = list(CHANNEL_18AWG)
        values[0], values[2], values[8] = min(6000, limit_ma), limit_ma, min(5000, limit_ma)
        if self.hosts[7].set_channel(channel, *values) is Refusal.NONE:
            self.outside.limits_a[channel] = limit_ma / 1000

    @rule(watchdog_ms=st.sampled_from([10, 50, 500, 2000]), nominal_mv=st.sampled_from([0, 12_000, 24_000]))
    def change_board(self, watchdog_ms, nominal_mv) -> None:
        self.set_board(watchdog_ms, nominal_mv)

    def set_board(self, watchdog_ms: int, nominal_mv: int) -> None:
        if self.hosts[7].set_board(watchdog_ms, 0, nominal_mv) is Refusal.NONE:
            self.outside.watchdog_s = watchdog_ms / 1000
            self.outside.silent_at_s = None
            self.outside.board_set = True
            self.nominal_mv = nominal_mv
            self._settle()

    nominal_mv = 12_000

    # --- weather ---

    @rule(milliseconds=st.sampled_from([0.3, 1, 2, 7, 20, 100, 260, 1100]), kicking=st.booleans())
    def wait(self, milliseconds, kicking) -> None:
        if kicking:
            self._give(7, CommandCode.KICK)
        self.board.advance_to(self.board.time_s + milliseconds / 1000)
        if self.restarts_asked and milliseconds >= 1:
            self._forget()

    @rule(channel=st.integers(1, CHANNELS), load=st.sampled_from(LOADS))
    def load(self, channel, load) -> None:
        self.plant.ohm[channel] = load

    @rule()
    def fair_weather(self) -> None:
        self.plant.supply_v = 12.8
        self._weather(emergency_stop=False, board_c=25.0)

    @rule(pressed=st.booleans())
    def emergency_stop(self, pressed) -> None:
        self._weather(emergency_stop=pressed)

    @rule(board_c=st.sampled_from([25.0, 86.0]))
    def temperature(self, board_c) -> None:
        self._weather(board_c=board_c)

    @rule(volts=st.sampled_from([8.0, 12.8, 17.0, 25.0]))
    def supply(self, volts) -> None:
        self.plant.supply_v = volts
        self._settle()

    @precondition(lambda self: self.outside.armed)
    @rule()
    def glitch(self) -> None:
        self._weather(restarts=self.plant.conditions.restarts + 1)
        self._forget()

    def _weather(self, **values: object) -> None:
        self.plant.conditions = replace(self.plant.conditions, **values)
        self._settle()

    def _settle(self) -> None:
        """A cause has one tick to be acted upon."""
        self.board.advance_to(self.board.time_s + TICK_S)
        if self.restarts_asked:
            self._forget()

    def _forget(self) -> None:
        self.outside, self.restarts_asked = Outside(), False

    # --- what must hold ---

    @invariant()
    def nothing_is_on_that_may_not_be(self) -> None:
        on = something_is_on(self.plant.switches)
        outside, plant = self.outside, self.plant
        if not on:
            return
        assert outside.armed
        assert outside.board_set
        assert outside.kicked_s is not None
        assert plant.time_s - outside.kicked_s < outside.watchdog_s
        assert not plant.conditions.emergency_stop
        assert plant.conditions.board_c <= BOARD_HOT_DEGC
        low_v, high_v = (9.0, 16.0) if self.nominal_mv == 12_000 else (18.0, 32.0)
        assert low_v <= plant.supply_v <= high_v

    @invariant()
    def silence_was_acted_upon_when_it_was_long_enough(self) -> None:
        end_s = self.outside.silent_at_s
        if end_s is None or self.plant.time_s < end_s:
            return
        at_end = [switches for t, switches in self.plant.switched if t <= end_s + 1e-9][-1]
        assert not something_is_on(at_end)

    @invariant()
    def no_feed_is_above_its_limit(self) -> None:
        for number, feed in enumerate(self.plant.switches.feeds, start=1):
            if feed.mode is not FeedMode.OFF:
                assert self.outside.limits_a.get(number, 0.0) > 0
            if feed.mode is FeedMode.DRIVE:
                assert feed.limit_a <= self.outside.limits_a[number] <= LARGEST_A

    @invariant()
    def registers_and_switches_agree(self) -> None:
        seen = self.hosts[8].snapshot()
        fed = {ChannelState.PROBE, ChannelState.PULSE, ChannelState.RAMP, ChannelState.ON, ChannelState.LIMIT}
        for reading, feed in zip(seen.channels, self.plant.switches.feeds, strict=True):
            assert (reading.state in fed) == (feed.mode is not FeedMode.OFF)
        assert seen.returns == self.plant.switches.returns
        if seen.faults or Mode.ARMED not in seen.mode:
            assert not something_is_on(self.plant.switches)
        assert Fault(int(seen.causes)) & ~seen.faults == Fault(0), "a cause is always latched"


AnyHostAnyWeather.TestCase.settings = settings(max_examples=80, stateful_step_count=50, deadline=None, derandomize=True)
TestNothingIsOnThatMayNotBe = AnyHostAnyWeather.TestCase
