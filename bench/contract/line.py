"""The line protocol as the controller speaks it: text out, bytes in, no I/O.

SCPI-99 over IEEE 488.2 lines, derived from the contract's tables. A person with a terminal uses
it bare. The controller always turns checking on, because a serial line protects nothing: every
line then is ``TTTT|payload*HH``, where TTTT is four hex digits that the board echoes and HH is the
XOR of all bytes before the ``*``. The echo keeps a late reply from being taken for this one; the
XOR finds every error confined to one byte. What it lets through must still be as many numbers as
the block has fields, each a whole multiple of its field's scale and inside its range.

A reply may carry IEEE 488.2 definite-length block data (``#``, one digit d, d digits of length, that
many bytes, which may contain line feeds). Everything else ends at a line feed.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import reduce
from operator import xor

from bench.contract.fields import Block, Field, RawValue
from bench.contract.table import (
    BLOCK_BY_NAME,
    BOARD_SETTINGS,
    CALIBRATION,
    CALIBRATION_COMMON,
    CAPTURE,
    CAPTURE_PAGE,
    CAPTURE_SAMPLES_PER_PAGE,
    CHANNEL_SETTINGS,
    COMMAND_BY_CODE,
    EVENTS,
    EXTREMES,
    FAR_SOCKET,
    IDENTITY,
    MAX_CHANNELS,
    SHOT,
    SNAPSHOT,
    Argument,
    CommandCode,
    Refusal,
    Return,
)

LONGEST_REQUEST = 1024
LONGEST_REPLY = 4096
LONGEST_DATA = 65_536
LONGEST_NUMBER = 32
LARGEST_TAG = 0xFFFF

CHECK_ON = "SYSTem:COMMunicate:CHECk ON"
WHO_ARE_YOU = "*IDN?"
NEXT_ERROR = "SYSTem:ERRor?"
FORGET_ERRORS = "*CLS"

_QUERIES = {
    IDENTITY.name: "SYSTem:IDENtity?",
    SNAPSHOT.name: "MEASure:SNAPshot?",
    SHOT.name: "MEASure:SHOT?",
    EXTREMES.name: "SENSe:EXTRemes?",
    EVENTS.name: "SYSTem:EVENt?",
    CAPTURE.name: "SENSe:CAPTure?",
    CAPTURE_PAGE.name: "SENSe:CAPTure:DATA?",
    BOARD_SETTINGS.name: "SYSTem:BOARd?",
    CHANNEL_SETTINGS.name: "SOURce:CHANnel?",
    CALIBRATION.name: "CALibration:CHANnel?",
    CALIBRATION_COMMON.name: "CALibration:COMMon?",
    FAR_SOCKET.name: "MEASure:FAR?",
}
_OF_ONE_CHANNEL = (CHANNEL_SETTINGS.name, CALIBRATION.name)
_RETURNS = {Return.NONE: "NONE", Return.PIN: "PIN", Return.CHASSIS: "CHASsis", Return.BOTH: "BOTH"}

# SCPI-99 volume 2, 21.8: standard error numbers are negative, a device's own positive.
_STANDARD_REFUSALS = {
    -104: Refusal.BAD_VALUE,  # data type
    -108: Refusal.BAD_VALUE,  # parameter not allowed
    -109: Refusal.BAD_VALUE,  # missing parameter
    -113: Refusal.UNKNOWN_COMMAND,  # undefined header
    -222: Refusal.BAD_VALUE,  # data out of range
}
_FIRST_OWN_ERROR = 200

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[Ee][+-]?\d{1,3})?")  # IEEE 488.2 NR1, NR2, NR3
_ITEM = re.compile(r'\s*(?:"(?:[^"]|"")*"|[^",]*),')
_CHECKED = re.compile(rb"([0-9A-F]{4})\|(.*)\*([0-9A-F]{2})", re.DOTALL)
_DATA_HEAD = re.compile(rb"([0-9A-F]{4}\|)?#([1-9])")


# --- out ---


def short_form(header: str) -> str:
    """The short form of a SCPI header, its capitals: ``OUTPut:ARM`` is ``OUTP:ARM``."""
    return re.sub("[a-z]+", "", header)


def command_text(code: CommandCode, arguments: Sequence[int], key: int) -> str:
    """A command with raw ``arguments``, in engineering units.

    Raises:
        ValueError: an argument that the line cannot say.
    """
    command = COMMAND_BY_CODE[code]
    if code is CommandCode.CLAIM:
        return f"{short_form(command.line)} {key}"
    words = [_argument_text(argument, raw) for argument, raw in zip(command.arguments, arguments, strict=True)]
    return _join(short_form(command.line), words)


def query_text(block: Block, index: int = 1) -> str:
    """The query for a block, or for its ``index``-th instance."""
    header = short_form(_QUERIES[block.name])
    if block.name in _OF_ONE_CHANNEL:
        return f"{header} (@{index})"
    if block.name == CAPTURE_PAGE.name:
        return f"{header} {index - 1}"
    return header


def setting_text(block: Block, values: Sequence[RawValue], index: int = 1) -> str:
    """The command that sets a writable block to raw ``values``."""
    words = [_field_text(field, raw) for field, raw in zip(block.header, values, strict=True)]
    where = [f"(@{index})"] if block.name in _OF_ONE_CHANNEL else []
    return _join(short_form(_QUERIES[block.name]).rstrip("?"), where + words)


def and_what_became_of_it(text: str) -> str:
    """A command line that also asks how the command fared."""
    return f"{text};:{short_form(NEXT_ERROR)}"


def bare_line(text: str) -> bytes:
    """A line with checking off."""
    return _bounded(text.encode("ascii") + b"\n")


def checked_line(tag: int, text: str) -> bytes:
    """A line with checking on; ``tag`` 1..65535 comes back in the reply."""
    head = f"{tag:04X}|{text}".encode("ascii")
    return _bounded(b"%s*%02X\n" % (head, check_byte(head)))


def check_byte(octets: bytes) -> int:
    """XOR of all octets, as NMEA 0183 has it."""
    return reduce(xor, octets, 0)


def engineering_text(raw: int, scale: float) -> str:
    """``raw * scale`` in decimal, exactly."""
    return format(raw * _exactly(scale), "f")


def channel_list(numbers: Iterable[int]) -> str:
    """A SCPI channel list of rising numbers, runs joined: ``(@1,3:5)``."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return f"(@{','.join(str(first) if first == last else f'{first}:{last}' for first, last in runs)})"


