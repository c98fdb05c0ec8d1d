"""A small scripted board: memory and a command log, no electricity.

It keeps the contract's bookkeeping (tags, sequences, settings, events, captures) and nothing
else, so that a test of the link sees only the link.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from bench.contract.fields import Block, RawValue
from bench.contract.table import (
    BLOCKS,
    BOARD_SETTINGS,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    COMMAND,
    CONTRACT_MAGIC,
    EVENTS,
    EVENTS_PER_READ,
    EXTREMES,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    CommandCode,
    Refusal,
)

IDENTITY_VALUES: dict[str, RawValue] = {
    "magic": CONTRACT_MAGIC, "contract_major": 1, "contract_minor": 0, "channels": 8, "capabilities": 0x1FF,
    "probe_resistance": 10_000, "pulse_resistance": 1000, "reference_resistance": 10_000, "pull_down_resistance": 1000,
    "largest_current": 20_000, "current_gain_error": 100, "current_offset_error": 100, "voltage_gain_error": 30,
    "voltage_offset_error": 30, "capture_rate": 5000, "capture_samples": 2000, "event_depth": 64, "air_inputs": 3,
    "valves": 4, "serial": "FAKE-7", "firmware": "fake 1.0", "calibrated": "",
}  # fmt: skip


@dataclass
class FakeBoard:
    """Registers of a board that does nothing but remember.

    Attributes:
        commands: every command taken, as (sequence, key, code, a, b, c).
        refusals: what to answer to a command code, or to a write of the block of that name.
        snapshot: raw header fields that differ from the default.
        events: (uptime_us, kind, index, value), oldest first, from position ``first`` on.
        samples: capture memory, (mA, mV).
    """

    identity: dict[str, RawValue] = field(default_factory=lambda: dict(IDENTITY_VALUES))
    commands: list[tuple[int, ...]] = field(default_factory=list)
    refusals: dict[object, Refusal] = field(default_factory=dict)
    snapshot: dict[str, RawValue] = field(default_factory=dict)
    channel_rows: list[tuple[int, ...]] = field(
        default_factory=lambda: [(4, 12_000 + n, 1500 + n, n, 0) for n in range(8)]
    )
    events: list[tuple[int, int, int, int]] = field(default_factory=list)
    first: int = 0
    samples: list[tuple[int, int]] = field(default_factory=list)
    capture_channel: int = 3
    time_s: float = 0.0
    clock_rate: float = 1.0
    boots: int = 7
    command_sequence: int = 0
    command_result: int = 0
    reads: dict[int, int] = field(default_factory=dict)
    settings: dict[int, tuple[int, ...]] = field(default_factory=dict)

    def advance_to(self, time_s: float) -> None:
        self.time_s = max(self.time_s, time_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        block, index = self._at(address)
        self.reads[address] = self.reads.get(address, 0) + 1
        rows = self.rows(block)
        registers = (block.tag(self.reads[address]), *block.pack(self.values(block, index), rows))
        if count > len(registers):
            raise IndexError(f"no registers {address}..{address + count - 1}")
        return registers[:count]

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        block, _ = self._at(address - 1)
        if block is COMMAND:
            return self._take(tuple(int(value) for value in block.unpack(values)))
        refusal = self.refusals.get(block.name, Refusal.NONE)
        if refusal is Refusal.NONE:
            self.settings[address - 1] = tuple(values)
        else:
            self.command_result = refusal
        return refusal

    def _take(self, command: tuple[int, ...]) -> Refusal:
        sequence, _, code, a, *_ = command
        if sequence == self.command_sequence:
            return Refusal(self.command_result)
        refusal = self.refusals.get(CommandCode(code), Refusal.NONE)
        self.command_sequence, self.command_result = sequence, refusal
        self.commands.append(command)
        if not refusal:
            self._act(CommandCode(code), a)
        return refusal

    def _act(self, code: CommandCode, a: int) -> None:
        if code is CommandCode.ACKNOWLEDGE:
            del self.events[: max(0, a - self.first)]
            self.first = max(self.first, a)
        if code is CommandCode.RESTART:
            self.restart()

    def restart(self) -> None:
        """A power glitch: the clock and the event positions begin anew."""
        self.boots += 1
        self.snapshot["uptime"] = 0
        self.events, self.first = [(0, 1, 0, self.boots)], 0
        self.settings.clear()

    def codes(self) -> list[CommandCode]:
        """Command codes taken so far."""
        return [CommandCode(command[2]) for command in self.commands]

    def _at(self, address: int) -> tuple[Block, int]:
        for block in sorted(BLOCKS, key=lambda block: block.address, reverse=True):
            offset = address - block.address
            if offset == 0:
                return block, 1
            if offset > 0 and block.stride and offset % block.stride == 0:
                return block, offset // block.stride + 1
        raise IndexError(f"no register {address}")

    def rows(self, block: Block) -> int:
        """Rows that this board's block has."""
        if block in (SNAPSHOT, SHOT, EXTREMES):
            return int(self.identity["channels"])
        return {EVENTS.name: EVENTS_PER_READ, CAPTURE_PAGE.name: CAPTURE_SAMPLES_PER_PAGE}.get(block.name, 0)

    def values(self, block: Block, index: int) -> list[RawValue]:
        """Raw values of a block, header and rows."""
        if block is IDENTITY:
            return list(self.identity.values())
        if block in (SNAPSHOT, SHOT):
            header = self._snapshot_header()
            return [header[entry.name] for entry in block.header] + [
                value for row in self.channel_rows for value in row
            ]
        if block is EXTREMES:
            return [value for n in range(self.rows(block)) for value in (-n, 12_000 + n, -5, 9000 + n)]
        if block is EVENTS:
            shown = self.events[:EVENTS_PER_READ]
            padding = [0] * 4 * (EVENTS_PER_READ - len(shown))
            return [self.first, len(shown), 0, *(value for event in shown for value in event), *padding]
        if block is CAPTURE:
            return [self.capture_channel if self.samples else 0, 5000, len(self.samples), 1, 1_234_567]
        if block is CAPTURE_PAGE:
            return self._page(index - 1)
        width = len(block.header)
        kept = self.settings.get(block.start(index)) if block in (BOARD_SETTINGS, CHANNEL_SETTINGS) else None
        return list(block.unpack(kept)) if kept else [0] * width

    def _snapshot_header(self) -> dict[str, RawValue]:
        defaults: dict[str, RawValue] = {entry.name: 0 for entry in SNAPSHOT.header}
        standard = {
            "sequence": self.reads.get(SNAPSHOT.address, 0) & 0xFFFF,
            "uptime": round(self.time_s * self.clock_rate * 1e6),
            "boots": self.boots,
            "command_sequence": self.command_sequence,
            "command_result": self.command_result,
            "events_head": self.first + len(self.events),
            "supply_voltage": 12_600,
            "supply_current": -250,
            "ambient_temperature": -105,
            "returns": 3,
            "air_1": 827_000,
            "air_2": -1,
        }
        return defaults | standard | self.snapshot

    def _page(self, page: int) -> list[RawValue]:
        start = page * CAPTURE_SAMPLES_PER_PAGE
        held = self.samples[start : start + CAPTURE_SAMPLES_PER_PAGE]
        padding = [(0, 0)] * (CAPTURE_SAMPLES_PER_PAGE - len(held))
        return [page, *(value for sample in (*held, *padding) for value in sample)]
