import asyncio
from itertools import pairwise

import pytest
from pymodbus.client import AsyncModbusSerialClient

from bench.contract.table import (
    BOARD_SETTINGS,
    CHANNEL_SETTINGS,
    EXTREMES,
    IDENTITY,
    SHOT,
    SNAPSHOT,
    CommandCode,
    Refusal,
)
from bench.errors import GarbledReply, LinkError, NoBoard, NotOurBoard
from bench.link.board import Board
from bench.link.modbus import ModbusLink
from bench.link.modbus_wire import between_frames_s
from bench.link.url import parse_board_url
from tests.bench.link import wires
from tests.bench.link.fake_board import FakeBoard
from tests.bench.link.raw_rtu import RawRtu, at_once, running

ANSWER_S = 0.06  # patience for these tests; a slow answer takes three times as long
LATE_S = 0.15


def rtu(board: FakeBoard, spoil) -> RawRtu:
    def write(address, values):
        refusal = board.write_registers(address, values)
        return {Refusal.NONE: 0, Refusal.BAD_VALUE: 3}.get(refusal, 4)

    return RawRtu(board.read_registers, write, spoil)


def rtu_link(path: str, answer_s: float = ANSWER_S) -> ModbusLink:
    return ModbusLink(parse_board_url(f"modbus-rtu://{path}?unit=5&baud=1000000"), answer_s)


def late(*numbers: int):
    """Answers to these questions come late."""
    return lambda number, answer: [(LATE_S if number in numbers else 0.0, answer)]


def silent(number: int, answer: bytes):
    return [(0.0, b"")]


def writes_nothing(address, values):
    return 0


def hangs_up(octets: bytes) -> None:
    return None


# The two questions that bring a port into step come before a test's own.
FIRST = 3


# --- RTU: answers that come late ---


async def test_a_bare_client_takes_a_late_answer_for_the_next_one():
    """The reason for all the care, and the proof that the server here can show what goes wrong."""
    server = RawRtu(lambda address, _: [address], writes_nothing, late(1))
    async with running(server) as path:
        client = AsyncModbusSerialClient(path, timeout=0.1, retries=0)
        await client.connect()
        with pytest.raises(Exception, match="No response"):
            await client.read_holding_registers(50, device_id=5)
        sixty = await client.read_holding_registers(60, device_id=5)
        await asyncio.sleep(0.01)
        client.close()

    assert sixty.registers == [50]


@pytest.mark.parametrize("which", range(FIRST, FIRST + 6))
async def test_after_a_late_answer_every_block_is_still_its_own(which):
    board = FakeBoard()
    async with running(rtu(board, late(which))) as path:
        link = rtu_link(path)
        await link.open()
        for block in (EXTREMES, IDENTITY, SNAPSHOT, SHOT, IDENTITY, EXTREMES):
            rows = board.rows(block)
            values = block.unpack(await link.read(block, rows), rows)
            if block in (IDENTITY, EXTREMES):
                assert values == tuple(board.values(block, 1))
            else:
                assert values[10] == 12_600
        await link.close()


async def test_after_a_cancelled_read_every_block_is_still_its_own():
    board = FakeBoard()
    slow = lambda _, answer: [(0.03, answer)]  # noqa: E731 - within patience
    async with running(rtu(board, slow)) as path:
        link = rtu_link(path)
        await link.open()
        for patience_s in (0.001, 0.02, 0.035, 0.05):
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(patience_s):
                    await asyncio.gather(link.read(EXTREMES, 8), asyncio.sleep(1))
            assert IDENTITY.unpack(await link.read(IDENTITY)) == tuple(board.values(IDENTITY, 1))
        await link.close()


async def test_a_caller_cancelled_before_its_turn_sends_nothing():
    board = FakeBoard()
    async with running(rtu(board, lambda _, answer: [(0.02, answer)])) as path:
        link = rtu_link(path)
        await link.open()
        reading = asyncio.create_task(link.read(EXTREMES, 8))
        await asyncio.sleep(0.001)
        switching_on = asyncio.create_task(link.command(1, 7, CommandCode.DRIVE, (1, 1000)))
        await asyncio.sleep(0.001)
        switching_on.cancel()
        await reading
        await link.read(IDENTITY)
        await link.close()

    assert board.commands == []


async def test_a_board_that_is_always_too_slow_is_an_error_and_never_a_mix_up():
    board = FakeBoard()
    async with running(rtu(board, lambda _, answer: [(LATE_S, answer)])) as path:
        link = rtu_link(path)
        with pytest.raises(LinkError):
            await Board(link).open()


