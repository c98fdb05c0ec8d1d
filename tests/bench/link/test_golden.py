"""Conversations typed by hand (tests/golden), played against the controller's side."""

import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from bench.contract.line import LineReader, Reply, block_values, checked_line, query_text
from bench.contract.table import (
    BLOCKS,
    BOARD_SETTINGS,
    CAPTURE,
    CAPTURE_PAGE,
    CHANNEL_SETTINGS,
    EVENTS,
    EVENTS_PER_READ,
    EXTREMES,
    IDENTITY,
    SNAPSHOT,
    CommandCode,
    Refusal,
)
from bench.link.board import Board
from bench.link.line import LineLink
from bench.link.modbus import ModbusLink
from bench.link.url import parse_board_url
from tests.bench.link import wires
from tests.bench.link.fake_board import FakeBoard
from tests.bench.link.raw_rtu import RawRtu, running

GOLDEN = Path(__file__).parents[2] / "golden"
KEY = 7
AMPS_18AWG = (6000, 5, 15_000, 250, 6000, 1000, 0, 6000, 5000, 5, 100)


def golden_lines(name: str) -> list[tuple[str, bytes]]:
    """(mark, bytes) of every line that is sent or heard."""
    lines = (GOLDEN / name).read_text(encoding="utf-8").splitlines()
    return [(line[0], octets(line[2:])) for line in lines if line[:2] in ("> ", "< ")]


def octets(text: str) -> bytes:
    return re.sub(r"\\x([0-9a-f]{2})", lambda match: chr(int(match[1], 16)), text).encode("latin-1")


class Scripted:
    """A board that knows one conversation by heart, and hangs up at the first other word."""

    def __init__(self, name: str) -> None:
        self.rest = golden_lines(name)

    def answer(self, heard: bytes) -> bytes | None:
        said = b""
        for line in filter(None, heard.split(b"\n")):
            if not self.rest or self.rest.pop(0) != (">", line):
                return None
            while self.rest and self.rest[0][0] == "<":
                said += self.rest.pop(0)[1] + b"\n"
        return said


@pytest.mark.virtual_time
async def test_the_line_link_speaks_the_conversation_word_for_word():
    script = Scripted("line_controller.wire")
    async with wires.tcp_server(lambda: script.answer) as port:
        link = LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))
        await link.open()
        identity = IDENTITY.unpack(await link.read(IDENTITY))
        await link.command(1, KEY, CommandCode.CLAIM, ())
        await link.write(BOARD_SETTINGS, (500, 0, 12_000))
        await link.write(CHANNEL_SETTINGS, AMPS_18AWG, 1)
        await link.command(2, KEY, CommandCode.KICK, ())
        dark = SNAPSHOT.unpack(await link.read(SNAPSHOT, 8), 8)
        await link.command(3, KEY, CommandCode.CLEAR, (64,))
        await link.command(4, KEY, CommandCode.ARM, ())
        await link.command(5, KEY, CommandCode.RETURNS, (3,))
        refused = await link.command(6, KEY, CommandCode.DRIVE, (2, 1000))
        await link.command(7, KEY, CommandCode.CAPTURE, (1, 1000, 2))
        carried_out = await link.command(8, KEY, CommandCode.DRIVE, (1, 1000))
        lit = SNAPSHOT.unpack(await link.read(SNAPSHOT, 8), 8)
        capture = CAPTURE.unpack(await link.read(CAPTURE))
        page = CAPTURE_PAGE.unpack(await link.read(CAPTURE_PAGE, 60), 60)
        await link.command(9, KEY, CommandCode.OFF, (0xFF,))
        events = EVENTS.unpack(await link.read(EVENTS, EVENTS_PER_READ), EVENTS_PER_READ)
        await link.command(10, KEY, CommandCode.ACKNOWLEDGE, (9,))
        none = EVENTS.unpack(await link.read(EVENTS, EVENTS_PER_READ), EVENTS_PER_READ)
        await link.command(11, KEY, CommandCode.RELEASE, ())
        await link.close()

    assert script.rest == []
    assert (refused, carried_out) == (Refusal.NO_LIMITS, Refusal.NONE)
    assert identity[5:9] == (10_000, 1000, 10_000, 1000)
    assert dark[2:8] == (6, 64, 0, 1, 2, 0)
    assert lit[10:12] == (12_800, 4000)
    assert lit[27:32] == (4, 12_800, 4000, 0, 0)
    assert (capture, page[:6]) == ((1, 1000, 2, 1, 0), (0, 4000, 12_800, 4000, 12_800, 0))
    assert (events[:3], events[-8:]) == ((0, 9, 0), (0,) * 8)
    assert none[:3] == (9, 0, 0)


def test_checked_lines_typed_by_hand_are_those_of_the_codec():
    lines = [line for _, line in golden_lines("line_checked.wire") if re.match(rb"(?!0000)[0-9A-F]{4}\|", line)]
    damaged = [b"0005|SYST:FAUL?*00"]

    assert len(lines) > 20
    for line in lines:
        (found,) = LineReader().feed(line + b"\n")
        assert isinstance(found, Reply) != (line in damaged), line
        if isinstance(found, Reply) and not found.payload.startswith(b"#"):
            assert checked_line(found.tag, found.payload.decode()) == line + b"\n"


