"""Conversations typed by hand from BOARD.md, played against the simulated board."""

import asyncio
import os
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from firmware_sim.firmware import Board
from firmware_sim.servers.line.session import LineSession
from firmware_sim.servers.modbus_server import ModbusRtu, relay
from firmware_sim.servers.pty import opened
from firmware_sim.servers.registers import PacedBoard
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant

ROOT = Path(__file__).parents[3]
GOLDEN = ROOT / "tests" / "golden"
BOARD_MD = ROOT / "firmware_sim" / "BOARD.md"
STEP_S = 0.1
SILENCE_S = 0.1


@dataclass
class Exchange:
    """What the host sends, or how long it waits, and what it hears."""

    sent: str = ""
    wait_s: float = 0.0
    answers: list[str] = field(default_factory=list)


def exchanges(text: str) -> list[Exchange]:
    found: list[Exchange] = []
    for number, line in enumerate(text.splitlines(), start=1):
        mark, _, rest = line.partition(" ")
        if mark == ">":
            found.append(Exchange(sent=rest))
        elif mark == "<":
            found[-1].answers.append(rest)
        elif mark == "!":
            found.append(Exchange(wait_s=float(rest.removesuffix(" s"))))
        elif line and mark != "#":
            raise ValueError(f"line {number} is of no kind: {line!r}")
    return found


class GoldenBoard:
    """The board of tests/golden/README.md, on a clock of the test's own."""

    def __init__(self) -> None:
        self.now_s = 0.0
        board = Board(FakePlant(ohm={1: 3.2, 2: 0.05, 3: 640.0}), ExactSensors())
        self.paced = PacedBoard(board, clock=lambda: self.now_s)

    def wait(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s = min(self.now_s + STEP_S, end_s)
            self.paced.catch_up()


def octets(text: str) -> bytes:
    return re.sub(r"\\x([0-9a-f]{2})", lambda match: chr(int(match[1], 16)), text).encode("latin-1")


def play_lines(text: str) -> None:
    golden = GoldenBoard()
    session = LineSession(golden.paced)
    for exchange in exchanges(text):
        golden.wait(exchange.wait_s)
        if exchange.sent:
            heard = session.feed(octets(exchange.sent) + b"\n")
            assert heard == b"".join(octets(answer) + b"\n" for answer in exchange.answers), exchange.sent


@asynccontextmanager
async def rtu_host(golden: GoldenBoard) -> AsyncIterator[Callable[[bytes, int], Awaitable[bytes]]]:
    """A function that sends a frame through a pty and returns so many bytes, or what came within a silence."""
    with opened() as outer, opened() as inner:
        async with ModbusRtu(golden.paced, inner.path, 115_200), asyncio.TaskGroup() as tasks:
            relaying = tasks.create_task(relay(outer, inner, None))
            port = os.open(outer.path, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY)

            async def talk(frame: bytes, expected: int) -> bytes:
                os.write(port, frame)
                heard, loop = b"", asyncio.get_running_loop()
                end_s = loop.time() + (5.0 if expected else SILENCE_S)
                while loop.time() < end_s and (len(heard) < expected or not expected):
                    try:
                        heard += os.read(port, 512)
                    except BlockingIOError:
                        await asyncio.sleep(0.002)
                return heard

            try:
                yield talk
            finally:
                os.close(port)
                relaying.cancel()


async def play_frames(text: str) -> None:
    golden = GoldenBoard()
    async with rtu_host(golden) as talk:
        for exchange in exchanges(text):
            golden.wait(exchange.wait_s)
            if exchange.sent:
                wanted = bytes.fromhex("".join(exchange.answers))
                heard = await talk(bytes.fromhex(exchange.sent), len(wanted))
                assert heard.hex(" ") == wanted.hex(" "), exchange.sent


@pytest.mark.parametrize("path", sorted(GOLDEN.glob("line_*.wire")), ids=lambda path: path.stem)
def test_line_conversation(path):
    play_lines(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", sorted(GOLDEN.glob("rtu_*.wire")), ids=lambda path: path.stem)
async def test_rtu_conversation(path):
    await play_frames(path.read_text(encoding="utf-8"))


def test_the_conversation_in_the_document_is_true():
    (text,) = re.findall(r"^```\n(> .*?)^```", BOARD_MD.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)

    play_lines(text)


def frames_of_the_document() -> Iterator[str]:
    section = BOARD_MD.read_text(encoding="utf-8").split("## 10. Modbus")[1].split("\n## ")[0]
    return iter(re.findall(r"`((?:[0-9A-F]{2} )+[0-9A-F]{2})`", section))


def test_every_worked_frame_of_the_document_is_in_the_golden_ones():
    golden = (GOLDEN / "rtu_frames.wire").read_text(encoding="utf-8")
    frames = list(frames_of_the_document())

    assert len(frames) == 14
    assert [frame for frame in frames if f" {frame}\n" not in golden] == []


@pytest.mark.parametrize("text", ["> *IDN?\n", "> *IDN?\n< nobody\n", "> *CLS\n< something\n"])
def test_an_answer_too_few_too_many_or_wrong_fails(text):
    with pytest.raises(AssertionError):
        play_lines(text)


def test_every_file_is_played():
    assert {path.name.split("_")[0] for path in GOLDEN.glob("*.wire")} == {"line", "rtu"}
    assert len(list(GOLDEN.glob("*.wire"))) >= 10
