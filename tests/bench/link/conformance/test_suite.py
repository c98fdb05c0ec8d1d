"""The conformance suite: a sound board keeps everything, a second board keeps the basics, a wrong one is found out."""

import asyncio
import re
import socket
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from bench.contract.readings import read_snapshot
from bench.contract.table import (
    BOARD_SETTINGS,
    COMMAND,
    EVENTS,
    IDENTITY,
    SNAPSHOT,
    ChannelState,
    CommandCode,
    Refusal,
)
from bench.errors import BoardHeld, InputError
from bench.link import InProcessLink, open_link, parse_board_url
from bench.link.conformance import CHECKS, LEVELS, Conformance, DummyLoad, run_conformance
from bench.profiles import load_scenario
from bench.profiles.model import InjectedFault
from bench.virtual_time import run_virtual
from firmware_sim.simulator import Simulator
from tests.bench.link.mini_board import mini_board

ROOT = Path(__file__).resolve().parents[4]
BOARD_PAPER = (ROOT / "firmware_sim" / "BOARD.md").read_text(encoding="utf-8")
ON = {ChannelState.PROBE, ChannelState.PULSE, ChannelState.RAMP, ChannelState.ON, ChannelState.LIMIT}


def dummy(*faults: InjectedFault) -> Simulator:
    return Simulator(replace(load_scenario("dummy-load"), faults=faults))


def hold(board: object, **options: object) -> Conformance:
    """What the suite says of a board in this process, on virtual time."""

    async def main() -> Conformance:
        link = InProcessLink("sim:", board, asyncio.get_running_loop().time)
        return await run_conformance(link, "sim", **{"levels": LEVELS, "load": DummyLoad()} | options)

    return run_virtual(main())


def outcomes(report: Conformance) -> dict[str, str]:
    return {result.name: result.outcome for result in report.results}


def failed(report: Conformance) -> set[str]:
    return {name for name, outcome in outcomes(report).items() if outcome == "fail"}


def channel_states(simulator: Simulator) -> set[ChannelState]:
    _, *registers = simulator.read_registers(SNAPSHOT.start(), SNAPSHOT.length(8))
    return {channel.state for channel in read_snapshot(registers, 8).channels}


def test_the_simulated_board_keeps_the_contract_and_is_left_off():
    simulator = dummy()

    report = hold(simulator)

    assert {name for name, outcome in outcomes(report).items() if outcome != "pass"} == {"emergency-stop"}
    assert channel_states(simulator) == {ChannelState.HELD_OFF}


def test_a_hand_at_the_emergency_stop():
    asked: list[str] = []

    async def ask(what: str) -> bool:
        asked.append(what)
        return True

    pressed = InjectedFault("board-fault", "emergency-stop", at_s=2.0, until_s=4.0)
    report = hold(dummy(pressed), only=["emergency-stop"], ask=ask)

    assert outcomes(report) == {"emergency-stop": "pass"}
    assert [text.split()[0] for text in asked] == ["Press", "Release"]


def test_a_second_board_written_from_the_paper_alone_keeps_the_basics():
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]

    async def main(url: str) -> Conformance:
        return await run_conformance(open_link(parse_board_url(url)), "modbus-tcp", levels=["basic"])

    with mini_board(port) as url:
        report = asyncio.run(main(url))

    assert failed(report) == set()
    assert report.count("not-tested") == 0
    assert report.count("pass") >= 25
    assert report.board.serial == "MINI-1"


def test_the_second_board_shares_no_code_with_the_project():
    text = (Path(__file__).parents[1] / "mini_board.py").read_text(encoding="utf-8")

    assert re.findall(r"^(?:from|import) (\w+)", text, re.MULTILINE) == [
        "struct", "threading", "time", "collections", "contextlib", "pyModbusTCP", "pyModbusTCP",
    ]  # fmt: skip


# --- wrong boards ---


class Wrong:
    """A simulated board with one thing wrong with it."""

    def __init__(self) -> None:
        self.board = dummy()

    def advance_to(self, time_s: float) -> None:
        self.board.advance_to(time_s)

    def read_registers(self, address: int, count: int) -> tuple[int, ...]:
        return self.board.read_registers(address, count)

    def write_registers(self, address: int, values: Sequence[int]) -> Refusal:
        return self.board.write_registers(address, values)


class Stale(Wrong):
    """Latches the snapshot every second time only."""

    kept: tuple[int, ...] = ()
    reads = 0

    def read_registers(self, address, count):
        registers = super().read_registers(address, count)
        if address != SNAPSHOT.address:
            return registers
        self.reads += 1
        if self.reads % 2 or len(self.kept) < count:
            self.kept = registers
        return self.kept[:count]


class Slow(Wrong):
    """Its clock is 5 % slow."""

    def advance_to(self, time_s):
        super().advance_to(time_s * 0.95)


class Deaf(Wrong):
    """Its watchdog time cannot be shortened below a second."""

    def write_registers(self, address, values):
        if address == BOARD_SETTINGS.address + 1 and 50 <= values[0] < 1000:
            self.asked = values[0]
            values = (1000, *values[1:])
        return super().write_registers(address, values)

    def read_registers(self, address, count):
        registers = super().read_registers(address, count)
        if address == BOARD_SETTINGS.address and registers[1] == 1000:
            return (registers[0], self.asked, *registers[2:])
        return registers


