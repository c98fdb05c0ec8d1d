"""A board without a wire: commands change its switches at once, and a log says when."""

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from bench.contract.readings import Capture, ChannelReading, Event, EventPage, Identity, Snapshot
from bench.contract.table import Capability, ChannelState, EventKind, Fault, Mode, Refusal, Return, Valve
from bench.errors import BoardRefused, LinkError
from bench.profiles.model import (
    CHASSIS,
    Circuit,
    Connector,
    Filament,
    Joint,
    Led,
    Load,
    Pin,
    Profile,
    Protection,
    Segment,
    pin_node,
)

EVERYTHING = Capability(0x7FF) & ~(Capability.AIR | Capability.REGULATOR)
EXCHANGE_S = 0.002
CHANNELS = 8

IDENTITY = Identity(
    contract=(1, 0), channels=CHANNELS, capabilities=EVERYTHING, probe_ohm=1000.0, pulse_ohm=10.0, reference_ohm=10.0,
    pull_down_ohm=100_000.0, largest_current_a=20.0, current_gain_error=0.02, current_offset_error_a=0.01,
    voltage_gain_error=0.003, voltage_offset_error_v=0.003, capture_rate_hz=5000, capture_samples=2000,
    event_depth=256, air_inputs=0, valves=0, serial="F-1", firmware="fake 1", calibrated="",
)  # fmt: skip


def small_profile(*, nominal_v: int = 12) -> Profile:
    """Ground on pin 1; stop (2 x 27 W) on pin 2, tail (LED) on pin 3, left turn (27 W) on pin 4."""
    live = {"stop": 2, "tail": 3, "left-turn": 4}
    loads = {
        "stop-left": ("stop", Filament(12.8, 27.0)),
        "stop-right": ("stop", Filament(12.8, 27.0)),
        "tail-lamp": ("tail", Led(7.8, 5.0, 0.33)),
        "left-turn-lamp": ("left-turn", Filament(12.8, 27.0)),
    }
    return Profile(
        name="small",
        title="Three circuits",
        kind="trailer",
        connector=Connector(
            "four",
            "Four pins",
            "none",
            nominal_v,
            tuple(Pin(n, "ground" if n == 1 else "feed", n == 1, "white", "", 0.0, 0.0, str(n)) for n in (1, 2, 3, 4)),
            "made up for tests",
        ),
        nominal_v=nominal_v,
        circuits=tuple(Circuit(name, name, pin) for name, pin in live.items()),
        segments=(
            Segment("ground-wire", pin_node(1), "rear", 10.0, 5.0),
            *(Segment(f"{name}-wire", pin_node(pin), f"feed.{name}", 10.0, 2.0) for name, pin in live.items()),
        ),
        joints=(Joint("bond", "rear", CHASSIS, 0.01, ground=True),),
        loads=tuple(Load(name, name, kind, f"feed.{c}", "rear", c) for name, (c, kind) in loads.items()),
        limits={},
        channel_of_pin={2: 1, 3: 2, 4: 3},
    )


@dataclass
class Output:
    """One channel's switch."""

    state: ChannelState = ChannelState.HELD_OFF
    until_s: float | None = None


