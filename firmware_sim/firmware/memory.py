"""Register memory derived from the contract's blocks.

A block is latched when a read includes its tag; a read that begins later sees the latched values, so
that a block read in pieces is still of one instant.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bench.contract.fields import Block, RawValue
from bench.contract.table import (
    BLOCKS,
    CALIBRATION,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    EVENTS,
    EVENTS_PER_READ,
)
from firmware_sim.firmware.capture import LONGEST_SAMPLES


class IllegalAddress(LookupError):  # noqa: N818 - Modbus calls it that
    """No block stands at these registers, or they cannot be written so. Modbus exception 2."""


@dataclass(slots=True)
class Window:
    """One instance of a block in memory."""

    block: Block
    index: int
    rows: int
    start: int
    registers: tuple[int, ...]
    reads: int = 0


def _windows(channels: int) -> list[Window]:
    rows = {EVENTS: EVENTS_PER_READ, CAPTURE_PAGE: CAPTURE_SAMPLES_PER_PAGE}
    pages = -(-LONGEST_SAMPLES // CAPTURE_SAMPLES_PER_PAGE)
    instances = {CHANNEL_SETTINGS: channels, CALIBRATION: channels, CAPTURE_PAGE: pages}
    windows: list[Window] = []
    for block in BLOCKS:
        count = rows.get(block, channels) if block.row else 0
        empty = (block.tag(0), *(0,) * (block.length(count) - 1))
        indices = range(1, instances.get(block, 1) + 1)
        windows += (Window(block, index, count, block.start(index), empty) for index in indices)
    return sorted(windows, key=lambda window: window.start)


class Memory:
    """All registers of a board.

    Args:
        channels: how many channel rows the blocks have.
        values: raw values of a block's instance now, without the tag.
    """

    def __init__(self, channels: int, values: Callable[[Block, int], Sequence[RawValue]]) -> None:
        self._values = values
        self._windows = _windows(channels)
        self._starts = [window.start for window in self._windows]

    def read(self, address: int, count: int) -> tuple[int, ...]:
        """Registers from ``address`` on; latches a block whose tag is among them.

        Raises:
            IllegalAddress: they do not lie in one block.
        """
        window = self._window(address, count)
        if address == window.start:
            window.reads += 1
            body = window.block.pack(self._values(window.block, window.index), window.rows)
            window.registers = (window.block.tag(window.reads), *body)
        offset = address - window.start
        return window.registers[offset : offset + count]

    def target(self, address: int, count: int) -> tuple[Block, int]:
        """The block and its index that a write of ``count`` registers at ``address`` sets.

        Raises:
            IllegalAddress: not exactly all registers after the tag of a writable block.
        """
        window = self._window(address, count)
        whole = address == window.start + 1 and count == len(window.registers) - 1
        if not (window.block.writable and whole):
            raise IllegalAddress(f"{window.block.name} is not written by {count} registers at {address}")
        return window.block, window.index

    def _window(self, address: int, count: int) -> Window:
        place = bisect_right(self._starts, address) - 1
        if count < 1 or place < 0:
            raise IllegalAddress(f"no registers {address}..{address + count - 1}")
        window = self._windows[place]
        if address + count > window.start + len(window.registers):
            raise IllegalAddress(f"registers {address}..{address + count - 1} are not all of one block")
        return window