def _argument_text(argument: Argument, raw: int) -> str:
    if argument.kind == "channel":
        return channel_list([raw])
    if argument.kind == "channels":
        if not 0 <= raw < 1 << MAX_CHANNELS:
            raise ValueError(f"{argument.name} must be {MAX_CHANNELS} bits, not {raw}")
        return channel_list(number for number in range(1, MAX_CHANNELS + 1) if raw >> number - 1 & 1)
    if argument.kind == "returns":
        return short_form(_RETURNS[Return(raw)])
    return engineering_text(raw, argument.scale)


def _field_text(field: Field, raw: RawValue) -> str:
    field.check(raw)
    if isinstance(raw, str):
        return '"' + raw.replace('"', '""') + '"'
    return engineering_text(raw, field.scale)


def _join(header: str, words: Sequence[str]) -> str:
    return f"{header} {','.join(words)}" if words else header


def _bounded(line: bytes) -> bytes:
    if len(line) > LONGEST_REQUEST:
        raise ValueError(f"a line of {len(line)} bytes is longer than the {LONGEST_REQUEST} a board takes")
    return line


# --- in ---


@dataclass(frozen=True, slots=True)
class Reply:
    """One whole line. ``tag`` is 0 when checking is off; block data come with their head."""

    tag: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Garbage:
    """Bytes that are no reply; the first of them, for the message."""

    received: bytes


class LineReader:
    """Cuts a byte stream into replies, however the bytes are dealt out.

    After garbage it goes on at the next line. A damaged length in block data can make it wait for
    bytes that never come: whoever waits gives up in time, and calls ``reset``.
    """

    def __init__(self, checked: bool = True) -> None:
        self.checked = checked
        self._bytes = bytearray()
        self._skipping = False

    @property
    def is_empty(self) -> bool:
        """Whether nothing is waiting for its end."""
        return not self._bytes and not self._skipping

    def reset(self) -> None:
        """Forget a reply begun."""
        self._bytes.clear()
        self._skipping = False

    def feed(self, octets: bytes) -> list[Reply | Garbage]:
        """Everything that ``octets`` complete, oldest first."""
        self._bytes += octets
        found = []
        while (end := self._end_of_first()) is not None:
            line = bytes(self._bytes[:end])
            del self._bytes[:end]
            if self._skipping:
                self._skipping = False
            else:
                found.append(self._read(line))
        return [*found, *self._overrun()]

    def _end_of_first(self) -> int | None:
        """Length of the first line with its line feed, or None while that has not come."""
        data_length = None if self._skipping else _data_length(self._bytes)
        if data_length is not None and data_length > len(self._bytes):
            return None
        newline = self._bytes.find(b"\n", data_length or 0)
        return None if newline < 0 else newline + 1

    def _overrun(self) -> list[Reply | Garbage]:
        longest = _data_length(self._bytes) or 0
        if len(self._bytes) <= longest + LONGEST_REPLY:
            return []
        overrun: list[Reply | Garbage] = [] if self._skipping else [Garbage(bytes(self._bytes[:32]))]
        self._bytes.clear()
        self._skipping = True
        return overrun

    def _read(self, line: bytes) -> Reply | Garbage:
        text = line.removesuffix(b"\n").removesuffix(b"\r")
        if not self.checked:
            return Reply(0, text)
        match = _CHECKED.fullmatch(text)
        if match is None or check_byte(text[:-3]) != int(match[3], 16):
            return Garbage(text[:32])
        return Reply(int(match[1], 16), match[2])