class FakeBoard:
    """Loads are plain resistances to a common ground: ``ohm[channel]``.

    ``at_exchange[n]`` is called just before the n-th exchange is carried out. With
    ``protects`` false the board does what it is told, like a relay card.
    """

    def __init__(self, *, protects: bool = True, capabilities: Capability = EVERYTHING) -> None:
        self.identity_is = replace(IDENTITY, capabilities=capabilities)
        self.ohm = {1: 3.2, 2: 40.0, 3: 6.4}
        self.cold_ratio = 13.0
        self.ground_ohm = 0.05
        self.supply_v = 12.8
        self.protects = protects
        self.log: list[tuple[float, str]] = []
        self.events_held: list[Event] = []
        self.at_exchange: dict[int, Callable[[], None]] = {}
        self.exchanges = 0
        self.exchange_s = EXCHANGE_S
        self.wire = asyncio.Lock()
        self.link_lost = False
        self.held_by_another = False
        self.emergency_stop = False
        self.faults = Fault(0)
        self.mode = Mode(0)
        self.closed = Return.BOTH
        self.outputs = [Output() for _ in range(CHANNELS)]
        self.limits_set: set[int] = set()
        self.watchdog_s = 0.5
        self.kicked_s: float | None = None
        self.shots = 0
        self.shot_late_s = 0.0
        self.last_shot: Snapshot | None = None
        self.position = 0
        self.capture_channel = 0
        self.self_test_passes = True
        self.valves = 0
        self.air = (0,) * 6

    # --- what tests ask ---

    @property
    def on(self) -> set[int]:
        """Channels with any feed, now."""
        self._live()
        return {n for n, output in enumerate(self.outputs, 1) if output.state not in _RESTING}

    def said(self, word: str) -> list[float]:
        """Times of the log entries that begin with ``word``."""
        return [when for when, text in self.log if text.split()[0] == word]

    def press_stop(self) -> None:
        self.emergency_stop = True
        self._live()

    def lose_link(self) -> None:
        self.link_lost = True

    def raise_fault(self, fault: Fault) -> None:
        self.faults |= fault
        self._all_off(f"fault {fault!r}")

    # --- its own life ---

    def _now(self) -> float:
        return asyncio.get_running_loop().time()

    def _enter(self, text: str) -> None:
        self.log.append((self._now(), text))

    def _event(self, kind: EventKind, index: int, value: int) -> None:
        self.events_held.append(Event(self.position, round(self._now() * 1e6), kind, index, value))
        self.position += 1

    def _live(self) -> None:
        for output in self.outputs:
            if output.until_s is not None and self._now() >= output.until_s:
                self._finish_shot(output)
        if not self.protects:
            return
        if self.emergency_stop and Fault.EMERGENCY_STOP not in self.faults:
            self.raise_fault(Fault.EMERGENCY_STOP)
        if self.kicked_s is not None and self._now() - self.kicked_s > self.watchdog_s:
            self.kicked_s = None
            self.raise_fault(Fault.HOST_SILENT)

    def _finish_shot(self, output: Output) -> None:
        self.shots += 1
        self.last_shot = replace(self._snapshot(), sequence=self.shots)
        output.state, output.until_s = ChannelState.OFF, None

    def _all_off(self, why: str) -> None:
        self.mode &= ~Mode.ARMED
        self.valves = 0
        for number, output in enumerate(self.outputs, 1):
            if output.state is not ChannelState.HELD_OFF:
                self._event(EventKind.CHANNEL_STATE, number, ChannelState.HELD_OFF)
            output.state, output.until_s = ChannelState.HELD_OFF, None
        self._enter(f"all-off {why}")

    def _fed_ohm(self, state: ChannelState) -> float:
        return {ChannelState.PROBE: 1000.0, ChannelState.PULSE: 10.0}.get(state, 0.0)

    def _snapshot(self) -> Snapshot:
        ground_ohm = self.ground_ohm if self.closed else 1e9
        currents = {}
        for number, output in enumerate(self.outputs, 1):
            if output.state not in _RESTING:
                fed_ohm = self._fed_ohm(output.state)
                hot_ohm = self.ohm.get(number, 1e9)
                cold = fed_ohm and number != 2 and hot_ohm > 1.0
                ohm = hot_ohm / self.cold_ratio if cold else hot_ohm
                currents[number] = (self.supply_v / (fed_ohm + ohm + ground_ohm), ohm)
        total_a = sum(amps for amps, _ in currents.values())
        ground_v = min(total_a * ground_ohm, self.supply_v)
        share = {Return.BOTH: 0.5, Return.PIN: 1.0, Return.CHASSIS: 0.0, Return.NONE: 0.0}[self.closed]
        rows = [
            ChannelReading(
                output.state,
                ground_v + currents[n][0] * currents[n][1] if n in currents else ground_v,
                currents[n][0] if n in currents else 0.0,
                0,
                0,
            )
            for n, output in enumerate(self.outputs, 1)
        ]
        return Snapshot(
            sequence=self.exchanges & 0xFFFF, uptime_us=round(self._now() * 1e6), mode=self.mode, faults=self.faults,
            causes=Fault.EMERGENCY_STOP if self.emergency_stop else Fault(0), boots=1, command_sequence=0,
            command_result=0, events_head=self.position, shot_sequence=self.shots, supply_v=self.supply_v,
            supply_a=total_a, reference_a=1.28 if Mode.REFERENCE_ON in self.mode else 0.0, ambient_c=20.0,
            board_c=30.0, returns=self.closed, return_pin_a=total_a * share, return_chassis_a=total_a * (1 - share),
            chassis_sense_v=ground_v, ground_pin_v=0.0, valves=self.valves, air=self.air, channels=tuple(rows),
        )  # fmt: skip

    async def _exchange(self, text: str | None = None) -> None:
        async with self.wire:
            self.exchanges += 1
            if hook := self.at_exchange.get(self.exchanges):
                hook()
            await asyncio.sleep(self.exchange_s)
        if self.link_lost:
            raise LinkError("fake: nothing answers")
        self._live()
        if text is not None:
            self._enter(text)

    # --- reads ---

    async def open(self) -> Identity:
        await self._exchange()
        return self.identity_is

    async def snapshot(self) -> Snapshot:
        await self._exchange()
        return self._snapshot()

    async def shot(self) -> Snapshot:
        await self._exchange()
        return self.last_shot or replace(self._snapshot(), sequence=0)

    async def events(self) -> EventPage:
        await self._exchange()
        page, self.events_held = self.events_held[:14], self.events_held[14:]
        return EventPage(tuple(page), 0)

    async def capture(self) -> Capture:
        await self._exchange()
        amps = self.supply_v / self.ohm.get(self.capture_channel, 1e9)
        return Capture(self.capture_channel, 0, 0.001, (amps,) * 120, (self.supply_v,) * 120)

    async def wait(self, seconds: float) -> Snapshot:
        await asyncio.sleep(seconds)
        return await self.snapshot()

    async def wait_until(self, uptime_s: float) -> Snapshot:
        seen = await self.snapshot()
        return seen if seen.uptime_s >= uptime_s else await self.wait(uptime_s - seen.uptime_s)

    # --- settings and commands ---

    async def set_board(self, watchdog_s: float, pressure_ceiling_pa: float, nominal_v: float) -> None:
        await self._exchange(f"set-board {nominal_v:g} V {pressure_ceiling_pa:g} Pa")
        self.watchdog_s = watchdog_s

    async def set_channel(self, channel: int, protection: Protection) -> None:
        await self._exchange(f"set-channel {channel} {protection.limit_a:g} A")
        self.limits_set.add(channel)

    async def claim(self) -> None:
        await self._exchange("claim")
        if self.held_by_another:
            raise BoardRefused("claim", Refusal.HELD_BY_ANOTHER)
        self.mode |= Mode.CLAIMED

    async def release(self) -> None:
        await self._exchange("release")
        self._all_off("release")
        self.mode &= ~Mode.CLAIMED
        self.kicked_s = None

    async def kick(self) -> None:
        await self._exchange("kick")
        self.kicked_s = self._now()
        self.mode |= Mode.WATCHDOG_RUNNING

    async def arm(self) -> None:
        await self._exchange("arm")
        if self.faults:
            raise BoardRefused("arm", Refusal.FAULT_LATCHED)
        self.mode |= Mode.ARMED
        for output in self.outputs:
            output.state = ChannelState.OFF

    async def safe(self) -> None:
        await self._exchange("safe")
        self._all_off("safe")

    async def clear(self, faults: Fault) -> None:
        await self._exchange(f"clear {faults!r}")
        self.faults &= ~faults

    async def returns(self, returns: Return) -> None:
        await self._exchange(f"returns {int(returns)}")
        self.closed = returns

    async def _turn_on(self, channel: int, state: ChannelState, text: str, time_s: float = 0.0) -> None:
        await self._exchange(text)
        if self.protects and Mode.ARMED not in self.mode:
            raise BoardRefused(text, Refusal.NOT_ARMED)
        output = self.outputs[channel - 1]
        output.state, output.until_s = state, self._now() + time_s + self.shot_late_s if time_s else None
        self._event(EventKind.CHANNEL_STATE, channel, state)

    async def drive(self, channel: int, level: float = 1.0) -> None:
        await self._turn_on(channel, ChannelState.ON, f"drive {channel} {level:g}")

    async def probe(self, channel: int, time_s: float) -> None:
        await self._turn_on(channel, ChannelState.PROBE, f"probe {channel}", time_s)

    async def pulse(self, channel: int, time_s: float) -> None:
        await self._turn_on(channel, ChannelState.PULSE, f"pulse {channel}", time_s)

    async def wiggle(self, channel: int) -> None:
        await self._turn_on(channel, ChannelState.PROBE, f"wiggle {channel}")

    async def off(self, channels: Iterable[int] | None = None) -> None:
        chosen = range(1, CHANNELS + 1) if channels is None else list(channels)
        await self._exchange("off " + ",".join(map(str, chosen)))
        for channel in chosen:
            self.outputs[channel - 1] = Output(ChannelState.OFF if Mode.ARMED in self.mode else ChannelState.HELD_OFF)

    async def arm_capture(self, channel: int, rate_hz: int, samples: int) -> None:
        await self._exchange(f"capture {channel} {rate_hz} Hz {samples}")
        self.capture_channel = channel

    async def reset_extremes(self) -> None:
        await self._exchange("extremes")

    async def reference(self, on: bool) -> None:
        await self._exchange(f"reference {on:d}")
        self.mode = self.mode | Mode.REFERENCE_ON if on else self.mode & ~Mode.REFERENCE_ON

    async def valve(self, valve: Valve, energise: bool, longest_s: float = 0.0) -> None:
        await self._exchange(f"valve {valve.name} {energise:d} {longest_s:g}")
        self.valves = self.valves | 1 << valve if energise else self.valves & ~(1 << valve)

    async def regulate(self, line: int, pressure_pa: float) -> None:
        await self._exchange(f"regulate {line} {pressure_pa:g}")

    async def self_test(self) -> None:
        await self._exchange("self-test")
        if not self.self_test_passes:
            self.raise_fault(Fault.SELF_TEST)


_RESTING = frozenset({ChannelState.OFF, ChannelState.HELD_OFF, ChannelState.TRIPPED, ChannelState.RETRY})
