"""How quantities are laid out: fields in blocks, blocks at register addresses.

A block is a run of 16-bit registers that starts with a *tag* register. The tag's high byte
is the block's number and its low byte counts the reads of that block, so a reader can tell
both a reply that belongs to another block and a reply it has already seen. Values wider than
one register are big-endian in word order, as Modbus devices do by custom.
"""

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

Kind = Literal["u16", "i16", "u32", "i32", "u64", "text16"]

_STRUCT_CODE: Mapping[Kind, str] = {
    "u16": "H",
    "i16": "h",
    "u32": "I",
    "i32": "i",
    "u64": "Q",
    "text16": "16s",
}
_RANGE: Mapping[Kind, tuple[int, int]] = {
    "u16": (0, 0xFFFF),
    "i16": (-0x8000, 0x7FFF),
    "u32": (0, 0xFFFF_FFFF),
    "i32": (-0x8000_0000, 0x7FFF_FFFF),
    "u64": (0, 0xFFFF_FFFF_FFFF_FFFF),
}

RawValue = int | str


@dataclass(frozen=True, slots=True)
class Field:
    """One quantity of a block.

    Attributes:
        name: unique within its block, with the unit's dimension in words (``supply_voltage``).
        kind: how it is stored.
        unit: of the engineering value; "1" for a pure number, "bits" for flags.
        scale: engineering value = raw * scale.
        note: one sentence; printed in BOARD.md.
    """

    name: str
    kind: Kind
    unit: str
    scale: float
    note: str

    @property
    def registers(self) -> int:
        """Width in 16-bit registers."""
        return struct.calcsize(">" + _STRUCT_CODE[self.kind]) // 2

    def check(self, raw: RawValue) -> None:
        """Raise ValueError naming the field when ``raw`` does not fit it."""
        if self.kind == "text16":
            if not isinstance(raw, str) or len(raw) > 16 or not raw.isascii():
                raise ValueError(f"{self.name} must be at most 16 ASCII characters, not {raw!r}")
            return
        low, high = _RANGE[self.kind]
        if not isinstance(raw, int) or not low <= raw <= high:
            raise ValueError(f"{self.name} must be a whole number {low}..{high}, not {raw!r}")


@dataclass(frozen=True, eq=False)
class Block:
    """A tag register, then ``header`` fields, then ``row`` fields once per channel.

    Compared by identity, because every one stands once in the table and is looked up all the time.

    A block with ``stride`` stands once per index (1, 2, ...) at ``address + stride * (index - 1)``.
    """

    name: str
    number: int
    address: int
    header: tuple[Field, ...]
    row: tuple[Field, ...] = ()
    stride: int = 0
    writable: bool = False
    note: str = ""

    @cached_property
    def header_registers(self) -> int:
        """Registers of tag and header together."""
        return 1 + sum(field.registers for field in self.header)

    @cached_property
    def row_registers(self) -> int:
        """Registers of one channel's row."""
        return sum(field.registers for field in self.row)

    def length(self, rows: int = 0) -> int:
        """Registers of the whole block with ``rows`` channel rows."""
        return self.header_registers + rows * self.row_registers

    def start(self, index: int = 1) -> int:
        """Address of the tag register of the ``index``-th instance, counted from 1."""
        return self.address + self.stride * (index - 1)

    @cached_property
    def _has_texts(self) -> bool:
        return any(field.kind == "text16" for field in (*self.header, *self.row))

    @cached_property
    def _layouts(self) -> dict[int, struct.Struct]:
        return {}

    def _layout(self, rows: int) -> struct.Struct:
        layout = self._layouts.get(rows)
        if layout is None:
            fields = (*self.header, *(self.row * rows))
            layout = struct.Struct(">" + "".join(_STRUCT_CODE[field.kind] for field in fields))
            self._layouts[rows] = layout
        return layout

    def pack(self, values: Sequence[RawValue], rows: int = 0) -> tuple[int, ...]:
        """Turn raw values, header first and then row by row, into registers without the tag.

        Raises:
            ValueError: a value does not fit its field, or the count is wrong.
        """
        wanted = len(self.header) + len(self.row) * rows
        if len(values) != wanted:
            raise ValueError(f"{self.name} takes {wanted} values, not {len(values)}")
        try:
            octets = self._layout(rows).pack(*(map(_to_wire, values) if self._has_texts else values))
        except (struct.error, TypeError):
            for field, value in zip((*self.header, *(self.row * rows)), values, strict=True):
                field.check(value)
            raise
        return struct.unpack(f">{len(octets) // 2}H", octets)

    def unpack(self, registers: Sequence[int], rows: int = 0) -> tuple[RawValue, ...]:
        """Inverse of :meth:`pack`; ``registers`` come without the tag."""
        octets = struct.pack(f">{len(registers)}H", *registers)
        return tuple(map(_from_wire, self._layout(rows).unpack(octets)))

    def unpack_numbers(self, registers: Sequence[int], rows: int = 0) -> tuple[int, ...]:
        """As :meth:`unpack`, for a block without texts; fast, because snapshots are read all the time."""
        layout = self._layout(rows)
        if len(registers) * 2 != layout.size:
            raise ValueError(f"{self.name} has {layout.size // 2} registers, not {len(registers)}")
        return layout.unpack(struct.pack(f">{len(registers)}H", *registers))

    def tag(self, count: int) -> int:
        """The tag register of the ``count``-th read of this block."""
        return self.number << 8 | count & 0xFF

    def owns(self, tag: int) -> bool:
        """Whether a reply that begins with ``tag`` is a reply to a read of this block."""
        return tag >> 8 == self.number


def _to_wire(value: RawValue) -> int | bytes:
    return value.encode("ascii").ljust(16, b"\0") if isinstance(value, str) else value


def _from_wire(value: int | bytes) -> RawValue:
    if isinstance(value, bytes):
        return value.rstrip(b"\0").decode("ascii", "replace")
    return value