def block_answers() -> list[tuple[str, str, bytes]]:
    """(file, query, answer) wherever a conversation asks for a whole block and nothing else."""
    queries = {query_text(block) for block in BLOCKS if block.name not in ("command", "capture_page")}
    found = []
    for path in sorted(GOLDEN.glob("line_*.wire")):
        lines = golden_lines(path.name)
        for (_, asked), (mark, said) in pairwise(lines):
            payload = re.sub(rb"^[0-9A-F]{4}\||\*[0-9A-F]{2}$", b"", asked).decode("latin-1")
            if mark == "<" and payload in queries:
                found.append((path.stem, payload, re.sub(rb"^[0-9A-F]{4}\||\*[0-9A-F]{2}$", b"", said)))
    return found


@pytest.mark.parametrize(("name", "query", "answer"), block_answers())
def test_every_block_typed_by_hand_is_read(name, query, answer):
    block = next(block for block in BLOCKS if block.name != "command" and query_text(block) == query)
    rows = {EVENTS.name: EVENTS_PER_READ}.get(block.name, 8 if block.row else 0)

    values = block_values(block, rows, answer)

    assert block.unpack(block.pack(values, rows), rows) == values


def test_the_conversations_hold_enough_blocks():
    assert {query for _, query, _ in block_answers()} >= {
        "MEAS:SNAP?",
        "MEAS:SHOT?",
        "SYST:EVEN?",
        "SENS:EXTR?",
        "SENS:CAPT?",
    }


def test_an_extreme_typed_by_hand_has_its_value():
    answer = next(said for name, query, said in block_answers() if query == "SENS:EXTR?")

    assert block_values(EXTREMES, 8, answer)[:4] == (0, 6400, 0, 2000)


async def test_the_modbus_link_writes_the_frames_typed_by_hand():
    """Every write of the golden conversation, in its order; what is read in between is the link's own way."""
    frames = [bytes.fromhex(line.decode()) for mark, line in golden_lines("rtu_drive.wire") if mark == ">"]
    written = [frame for frame in frames if frame[1] == 16]
    board = FakeBoard()
    server = RawRtu(board.read_registers, accepting(board.write_registers), unit=1)
    async with running(server) as path:
        link = ModbusLink(parse_board_url(f"modbus-rtu://{path}?unit=1"))
        await link.open()
        await link.command(1, KEY, CommandCode.CLAIM, ())
        await link.write(BOARD_SETTINGS, (500, 0, 12_000))
        await link.write(CHANNEL_SETTINGS, AMPS_18AWG, 1)
        await link.command(2, KEY, CommandCode.KICK, ())
        await link.command(3, KEY, CommandCode.CLEAR, (64,))
        await link.command(4, KEY, CommandCode.ARM, ())
        await link.command(5, KEY, CommandCode.RETURNS, (3,))
        await link.command(6, KEY, CommandCode.CAPTURE, (1, 1000, 2))
        await link.command(7, KEY, CommandCode.DRIVE, (1, 1000))
        await link.command(8, KEY, CommandCode.DRIVE, (1, 1000))
        await link.command(9, KEY, CommandCode.OFF, (0xFFFF,))
        await link.close()

    repeated = written[-2]  # the golden host says it twice to show that the board counts it once
    assert [frame.hex(" ") for frame in server.asked if frame[1] == 16] == [
        frame.hex(" ")
        for number, frame in enumerate(written)
        if not (frame == repeated and written[number - 1] == repeated)
    ]


def accepting(write: Callable[..., Refusal]) -> Callable[..., int]:
    return lambda address, values: int(write(address, values))


async def test_a_golden_answer_is_read_through_the_modbus_link():
    """The identity's head, five registers, as BOARD.md's first worked frame has it."""
    lines = golden_lines("rtu_frames.wire")
    answer = bytes.fromhex(lines[1][1].decode())
    registers = [int.from_bytes(answer[i : i + 2], "big") for i in range(3, 13, 2)]
    zeros = [0] * 40

    server = RawRtu(
        lambda address, count: [*registers, *zeros][:count] if address == 0 else [0x0801], lambda *_: 0, unit=1
    )
    async with running(server) as path:
        link = ModbusLink(parse_board_url(f"modbus-rtu://{path}?unit=1"))
        await link.open()
        first = bytes.fromhex(lines[0][1].decode())
        read = await link._wire.read(0, 5, writable=False)
        await link.close()

    assert first in server.asked
    assert read == (0x0101, 0x554D, 1, 2, 8)


@pytest.mark.virtual_time
async def test_the_typed_board_opens_on_the_golden_identity():
    """A board that says what the conversation says is ours, with its resistances in ohm."""
    said = next(said for name, query, said in block_answers() if query == "SYST:IDEN?")
    fake = FakeBoard()
    for field, value in zip(IDENTITY.header, block_values(IDENTITY, 0, said), strict=True):
        fake.identity[field.name] = value
    async with wires.line_tcp(fake) as url:
        board = Board(LineLink(parse_board_url(url)))
        identity = await board.open()
        await board.close()

    assert (identity.probe_ohm, identity.pulse_ohm, identity.serial) == (1000.0, 10.0, "SIM-0001")
