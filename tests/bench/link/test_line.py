import asyncio
from collections.abc import Callable
from contextlib import asynccontextmanager

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.contract.table import BOARD_SETTINGS, CAPTURE_PAGE, EXTREMES, IDENTITY, SNAPSHOT, CommandCode, Refusal
from bench.errors import GarbledReply, LinkError, NoBoard, NotOurBoard
from bench.link.board import Board
from bench.link.line import LineLink
from bench.link.url import parse_board_url
from bench.virtual_time import run_virtual
from tests.bench.link import wires
from tests.bench.link.fake_board import FakeBoard
from tests.bench.link.fake_line import FakeLine, sealed

pytestmark = pytest.mark.virtual_time

Spoil = Callable[[bytes], list[tuple[float, bytes]]]


class SpoiledLine:
    """A fake board behind a wire that does things to chosen replies."""

    def __init__(self, board: FakeBoard, spoil: Spoil, which: Callable[[int, str], bool]) -> None:
        self.line = FakeLine(board)
        self.spoil, self.which = spoil, which
        self.count = 0

    def say(self, octets: bytes) -> list[tuple[float, bytes]]:
        """(delay, bytes) to send for the bytes that came."""
        said: list[tuple[float, bytes]] = []
        for text in octets.splitlines(keepends=True):
            reply = self.line.feed(text)
            self.count += bool(reply)
            spoiled = reply and self.which(self.count, self.line.lines[-1])
            said += self.spoil(reply) if spoiled else [(0.0, reply)]
        return said


@asynccontextmanager
async def spoiled_link(board: FakeBoard, spoil: Spoil, which: Callable[[int, str], bool] | None = None):
    """A link to ``board`` whose replies ``which`` picks (those to snapshot queries by default) are spoiled."""
    line = SpoiledLine(board, spoil, which or (lambda _, text: text == "MEAS:SNAP?"))
    writers: list[asyncio.StreamWriter] = []

    async def serve(reader, writer):
        writers.append(writer)
        while octets := await reader.read(4096):
            for delay_s, reply in line.say(octets):
                await asyncio.sleep(delay_s)
                writer.write(reply)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    link = LineLink(parse_board_url(f"tcp://127.0.0.1:{server.sockets[0].getsockname()[1]}"))
    try:
        yield link
    finally:
        await link.close()
        server.close()
        for writer in writers:
            writer.close()
        await asyncio.sleep(3)  # for the server's last delayed reply


def once(spoil: Spoil) -> Spoil:
    """Spoil the first reply only."""
    pending = [spoil]
    return lambda reply: pending.pop()(reply) if pending else [(0.0, reply)]


WHOLE_TIME = [
    pytest.param(lambda reply: [(0, reply[:9])], id="cut"),
    pytest.param(lambda reply: [(0, reply[:-1])], id="without its end"),
    pytest.param(lambda reply: [(0, reply[:9]), (0.5, reply[9:])], id="cut and finished late"),
    pytest.param(lambda reply: [(0.6, reply)], id="late"),
    pytest.param(lambda _: [(0, b"")], id="lost"),
    pytest.param(lambda reply: [(0, reply), (0, reply)], id="twice"),
    pytest.param(lambda reply: [(0, reply), (0.8, reply)], id="twice, later"),
    pytest.param(lambda reply: [(0, b"\x00\xffnoise" + reply)], id="noise before"),
    pytest.param(lambda reply: [(0, reply + b"noise\n\n")], id="noise after"),
    pytest.param(lambda _: [(0, b"\n\r\n" * 20)], id="empty lines"),
    pytest.param(lambda _: [(0, b"x" * 200_000)], id="a flood"),
    pytest.param(lambda reply: [(0, reply[:6] + b"#9" + reply[6:])], id="like block data"),
    pytest.param(lambda reply: [(0, reply.replace(b",", b"\n", 1))], id="a comma became an end"),
    pytest.param(lambda reply: [(0, sealed(reply[:4], b"1,2,3"))], id="well sealed, but another reply"),
    pytest.param(lambda reply: [(0, sealed(reply[:4], b""))], id="an error instead"),
    pytest.param(lambda reply: [(0.002, reply[n : n + 1]) for n in range(len(reply))], id="in crumbs"),
]


@pytest.mark.parametrize("spoil", WHOLE_TIME)
async def test_whatever_happens_to_one_reply_the_reads_are_right(spoil):
    board = FakeBoard()
    async with spoiled_link(board, once(spoil)) as link:
        await link.open()
        for _ in range(3):
            assert SNAPSHOT.unpack(await link.read(SNAPSHOT, 8), 8)[2:] == tuple(board.values(SNAPSHOT, 1))[2:]
            assert EXTREMES.unpack(await link.read(EXTREMES, 8), 8) == tuple(board.values(EXTREMES, 1))