def _data_length(octets: bytearray) -> int | None:
    """Bytes up to the end of block data, when the line is block data and its head is there."""
    head = _DATA_HEAD.match(octets)
    if head is None:
        return None
    digits = octets[head.end() : head.end() + int(head[2])]
    if len(digits) < int(head[2]) or not digits.isdigit() or int(digits) > LONGEST_DATA:
        return None
    return head.end() + len(digits) + int(digits)


def block_values(block: Block, rows: int, payload: bytes) -> tuple[RawValue, ...]:
    """Raw values of a block from the reply to its query.

    Rows that the board leaves out (events that have not happened, samples past the end) are 0. A
    ``block`` that is only the head of a table's block takes the head of the reply.

    Raises:
        ValueError: not a reply to this query.
    """
    if block.name == CAPTURE_PAGE.name:
        raise ValueError("capture pages are block data: use page_values")
    items = _items(payload)
    whole = block == BLOCK_BY_NAME[block.name]
    fields = (*block.header, *(block.row * rows))
    if block.name == EVENTS.name:
        items += ["0"] * _missing_events(items, rows) * len(block.row)
    if len(items) != len(fields) and (whole or len(items) < len(fields)):
        raise ValueError(f"{block.name} has {len(fields)} values, not {len(items)}")
    return tuple(raw_value(field, item) for field, item in zip(fields, items, strict=whole))


def _missing_events(items: Sequence[str], rows: int) -> int:
    names = (field.name for field in EVENTS.header)
    count = int(dict(zip(names, items, strict=False)).get("count", "0"))
    if len(items) != len(EVENTS.header) + count * len(EVENTS.row):
        raise ValueError(f"{len(items)} values are not {count} events")
    return rows - count


def page_values(page: int, payload: bytes) -> tuple[RawValue, ...]:
    """Raw values of a capture page from its block data: big-endian pairs of mA and mV.

    Raises:
        ValueError: not block data, or not pairs, or too many.
    """
    head = _data_length(bytearray(payload))
    if head != len(payload) or head is None:
        raise ValueError("a capture page is definite-length block data")
    octets = payload[2 + int(payload[1:2]) :]
    width = CAPTURE_SAMPLES_PER_PAGE * 4
    if len(octets) % 4 or len(octets) > width:
        raise ValueError(f"a capture page has at most {width} bytes, in fours, not {len(octets)}")
    registers = octets.ljust(width, b"\0")
    pairs = (int.from_bytes(registers[i : i + 2], "big", signed=True) for i in range(0, width, 2))
    return (page, *pairs)


def refusal(payload: bytes) -> Refusal:
    """What became of a command, from the reply to ``SYSTem:ERRor?``.

    Raises:
        ValueError: no error number, or one that says nothing about a command.
    """
    number, *_ = _items(payload)
    code = int(_decimal(number))
    if code in _STANDARD_REFUSALS:
        return _STANDARD_REFUSALS[code]
    if code == 0:
        return Refusal.NONE
    try:
        return Refusal(code - _FIRST_OWN_ERROR)
    except ValueError:
        raise ValueError(f"the board reports error {payload.decode('ascii', 'replace')}") from None


def raw_value(field: Field, item: str) -> RawValue:
    """The raw value of one field from its text; exact, or an error.

    Raises:
        ValueError: not a number (or text), not a multiple of the field's scale, or out of range.
    """
    if field.kind == "text16":
        if len(item) < 2 or item[0] != '"' or item[-1] != '"':
            raise ValueError(f"{field.name} must be in quotes, not {item!r}")
        raw: RawValue = item[1:-1].replace('""', '"')
    else:
        raw = _whole(field, _decimal(item))
    field.check(raw)
    return raw


def _whole(field: Field, value: Decimal) -> int:
    if value.adjusted() > 24:  # far outside every range: no use in writing out its digits
        raise ValueError(f"{field.name} cannot be {value}")
    scaled = value / _exactly(field.scale)
    if scaled != scaled.to_integral_value():
        raise ValueError(f"{field.name} comes in steps of {field.scale:g} {field.unit}, {value} is none")
    return int(scaled)


def _exactly(scale: float) -> Decimal:
    return Decimal(str(scale)).normalize()  # 0.001, not the binary fraction beside it


def _decimal(item: str) -> Decimal:
    if len(item) > LONGEST_NUMBER or not _NUMBER.fullmatch(item):
        raise ValueError(f"{item!r} is not a number")
    return Decimal(item)


def _items(payload: bytes) -> list[str]:
    text = payload.decode("ascii")
    items = [match[0] for match in _ITEM.finditer(text + ",")]
    if sum(map(len, items)) != len(text) + 1:
        raise ValueError(f"a comma is missing in {text[:60]!r}")
    return [item.removesuffix(",").strip() for item in items]
