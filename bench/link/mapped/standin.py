"""What a firmware would keep: claim, settings, arming, channel states, events, faults. No I/O.

It decides; the link switches the relays and tells it what was read. Only what the modules allow is
offered: DRIVE and OFF, PROBE and RETURNS where there are relays for them, and the bookkeeping.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from bench.contract.fields import Block, RawValue
from bench.contract.table import (
    BOARD_SETTINGS,
    CHANNEL_SETTINGS,
    COMMAND,
    COMMAND_BY_CODE,
    CONTRACT_MAGIC,
    CONTRACT_MAJOR,
    CONTRACT_MINOR,
    EVENTS,
    EVENTS_PER_READ,
    EXTREMES,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    SUPPLY_WINDOWS,
    Capability,
    ChannelState,
    CommandCode,
    EventKind,
    Fault,
    Mode,
    Refusal,
    Return,
    TripReason,
)
from bench.profiles.board_map import BoardMap

EVENT_DEPTH = 256
DEAD_SHARE = 0.5  # of the supply: a driven pin below it has a blown fuse or a relay that does not close
TRIP_SHARE = 1.0  # of the channel's limit
C, R, S = CommandCode, Refusal, ChannelState
_NEEDS = {
    C.PROBE: Capability.PROBE, C.RETURNS: Capability.RETURN_SWITCHES, C.PULSE: Capability.COLD_PULSE,
    C.WIGGLE: Capability.WIGGLE_MONITOR, C.CAPTURE: Capability.CAPTURE, C.AIR_CAPTURE: Capability.AIR_CAPTURE,
    C.REFERENCE: Capability.REFERENCE_RESISTOR, C.VALVE: Capability.AIR, C.REGULATE: Capability.REGULATOR,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Read:
    """What the modules said at one time; V, A and degC by channel number."""

    supply_v: float
    supply_a: float
    voltage_v: dict[int, float]
    current_a: dict[int, float]
    return_a: dict[str, float]
    ambient_c: float


class StandIn:
    """The firmware that the modules lack.

    Attributes:
        driven: channels whose relay must be closed.
        probed: channel under the probe, 0 for none.
        returns: relays that must be closed.
    """

    def __init__(self, board_map: BoardMap) -> None:
        self._map = board_map
        self.driven: set[int] = set()
        self.probed = 0
        self.returns = self._at_rest
        self._armed = False
        self._key = 0
        self._tripped: set[int] = set()
        self._faults = Fault(0)
        self._causes = Fault(0)
        self._shown = Fault(0)
        self._board: tuple[RawValue, ...] = (500, 0, 0)
        self._channels: dict[int, tuple[RawValue, ...]] = {}
        self._last: tuple[int, ...] = (0,) * 6
        self._result = R.NONE
        self._snapshots = self._shots = 0
        self._shot: tuple[RawValue, ...] | None = None
        self._events: deque[tuple[int, int, int, int]] = deque(maxlen=EVENT_DEPTH)
        self._head = self._lost = 0
        self._log(0, EventKind.RESTARTED, 0, 1)

    @property
    def capabilities(self) -> Capability:
        """What the relays allow."""
        able = Capability.FIXED_FUSE
        if self._map.probe:
            able |= Capability.PROBE
        if self._switches_returns:
            able |= Capability.RETURN_SWITCHES
        return able

    @property
    def _at_rest(self) -> Return:
        """Returns without relays are always closed."""
        return Return.NONE if self._map.returns else Return.BOTH

    @property
    def _switches_returns(self) -> bool:
        """Returns can be told apart: each has a relay and its current is measured. Else both are closed while armed."""
        return len(self._map.returns) == len(self._map.return_a) == 2

    # --- blocks ---

    def values(self, block: Block, index: int, now_us: int, read: Read | None) -> tuple[RawValue, ...]:
        """Raw values of a block; ``read`` is needed for the snapshot.

        Raises:
            LookupError: this board has no such block.
        """
        if block.number == IDENTITY.number:
            return self._identity()[: len(block.header)]
        if block.number == SNAPSHOT.number and read is not None:
            self._snapshots = self._snapshots + 1 & 0xFFFF
            self._shown = self._faults
            whole = self._measured(self._snapshots, now_us, read)
            return whole if block.row else whole[: len(block.header)]
        if block.number == SHOT.number:
            return self._shot or (0,) * (len(SHOT.header) + len(SHOT.row) * self._map.channels)
        if block.number == EVENTS.number:
            return self._event_rows()
        if block.number == BOARD_SETTINGS.number:
            return self._board
        if block.number == CHANNEL_SETTINGS.number:
            return self._channels.get(index, (0,) * len(CHANNEL_SETTINGS.header))
        if block.number == COMMAND.number:
            return self._last
        if block.number == EXTREMES.number:
            return (0,) * (len(EXTREMES.row) * self._map.channels)
        raise LookupError(f"these modules have no {block.name}")

    def _identity(self) -> tuple[RawValue, ...]:
        board = self._map
        return (
            CONTRACT_MAGIC, CONTRACT_MAJOR, CONTRACT_MINOR, board.channels, int(self.capabilities),
            round(board.probe_ohm * 10), 0, 0, round(board.pull_down_ohm / 100), round(board.fuse_a * 1000),
            round(board.current_gain_error * 10_000), round(board.current_offset_error_a * 10_000),
            round(board.voltage_gain_error * 10_000), round(board.voltage_offset_error_v * 10_000),
            0, 0, EVENT_DEPTH, 0, 0, "MODULES", board.name[:16], "",
        )  # fmt: skip

    def _measured(self, sequence: int, now_us: int, read: Read) -> tuple[RawValue, ...]:
        mode = (Mode.ARMED if self._armed else Mode(0)) | (Mode.CLAIMED if self._key else Mode(0))
        header = (
            sequence, now_us, int(mode), int(self._faults), int(self._causes), 1, self._last[0], int(self._result),
            self._head, self._shots, _raw(read.supply_v, low=0, high=0xFFFF), _raw(read.supply_a), 0,
            round(read.ambient_c * 10), round(read.ambient_c * 10), int(self.returns),
            _raw(read.return_a.get("pin", 0.0)), _raw(read.return_a.get("chassis", 0.0)), 0, 0, 0, *(0,) * 6,
        )  # fmt: skip
        rows: list[RawValue] = []
        for n in range(1, self._map.channels + 1):
            trips = int(n in self._tripped)
            rows += (int(self._state(n)), _raw(read.voltage_v[n]), _raw(read.current_a.get(n, 0.0)), trips, 0)
        return (*header, *rows)

    def _state(self, n: int) -> ChannelState:
        if n in self._tripped:
            return S.TRIPPED
        if n in self.driven:
            return S.ON
        if n == self.probed:
            return S.PROBE
        return S.OFF if self._armed else S.HELD_OFF

    def _event_rows(self) -> tuple[RawValue, ...]:
        rows = list(self._events)[:EVENTS_PER_READ]
        padding = [(0, 0, 0, 0)] * (EVENTS_PER_READ - len(rows))
        first = self._head - len(self._events)
        return (first, len(rows), self._lost, *(value for row in (*rows, *padding) for value in row))

    def _log(self, now_us: int, kind: EventKind, index: int = 0, value: int = 0) -> None:
        self._lost += len(self._events) == EVENT_DEPTH
        self._events.append((now_us, kind.value, index, value))
        self._head += 1

    # --- settings ---

    def write(self, block: Block, values: Sequence[RawValue], index: int) -> Refusal:
        """Keep settings; limits that a fuse can't keep are not looked at."""
        if self.driven or self.probed:
            return R.OUTPUT_ON
        if block.number == BOARD_SETTINGS.number:
            if values[-1] not in [nominal * 1000 for nominal in SUPPLY_WINDOWS]:
                return R.BAD_VALUE
            self._board = tuple(values)
        elif block.number == CHANNEL_SETTINGS.number and 1 <= index <= self._map.channels:
            self._channels[index] = tuple(values)
        else:
            return R.BAD_VALUE
        return R.NONE

    # --- commands ---

    def command(self, raw: tuple[int, ...], now_us: int) -> Refusal:
        """Judge and take a command; what it wants of the relays is in the attributes afterwards."""
        if raw != self._last:
            self._last = raw
            self._result = self._take(raw, now_us)
        return self._result

    def _take(self, raw: tuple[int, ...], now_us: int) -> Refusal:
        _, key, code, *arguments = raw
        command = COMMAND_BY_CODE[CommandCode(code)]
        if command.code is C.CLAIM:
            self._key = key
            return R.NONE
        for argument, value in zip(command.arguments, arguments, strict=False):
            high = self._map.channels if argument.kind == "channel" else argument.high
            if not argument.low <= value <= high:
                return R.BAD_VALUE
        if not command.anyone and key != self._key:
            return R.HELD_BY_ANOTHER if self._key else R.NOT_CLAIMED
        need = _NEEDS.get(command.code)
        if need is not None and need not in self.capabilities:
            return R.NOT_CAPABLE
        if command.switches_on and arguments[0] and (refusal := self._may_feed(command.code, arguments[0])):
            return refusal
        return self._do(command.code, arguments, now_us)

    def _may_feed(self, code: CommandCode, n: int) -> Refusal:
        if self._faults:
            return R.FAULT_LATCHED
        if not self._armed:
            return R.NOT_ARMED
        if code is C.RETURNS:
            return R.NONE
        if n not in self._channels:
            return R.NO_LIMITS
        if n in self._tripped:
            return R.CHANNEL_TRIPPED
        # One at a time: the one current that may be measured must be this channel's, and nothing limits their sum.
        return R.BUSY if self.probed or self.driven - ({n} if code is C.DRIVE else set()) else R.NONE

    def _do(self, code: CommandCode, arguments: Sequence[int], now_us: int) -> Refusal:
        first = arguments[0]
        if code is C.ARM:
            if self._faults or not self._board[-1]:
                return R.FAULT_LATCHED if self._faults else R.NO_LIMITS
            self._armed = True
            self.returns = self.returns if self._switches_returns else Return.BOTH
            self._log(now_us, EventKind.ARMED)
        elif code in (C.SAFE, C.RELEASE):
            self.all_off(now_us)
            self._key = 0 if code is C.RELEASE else self._key
        elif code is C.CLEAR:
            if first & ~int(self._shown):
                return R.FAULT_UNREAD
            if first & int(self._causes):
                return R.CAUSE_PRESENT
            self._faults &= ~Fault(first)
        elif code is C.RETURNS:
            self.returns = Return(first)
            self._log(now_us, EventKind.RETURNS, 0, first)
        elif code is C.DRIVE:
            self.driven.add(first)
            self._log(now_us, EventKind.CHANNEL_STATE, first, S.ON)
        elif code is C.PROBE:
            self.probed = first
            self._log(now_us, EventKind.CHANNEL_STATE, first, S.PROBE)
        elif code is C.OFF:
            self._off({n for n in range(1, self._map.channels + 1) if first >> n - 1 & 1}, now_us)
        elif code is C.ACKNOWLEDGE:
            return self._acknowledge(first)
        return R.NONE

    def _off(self, channels: set[int], now_us: int) -> None:
        for n in sorted(channels & (self.driven | self._tripped | {self.probed})):
            self._log(now_us, EventKind.CHANNEL_STATE, n, S.OFF)
        self._tripped -= channels
        self.driven -= channels
        self.probed = 0 if self.probed in channels else self.probed

    def _acknowledge(self, position: int) -> Refusal:
        if position > self._head:
            return R.BAD_VALUE
        while self._events and self._head - len(self._events) < position:
            self._events.popleft()
        return R.NONE

    # --- what was read ---

    def all_off(self, now_us: int) -> None:
        """No relay is to be closed, and outputs are not allowed."""
        self.driven.clear()
        self.probed, self.returns = 0, self._at_rest
        if self._armed:
            self._armed = False
            self._log(now_us, EventKind.DISARMED)

    def end_probe(self, read: Read, now_us: int) -> None:
        """The probe's reading is taken; its relay is to open."""
        self._shots = self._shots + 1 & 0xFFFF
        self._shot = self._measured(self._shots, now_us, read)
        self._log(now_us, EventKind.CHANNEL_STATE, self.probed, S.OFF)
        self.probed = 0

    def judge(self, read: Read, coils_kept: bool, now_us: int) -> None:
        """Look at what the modules said: supply, relays that opened by themselves, fuses, too much current."""
        causes = Fault(0) if coils_kept else Fault.RESTARTED
        nominal_mv = int(self._board[-1])
        if nominal_mv:
            window = SUPPLY_WINDOWS[nominal_mv // 1000]
            causes |= Fault.SUPPLY_LOW if read.supply_v < window.low_v else Fault(0)
            causes |= Fault.SUPPLY_HIGH if read.supply_v > window.high_v else Fault(0)
        for n in sorted(self.driven):
            limit_a = int(self._channels[n][2]) / 1000 * TRIP_SHARE
            if read.current_a.get(n, 0.0) > limit_a or read.voltage_v[n] < DEAD_SHARE * read.supply_v:
                self._trip(n, now_us)
        self._causes = causes & ~Fault.RESTARTED
        for fault in causes & ~self._faults:
            self._faults |= fault
            self._log(now_us, EventKind.FAULT_SET, 0, fault.value)
            self.all_off(now_us)

    def _trip(self, n: int, now_us: int) -> None:
        self.driven.discard(n)
        self._tripped.add(n)
        self._log(now_us, EventKind.TRIP, n, TripReason.LIMIT_TIME)
        self._log(now_us, EventKind.CHANNEL_STATE, n, S.TRIPPED)


def _raw(value: float, low: int = -0x8000, high: int = 0x7FFF) -> int:
    return min(max(round(value * 1000), low), high)