# --- RTU: answers that are wrong ---


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda answer: [(0, answer[:7])], id="cut"),
        pytest.param(lambda answer: [(0, answer[:9]), (0.08, answer[9:])], id="cut and finished late"),
        pytest.param(lambda answer: [(0, answer[:9] + bytes([answer[9] ^ 4]) + answer[10:])], id="a bit turned"),
        pytest.param(lambda answer: [(0, b"\xff\x00\xfe" + answer)], id="noise before"),
        pytest.param(lambda answer: [(0, answer + b"\x00\x41\x42")], id="noise after"),
        pytest.param(lambda answer: [(0, answer), (0, answer)], id="twice at once"),
        pytest.param(lambda answer: [(0, answer), (0.004, answer)], id="twice"),
        pytest.param(lambda _: [(0, b"")], id="nothing"),
        pytest.param(lambda _: [(0, bytes(range(256)))], id="garbage"),
        pytest.param(lambda _: [(0, b"\x05\x04\x02\x05\x01\x4a\xa0")], id="another answer"),
    ],
)
async def test_whatever_happens_to_one_answer_the_reads_are_right(spoil):
    board = FakeBoard()
    spoiled = lambda number, answer: spoil(answer) if number in (FIRST, FIRST + 3) else [(0, answer)]  # noqa: E731
    async with running(rtu(board, spoiled)) as path:
        link = rtu_link(path)
        await link.open()
        for _ in range(2):
            assert EXTREMES.unpack(await link.read(EXTREMES, 8), 8) == tuple(board.values(EXTREMES, 1))
            assert IDENTITY.unpack(await link.read(IDENTITY)) == tuple(board.values(IDENTITY, 1))
        await link.close()


async def test_a_doubled_answer_does_not_make_a_refused_command_look_done():
    board = FakeBoard(refusals={CommandCode.DRIVE: Refusal.NOT_ARMED})
    doubled: list[bytes] = []

    def spoil(number, answer):
        """The answer to the kick comes again, right before the answer to what is commanded next."""
        if answer[1] == 16 and not doubled:
            doubled.append(answer)
        elif answer[1] == 0x90:
            return [(0, doubled[0]), (0.01, answer)]
        return [(0, answer)]

    async with running(rtu(board, spoil)) as path:
        link = rtu_link(path)
        await link.open()
        assert await link.command(1, 7, CommandCode.KICK, ()) is Refusal.NONE
        outcome = await asyncio.gather(link.command(2, 7, CommandCode.DRIVE, (1, 1000)), return_exceptions=True)
        await link.close()

    assert outcome[0] is Refusal.NOT_ARMED or isinstance(outcome[0], LinkError)


async def test_a_late_answer_to_a_command_is_settled_by_the_snapshot():
    fake = FakeBoard()
    async with running(rtu(fake, lambda _, answer: [(LATE_S if answer[1] == 16 else 0, answer)])) as path:
        board = Board(rtu_link(path), key=7)
        await board.open()
        await board.claim()
        await board.drive(1)
        await board.close()

    assert fake.codes() == [CommandCode.CLAIM, CommandCode.DRIVE]


async def test_refusals_carry_the_boards_reason():
    board = FakeBoard(refusals={CommandCode.DRIVE: Refusal.NO_LIMITS, "channel_settings": Refusal.OUTPUT_ON})
    async with running(rtu(board, at_once)) as path:
        link = rtu_link(path)
        await link.open()
        assert await link.command(2, 7, CommandCode.DRIVE, (1, 1000)) is Refusal.NO_LIMITS
        assert await link.write(CHANNEL_SETTINGS, (1,) * 11, 2) is Refusal.OUTPUT_ON
        await link.close()


async def test_settings_whose_answer_is_lost_are_read_back():
    board = FakeBoard()
    async with running(rtu(board, lambda _, answer: [(0, b"" if answer[1] == 16 else answer)])) as path:
        link = rtu_link(path)
        await link.open()
        assert await link.write(BOARD_SETTINGS, (500, 1, 12_000)) is Refusal.NONE
        await link.close()


async def test_settings_that_the_board_keeps_differently_are_an_error():
    board = FakeBoard()
    server = rtu(board, at_once)
    server.write = writes_nothing
    async with running(server) as path:
        link = rtu_link(path)
        await link.open()
        with pytest.raises(GarbledReply, match="keeps other board_settings"):
            await link.write(BOARD_SETTINGS, (500, 1, 12_000))
        await link.close()


async def test_questions_keep_the_silence_between_frames():
    board, heard = FakeBoard(), []
    server = rtu(board, at_once)
    hear = server.hear
    server.hear = lambda octets: (heard.append(asyncio.get_running_loop().time()), hear(octets))
    async with running(server) as path:
        link = rtu_link(path)
        await link.open()
        for _ in range(10):
            await link.read(SNAPSHOT, 8)
        await link.close()

    assert min(later - before for before, later in pairwise(heard)) >= 0.00175


# "Modbus over serial line" 1.02, 2.5.1.1: 3.5 characters of 11 bits, and 1.750 ms above 19200 baud.
def test_the_silence_between_frames_is_the_specifications():
    assert between_frames_s(9600) == pytest.approx(0.00401, rel=1e-3)
    assert between_frames_s(115_200) == 0.00175


# --- RTU: no board ---


async def test_silence_says_what_to_check():
    async with running(rtu(FakeBoard(), silent)) as path:
        board = Board(rtu_link(path))
        with pytest.raises(
            NoBoard, match=r"no valid answer from unit 5 at 1000000 baud; check baud=, unit=, the cable"
        ):
            await board.open()


