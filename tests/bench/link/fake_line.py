"""A fake board's line protocol, written from the protocol's text and not from the codec under test."""

import re
from decimal import Decimal

from bench.contract.fields import RawValue
from bench.contract.table import (
    BLOCK_BY_NAME,
    COMMAND,
    COMMANDS,
    Command,
    CommandCode,
    Refusal,
)
from tests.bench.link.fake_board import FakeBoard

QUERIES = {
    "SYST:IDEN": "identity",
    "MEAS:SNAP": "snapshot",
    "MEAS:SHOT": "shot",
    "SENS:EXTR": "extremes",
    "SYST:EVEN": "events",
    "SENS:CAPT": "capture",
    "SYST:BOAR": "board_settings",
    "SOUR:CHAN": "channel_settings",
}
RETURNS = {"NONE": 0, "PIN": 1, "CHAS": 2, "BOTH": 3}


def check(octets: bytes) -> int:
    total = 0
    for octet in octets:
        total ^= octet
    return total


def sealed(tag: bytes, payload: bytes) -> bytes:
    return b"%s|%s*%02X\n" % (tag, payload, check(tag + b"|" + payload))


def opened(text: bytes) -> tuple[bytes, bytes] | None:
    """Tag and payload of a checked line, or None."""
    body, _, stated = text.rpartition(b"*")
    tag, bar, payload = body.partition(b"|")
    sound = bar and re.fullmatch(rb"[0-9A-F]{2}", stated) and int(stated, 16) == check(body)
    return (tag, payload) if sound else None


class FakeLine:
    """One connection to ``board``: lines in, replies out."""

    def __init__(self, board: FakeBoard) -> None:
        self.board = board
        self.checking = False
        self.errors: list[str] = []
        self.key = 0
        self.lines: list[str] = []
        self._rest = b""
        self._last: tuple[bytes, bytes] = (b"", b"")

    def feed(self, octets: bytes) -> bytes:
        *lines, self._rest = (self._rest + octets).split(b"\n")
        return b"".join(self.answer(text.rstrip(b"\r")) for text in lines)

    def answer(self, text: bytes) -> bytes:
        if not self.checking:
            answers = self._carry_out(text, 0)
            return b";".join(answers) + b"\n" if answers else b""
        unsealed = opened(text)
        if unsealed is None:
            return b""
        tag, payload = unsealed
        if self._last[0] != text:
            self._last = text, sealed(tag, b";".join(self._carry_out(payload, int(tag, 16))))
        return self._last[1]

    def _carry_out(self, payload: bytes, sequence: int) -> list[bytes]:
        self.lines.append(payload.decode())
        answers = []
        for unit in payload.decode().split(";"):
            header, _, arguments = unit.removeprefix(":").partition(" ")
            answers.append(self._unit(header, arguments, sequence))
        return [answer for answer in answers if answer is not None]

    def _unit(self, header: str, arguments: str, sequence: int) -> bytes | None:
        if header == "*IDN?":
            return f"UMBILICAL,fake,{self.board.identity['serial']},1".encode()
        if header == "*CLS":
            self.errors.clear()
        elif header == "SYST:ERR?":
            return (self.errors.pop(0) if self.errors else '0,"No error"').encode()
        elif header == "SYST:COMM:CHEC":
            self.checking = arguments == "ON"
        elif header == "SENS:CAPT:DATA?":
            return self._page(int(arguments))
        elif header.endswith("?") and header[:-1] in QUERIES:
            return self._query(QUERIES[header[:-1]], arguments)
        elif header in QUERIES:
            self._set(QUERIES[header], arguments)
        else:
            self._command(header, arguments, sequence)
        return None

    def _query(self, name: str, arguments: str) -> bytes:
        block = BLOCK_BY_NAME[name]
        index = int(arguments.strip("(@)")) if arguments else 1
        values = self.board.values(block, index)
        self.board.reads[block.start(index)] = self.board.reads.get(block.start(index), 0) + 1
        if name == "events":
            values = values[: 3 + 4 * int(values[1])]
        fields = (*block.header, *(block.row * self.board.rows(block)))
        words = (self._word(value, field.scale) for field, value in zip(fields, values, strict=False))
        return ",".join(words).encode()

    @staticmethod
    def _word(value: RawValue, scale: float) -> str:
        return f'"{value}"' if isinstance(value, str) else str(Decimal(value) * Decimal(str(scale)))

    def _page(self, page: int) -> bytes:
        held = self.board.samples[page * 60 : page * 60 + 60]
        octets = b"".join(value.to_bytes(2, "big", signed=True) for sample in held for value in sample)
        length = str(len(octets))
        return f"#{len(length)}{length}".encode() + octets

    def _set(self, name: str, arguments: str) -> None:
        block, words = BLOCK_BY_NAME[name], arguments.split(",")
        index = int(words.pop(0).strip("(@)")) if name == "channel_settings" else 1
        raw = [
            round(Decimal(word) / Decimal(str(field.scale))) for field, word in zip(block.header, words, strict=True)
        ]
        self._note(self.board.write_registers(block.start(index) + 1, block.pack(raw)))

    def _command(self, header: str, arguments: str, sequence: int) -> None:
        command = next((row for row in COMMANDS if re.sub("[a-z]", "", row.line) == header), None)
        if command is None:
            self.errors.append(f'-113,"Undefined header;{header}"')
            return
        raw = self._arguments(command, arguments)
        if command.code is CommandCode.CLAIM:
            self.key = int(arguments)
        a, b, c = (*raw, 0, 0, 0)[:3]
        self._note(
            self.board.write_registers(COMMAND.address + 1, COMMAND.pack((sequence, self.key, command.code, a, b, c)))
        )

    def _arguments(self, command: Command, text: str) -> list[int]:
        words = re.findall(r"\(@[^)]*\)|[^,]+", text)
        return [self._raw(a.kind, a.scale, word) for a, word in zip(command.arguments, words, strict=False)]

    @staticmethod
    def _raw(kind: str, scale: float, word: str) -> int:
        if kind == "returns":
            return RETURNS[word]
        if kind == "number":
            return round(Decimal(word) / Decimal(str(scale)))
        numbers = []
        for part in filter(None, word.strip("(@)").split(",")):
            first, _, last = part.partition(":")
            numbers += range(int(first), int(last or first) + 1)
        return numbers[0] if kind == "channel" else sum(1 << number - 1 for number in numbers)

    def _note(self, refusal: Refusal) -> None:
        if refusal:
            self.errors.append(
                '-222,"Data out of range"' if refusal is Refusal.BAD_VALUE else f'{200 + refusal},"refused"'
            )