@pytest.mark.parametrize(
    "spoil", [param for param in WHOLE_TIME if "twice" not in param.id and "noise" not in param.id]
)
async def test_whatever_happens_to_every_reply_none_is_taken_for_a_value(spoil):
    async with spoiled_link(FakeBoard(), spoil) as link:
        await link.open()
        try:
            registers = await link.read(SNAPSHOT, 8)
        except LinkError as error:
            assert "\n" not in str(error)  # noqa: PT017 - an error and the right value are both right
        else:
            assert SNAPSHOT.unpack(registers, 8)[10] == 12_600
        assert EXTREMES.unpack(await link.read(EXTREMES, 8), 8)[1] == 12_000


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 255)), min_size=3, max_size=3))
def test_a_damaged_byte_in_every_reply_never_becomes_a_value(damages):
    """Three tries, each with one damaged byte: an error, never a wrong snapshot."""
    pending = list(damages)

    def damage(reply: bytes) -> list[tuple[float, bytes]]:
        place, turned = pending.pop()
        at = place % len(reply)
        return [(0, reply[:at] + bytes([reply[at] ^ turned]) + reply[at + 1 :])]

    async def main() -> None:
        async with spoiled_link(FakeBoard(), damage) as link:
            await link.open()
            with pytest.raises(LinkError):
                await link.read(SNAPSHOT, 8)
            assert EXTREMES.unpack(await link.read(EXTREMES, 8), 8)[1] == 12_000

    run_virtual(main())


async def test_a_cancelled_read_leaves_its_reply_to_nobody():
    board = FakeBoard()
    async with spoiled_link(board, lambda reply: [(0.3, reply)]) as link:
        await link.open()
        for patience_s in (0.01, 0.2, 0.299, 0.301):
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(patience_s):
                    await asyncio.gather(link.read(SNAPSHOT, 8), asyncio.sleep(9))
            assert EXTREMES.unpack(await link.read(EXTREMES, 8), 8) == tuple(board.values(EXTREMES, 1))


async def test_a_late_reply_to_a_refused_command_is_not_the_next_commands():
    fake = FakeBoard(refusals={CommandCode.DRIVE: Refusal.NOT_ARMED})
    drives = lambda _, text: text.startswith("OUTP:DRIV")  # noqa: E731
    async with spoiled_link(fake, lambda reply: [(0.6, reply)], drives) as link:
        await link.open()
        with pytest.raises(NoBoard):
            await link.command(1, 7, CommandCode.DRIVE, (1, 1000))
        assert await link.command(2, 7, CommandCode.KICK, ()) is Refusal.NONE


@pytest.mark.parametrize("spoil", [lambda _: [(0, b"")], lambda reply: [(0, reply[:-4] + b"00\n")]])
async def test_a_command_whose_reply_is_lost_is_settled_and_carried_out_once(spoil):
    fake = FakeBoard()
    async with spoiled_link(fake, spoil, lambda _, text: text.startswith("OUTP:DRIV")) as link:
        board = Board(link, key=7)
        await board.open()
        await board.claim()
        await board.drive(2, 0.5)

    assert fake.codes() == [CommandCode.CLAIM, CommandCode.DRIVE]


async def test_settings_whose_reply_is_lost_are_set():
    fake = FakeBoard()
    async with spoiled_link(fake, once(lambda _: [(0, b"")]), lambda _, text: text.startswith("SYST:BOAR ")) as link:
        await link.open()
        assert await link.write(BOARD_SETTINGS, (500, 0, 12_000)) is Refusal.NONE

    assert fake.settings[1000] == (500, 0, 0, 12_000)


async def test_a_block_longer_than_said_is_no_capture():
    fake = FakeBoard(samples=[(1, 2)] * 60)
    longer = lambda reply: [(0, reply.replace(b"#3240", b"#3999"))]  # noqa: E731
    async with spoiled_link(fake, longer, lambda _, text: text.startswith("SENS:CAPT:DATA?")) as link:
        await link.open()
        with pytest.raises(GarbledReply, match="cut off"):
            await link.read(CAPTURE_PAGE, 60)
        assert IDENTITY.unpack(await link.read(IDENTITY))[0] == 0x554D


async def test_a_board_left_in_checked_mode_is_opened_all_the_same():
    fake = FakeBoard()
    async with spoiled_link(fake, lambda reply: [(0, reply)]) as link:
        await link.open()
    async with wires.line_tcp(fake) as url:
        again = LineLink(parse_board_url(url))
        await again.open()
        await again.close()

    left_on = FakeLine(fake)
    left_on.checking = True
    async with wires.tcp_server(lambda: left_on.feed) as port:
        link = LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))
        await link.open()
        assert IDENTITY.unpack(await link.read(IDENTITY))[0] == 0x554D
        await link.close()


async def test_errors_of_an_earlier_controller_are_not_taken_for_ours():
    fake, stale = FakeBoard(), FakeLine(FakeBoard())
    stale.board = fake
    stale.errors = ['-222,"old"', '203,"older"']
    async with wires.tcp_server(lambda: stale.feed) as port:
        link = LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))
        await link.open()
        assert await link.command(1, 7, CommandCode.KICK, ()) is Refusal.NONE
        await link.close()