class Open(Wrong):
    """Answers where nothing is."""

    def read_registers(self, address, count):
        return (99 << 8, 0) if address == 50 else super().read_registers(address, count)


class Anonymous(Wrong):
    """Says that it has a probe, and not which."""

    def read_registers(self, address, count):
        registers = super().read_registers(address, count)
        return (*registers[:7], 0, *registers[8:]) if address == IDENTITY.address and count > 7 else registers


class Twice(Wrong):
    """Carries out a command that comes again."""

    def write_registers(self, address, values):
        if address == COMMAND.address + 1:
            super().write_registers(address, (values[0] ^ 0x8000 or 1, 0, 99, *(0,) * 6))
        return super().write_registers(address, values)


class Lax(Wrong):
    """Takes any settings."""

    def write_registers(self, address, values):
        refusal = super().write_registers(address, values)
        return Refusal.NONE if refusal is Refusal.BAD_VALUE and 1000 <= address < 1500 else refusal


class Forgetful(Wrong):
    """Forgets events that were read."""

    key = 0

    def write_registers(self, address, values):
        if address == COMMAND.address + 1:
            self.key = values[1]
        return super().write_registers(address, values)

    def read_registers(self, address, count):
        registers = super().read_registers(address, count)
        if address == EVENTS.address and registers[3]:
            position = (registers[1] << 16 | registers[2]) + registers[3]
            number = 0xF000 + position % 0xFFF
            acknowledge = (number, self.key, CommandCode.ACKNOWLEDGE, position >> 16, position & 0xFFFF, 0, 0, 0, 0)
            super().write_registers(COMMAND.address + 1, acknowledge)
        return registers


class Modest(Wrong):
    """Reads a tenth too little on channel 1, and says it is more exact than that."""

    def read_registers(self, address, count):
        registers = super().read_registers(address, count)
        row = SNAPSHOT.header_registers + 2
        if address in (SNAPSHOT.address, IDENTITY.address) and count > row:
            changed = list(registers)
            if address == SNAPSHOT.address and changed[row] < 0x8000:
                changed[row] = round(changed[row] * 0.85)
            return tuple(changed)
        return registers


class Late(Wrong):
    """Lets an overload go on for twice its time."""

    def write_registers(self, address, values):
        if 1100 < address < 1500 and values[3]:
            values = (*values[:3], 2 * values[3], *values[4:])
        return super().write_registers(address, values)

    def read_registers(self, address, count):
        registers = super().read_registers(address, count)
        if 1100 <= address < 1500 and registers[4]:
            return (*registers[:4], registers[4] // 2, *registers[5:])
        return registers


@pytest.mark.parametrize(
    ("wrong", "found"),
    [
        (Stale, "latching"),
        (Slow, "clock"),
        (Deaf, "watchdog"),
        (Open, "illegal-address"),
        (Anonymous, "parts"),
        (Twice, "once"),
        (Lax, "channel-settings"),
        (Forgetful, "events"),
        (Modest, "drive"),
        (Late, "overload"),
    ],
)
def test_a_board_that_breaks_a_promise_is_found_out(wrong: type[Wrong], found: str):
    report = hold(wrong(), only=[found])

    assert outcomes(report) == {found: "fail"}
    (result,) = report.results
    assert result.seen
    assert result.expected


# --- the suite itself ---


def test_every_clause_is_a_section_of_the_paper():
    sections = set(re.findall(r"^## (\d+)\. ", BOARD_PAPER, re.MULTILINE))
    clauses = {number for check in CHECKS for number in re.findall(r"\d+", check.clause)}

    assert clauses <= sections


def test_an_unknown_check_is_refused_by_name():
    with pytest.raises(InputError, match="there is no check 'speed': the checks are identity"):
        hold(dummy(), only=["speed"])


def test_a_board_that_another_controller_holds_is_left_alone():
    simulator = dummy()
    other = (1, 77, CommandCode.CLAIM, 0, 0, 0)
    assert simulator.write_registers(COMMAND.start() + 1, COMMAND.pack(other)) is Refusal.NONE
    kick = (2, 77, CommandCode.KICK, 0, 0, 0)
    assert simulator.write_registers(COMMAND.start() + 1, COMMAND.pack(kick)) is Refusal.NONE

    with pytest.raises(BoardHeld):
        hold(simulator)


def test_being_stopped_under_load_leaves_the_board_off():
    simulator = dummy()
    on: list[bool] = []

    async def main() -> None:
        link = InProcessLink("sim:", simulator, asyncio.get_running_loop().time)
        work = asyncio.create_task(run_conformance(link, "sim", levels=["load"], only=["rms"], load=DummyLoad()))
        await asyncio.sleep(0.5)
        on.append(bool(channel_states(simulator) & ON))
        work.cancel()
        await asyncio.wait({work})

    run_virtual(main())

    assert on == [True]
    assert channel_states(simulator) == {ChannelState.HELD_OFF}