async def test_a_board_at_another_unit_is_silent():
    server = rtu(FakeBoard(), at_once)
    server.unit = 6
    async with running(server) as path:
        with pytest.raises(NoBoard, match="unit 5"):
            await Board(rtu_link(path)).open()


async def test_another_device_is_recognised_by_its_registers():
    zeros = RawRtu(lambda _, count: [0] * count, writes_nothing)
    async with running(zeros) as path:
        with pytest.raises(NotOurBoard, match="not a board of this contract"):
            await Board(rtu_link(path)).open()


async def test_a_device_without_these_registers_is_not_ours():
    relay = RawRtu(lambda *_: 2, lambda *_: 2)
    async with running(relay) as path:
        with pytest.raises(NotOurBoard, match="no such registers"):
            await Board(rtu_link(path)).open()


async def test_a_port_that_is_taken_is_not_shared():
    async with running(rtu(FakeBoard(), at_once)) as path:
        first, second = rtu_link(path), rtu_link(path)
        await first.open()
        with pytest.raises(NoBoard, match="busy; close the other program"):
            await second.open()
        await first.close()
        await second.open()
        await second.close()


async def test_a_port_that_is_not_there_is_told_with_those_that_are():
    with pytest.raises(NoBoard, match=r"there is no port /dev/ttyNONE; serial ports here: "):
        await rtu_link("/dev/ttyNONE").open()


async def test_a_file_is_no_serial_port(tmp_path):
    path = tmp_path / "port"
    path.write_bytes(b"")
    with pytest.raises(NoBoard, match="not a serial port"):
        await rtu_link(str(path)).open()


async def test_a_pulled_plug_is_noticed_and_the_port_taken_again():
    board = FakeBoard()
    server = rtu(board, at_once)
    async with running(server) as path:
        link = rtu_link(path)
        await link.open()
        await link.read(IDENTITY)
        link._wire._client.ctx.transport.close(OSError("pulled"))
        assert IDENTITY.unpack(await link.read(IDENTITY))[0] == 0x554D
        await link.close()


# --- TCP ---


async def test_tcp_another_unit_is_told():
    async with wires.modbus_tcp(FakeBoard()) as url:
        with pytest.raises(NoBoard, match=r"no board is unit 9 \(Modbus exception 4\); check unit="):
            await Board(ModbusLink(parse_board_url(url.replace("unit=5", "unit=9")))).open()


async def test_tcp_nobody_listens():
    async with wires.tcp_server(lambda: hangs_up) as port:
        pass
    with pytest.raises(NoBoard, match="connection refused; check the port number"):
        await ModbusLink(parse_board_url(f"modbus-tcp://127.0.0.1:{port}")).open()


async def test_tcp_a_name_nobody_has():
    with pytest.raises(NoBoard, match=r"no host is called 'no-such-bench\.invalid'"):
        await ModbusLink(parse_board_url("modbus-tcp://no-such-bench.invalid")).open()


@pytest.mark.parametrize(
    "answer", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x00\x01\x00\x00\x00\x03\x01\x70\x00", b"", None]
)
async def test_tcp_a_server_of_another_kind_is_an_error_in_one_line(answer, caplog):
    async with wires.tcp_server(lambda: lambda _: answer) as port:
        board = Board(ModbusLink(parse_board_url(f"modbus-tcp://127.0.0.1:{port}"), answer_s=0.05))
        with pytest.raises(NoBoard, match=r"no answer from unit 1|connection broke|connection refused"):
            await board.open()

    assert not [record for record in caplog.records if record.exc_info]


async def test_tcp_a_board_that_comes_back_is_found_again():
    board = FakeBoard()
    async with wires.modbus_tcp(board) as url:
        link = ModbusLink(parse_board_url(url))
        await link.open()
        await link.read(IDENTITY)
        port = int(url.partition("127.0.0.1:")[2].partition("?")[0])
    with pytest.raises(NoBoard):
        await link.read(IDENTITY)
    async with wires.modbus_tcp(board, port):
        assert IDENTITY.unpack(await link.read(IDENTITY))[0] == 0x554D
        await link.close()


async def test_tcp_a_board_that_is_gone_is_asked_ever_more_slowly():
    async with wires.tcp_server(lambda: hangs_up) as port:
        pass
    link = ModbusLink(parse_board_url(f"modbus-tcp://127.0.0.1:{port}"))
    link._is_open = True
    begun_s = asyncio.get_running_loop().time()
    for _ in range(3):
        with pytest.raises(NoBoard):
            await link.read(IDENTITY)

    assert 0.3 <= asyncio.get_running_loop().time() - begun_s < 0.6


async def test_tcp_a_snapshot_seen_before_is_not_news():
    class Frozen(FakeBoard):
        def read_registers(self, address, count):
            registers = super().read_registers(address, count)
            return (registers[0] & 0xFF00 | 1, *registers[1:])

    async with wires.modbus_tcp(Frozen()) as url:
        link = ModbusLink(parse_board_url(url))
        await link.open()
        await link.read(SNAPSHOT, 8)
        retried = await link.read(SNAPSHOT, 8)
        await link.close()

    assert SNAPSHOT.unpack(retried, 8)[0] == 3