async def test_a_query_that_failed_does_not_make_the_next_command_look_refused():
    fake = FakeBoard()

    class Grumbling(FakeLine):
        def _query(self, name, arguments):
            if name == "extremes":
                self.errors.append('-113,"Undefined header"')
                return b""
            return super()._query(name, arguments)

    async with wires.tcp_server(lambda: Grumbling(fake).feed) as port:
        link = LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))
        await link.open()
        with pytest.raises(GarbledReply, match="extremes has 32 values, not 1"):
            await link.read(EXTREMES, 8)
        assert await link.command(1, 7, CommandCode.KICK, ()) is Refusal.NONE
        await link.close()


# --- no board, another board ---


async def test_a_newer_contract_is_told_though_its_identity_is_longer():
    fake = FakeBoard()
    fake.identity["contract_major"] = 2

    class Newer(FakeLine):
        def _query(self, name, arguments):
            return super()._query(name, arguments) + (b',7,"new"' if name == "identity" else b"")

    async with wires.tcp_server(lambda: Newer(fake).feed) as port:
        with pytest.raises(NotOurBoard, match=r"speaks contract version 2\.0, this controller speaks 1"):
            await Board(LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))).open()


async def test_another_instrument_is_told_by_its_name():
    class Other(FakeLine):
        def _unit(self, header, arguments, sequence):
            return b"ACME,meter,1,2" if header == "*IDN?" else super()._unit(header, arguments, sequence)

    async with wires.tcp_server(lambda: Other(FakeBoard()).feed) as port:
        with pytest.raises(NotOurBoard, match="this is 'ACME,meter,1,2', not a board of this contract"):
            await LineLink(parse_board_url(f"tcp://127.0.0.1:{port}")).open()


async def test_silence_on_tcp_says_what_to_check():
    async with wires.tcp_server(lambda: lambda _: b"") as port:
        with pytest.raises(
            NoBoard, match=r"no valid answer, only silence; check that this is the port of a board's line"
        ):
            await LineLink(parse_board_url(f"tcp://127.0.0.1:{port}")).open()


async def test_an_echo_is_not_an_answer():
    async with wires.tcp_server(lambda: lambda octets: octets) as port:
        with pytest.raises(NoBoard, match=r"no valid answer|not a board"):
            await LineLink(parse_board_url(f"tcp://127.0.0.1:{port}")).open()


async def test_a_server_that_hangs_up_is_told():
    async with wires.tcp_server(lambda: lambda _: None) as port:
        with pytest.raises(NoBoard, match="the connection broke"):
            await LineLink(parse_board_url(f"tcp://127.0.0.1:{port}")).open()


async def test_nobody_listening_is_told():
    async with wires.tcp_server(lambda: lambda _: None) as port:
        pass
    with pytest.raises(NoBoard, match="connection refused"):
        await LineLink(parse_board_url(f"tcp://127.0.0.1:{port}")).open()


# --- reconnecting ---


async def test_a_connection_that_broke_is_made_again_and_keeps_the_claim():
    fake = FakeBoard()
    lines: list[FakeLine] = []

    def connection():
        lines.append(FakeLine(fake))
        return lines[-1].feed

    async with wires.tcp_server(connection) as port:
        link = LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))
        await link.open()
        assert await link.command(1, 77, CommandCode.CLAIM, ()) is Refusal.NONE
    async with wires.tcp_server(connection, port):
        assert IDENTITY.unpack(await link.read(IDENTITY))[0] == 0x554D
        assert await link.command(2, 77, CommandCode.KICK, ()) is Refusal.NONE
        await link.close()

    assert [command[1] for command in fake.commands if command[2] == CommandCode.KICK] == [77]


async def test_a_server_that_dies_in_the_middle_of_a_reply_is_an_error_then_found_again():
    fake = FakeBoard()
    dying = [True]

    def connection():
        line = FakeLine(fake)

        def answer(octets: bytes) -> bytes | None:
            reply = line.feed(octets)
            if dying and "MEAS:SNAP?" in line.lines:
                dying.clear()
                return None
            return reply

        return answer

    async with wires.tcp_server(connection) as port:
        link = LineLink(parse_board_url(f"tcp://127.0.0.1:{port}"))
        await link.open()
        assert SNAPSHOT.unpack(await link.read(SNAPSHOT, 8), 8)[10] == 12_600
        await link.close()


async def test_closing_while_a_read_is_under_way_waits_for_it():
    async with spoiled_link(FakeBoard(), lambda reply: [(0.3, reply)]) as link:
        await link.open()
        reading = asyncio.create_task(link.read(SNAPSHOT, 8))
        await asyncio.sleep(0.1)
        await link.close()
        assert reading.done() or len(await reading) > 8
        with pytest.raises(NoBoard, match="closed"):
            await link.read(SNAPSHOT, 8)
