import asyncio

import pytest

from bench.contract.fields import Block
from bench.contract.readings import Snapshot
from bench.contract.table import ChannelState, CommandCode, EventKind, Fault, Refusal, Return, Valve
from bench.errors import BoardFault, BoardRefused, GarbledReply, InputError, LinkError, NotOurBoard
from bench.link.board import Board
from bench.link.inprocess import InProcessLink
from bench.profiles.model import Protection
from tests.bench.link.fake_board import FakeBoard

pytestmark = pytest.mark.virtual_time


def link_to(fake: FakeBoard) -> InProcessLink:
    return InProcessLink("sim:", fake, asyncio.get_running_loop().time)


async def opened(fake: FakeBoard, link: InProcessLink | None = None) -> Board:
    board = Board(link or link_to(fake), key=99)
    await board.open()
    return board


class LossyLink(InProcessLink):
    """Loses the answers to chosen commands, or the commands themselves."""

    lose_answer_of: tuple[CommandCode, ...] = ()
    lose_command: tuple[CommandCode, ...] = ()
    silent = False
    tries = 0

    async def read(self, block: Block, rows: int = 0, index: int = 1) -> tuple[int, ...]:
        if self.silent:
            raise LinkError("silence")
        return await super().read(block, rows, index)

    async def command(self, sequence, key, code, arguments):
        self.tries += 1
        if code in self.lose_command:
            raise LinkError("lost on the way out")
        refusal = await super().command(sequence, key, code, arguments)
        if code in self.lose_answer_of:
            raise LinkError("lost on the way back")
        return refusal


def lossy_link_to(fake: FakeBoard) -> LossyLink:
    return LossyLink("sim:", fake, asyncio.get_running_loop().time)


async def test_opening_tells_who_the_board_is():
    identity = await Board(link_to(FakeBoard())).open()

    assert (identity.serial, identity.channels, identity.contract) == ("FAKE-7", 8, (1, 0))
    assert identity.probe_ohm == 1000
    assert identity.pulse_ohm == 10
    assert identity.current_gain_error == 0.01


async def test_another_contract_version_is_refused_with_what_to_do():
    fake = FakeBoard()
    fake.identity["contract_major"] = 2

    with pytest.raises(NotOurBoard, match=r"speaks contract version 2\.0, this controller speaks 1: update the contr"):
        await Board(link_to(fake)).open()


async def test_another_device_is_refused():
    fake = FakeBoard()
    fake.identity["magic"] = 0x1234

    with pytest.raises(NotOurBoard, match=r"sim:: not a board of this contract \(register 1 is 0x1234"):
        await Board(link_to(fake)).open()


async def test_an_impossible_channel_count_is_refused():
    fake = FakeBoard()
    fake.identity["channels"] = 17

    with pytest.raises(NotOurBoard, match="17 channels"):
        await Board(link_to(fake)).open()


async def test_a_snapshot_is_in_si_units():
    board = await opened(FakeBoard())

    snapshot = await board.snapshot()

    assert snapshot.supply_v == 12.6
    assert snapshot.supply_a == -0.25
    assert snapshot.ambient_c == -10.5
    assert snapshot.air[:2] == (827_000, -1)
    assert snapshot.returns == Return.BOTH
    assert snapshot.channel(2).state is ChannelState.ON
    assert snapshot.channel(2).voltage_v == 12.001
    assert snapshot.channel(8).current_a == 1.507


async def test_a_channel_state_nobody_knows_is_not_taken_for_a_reading():
    fake = FakeBoard()
    board = await opened(fake)
    fake.channel_rows[0] = (42, 0, 0, 0, 0)

    with pytest.raises(GarbledReply, match="snapshot makes no sense"):
        await board.snapshot()


async def test_commands_carry_raw_arguments_and_rising_sequences():
    fake = FakeBoard(command_sequence=40)
    board = await opened(fake)

    await board.claim()
    await board.returns(Return.CHASSIS)
    await board.drive(3, 0.25)
    await board.pulse(2, 0.004)
    await board.arm_capture(1, 5000, 2000)
    await board.valve(Valve.SERVICE_FILL, True, 2.5)
    await board.regulate(1, 690_000)
    await board.off([1, 3, 3])
    await board.off()

    assert fake.commands == [
        (41, 99, CommandCode.CLAIM, 0, 0, 0),
        (42, 99, CommandCode.RETURNS, 2, 0, 0),
        (43, 99, CommandCode.DRIVE, 3, 250, 0),
        (44, 99, CommandCode.PULSE, 2, 4, 0),
        (45, 99, CommandCode.CAPTURE, 1, 5000, 2000),
        (46, 99, CommandCode.VALVE, 2, 1, 2500),
        (47, 99, CommandCode.REGULATE, 1, 690_000, 0),
        (48, 99, CommandCode.OFF, 0b101, 0, 0),
        (49, 99, CommandCode.OFF, 0xFF, 0, 0),
    ]


async def test_sequence_numbers_stay_in_the_lower_half():
    fake = FakeBoard(command_sequence=0x7FFE)
    board = await opened(fake)

    await board.claim()
    await board.kick()
    await board.kick()

    assert [command[0] for command in fake.commands] == [0x7FFF, 1, 2]


async def test_without_the_claim_the_boards_own_sequence_is_followed():
    fake = FakeBoard()
    board = await opened(fake)
    fake.command_sequence = 1  # somebody else commanded meanwhile

    await board.safe()

    assert fake.codes() == [CommandCode.SAFE]


async def test_a_refusal_says_the_command_and_the_reason():
    board = await opened(FakeBoard(refusals={CommandCode.DRIVE: Refusal.NOT_ARMED}))

    with pytest.raises(BoardRefused, match="the board refused drive: not armed") as refused:
        await board.drive(1)
    assert refused.value.reason is Refusal.NOT_ARMED


@pytest.mark.parametrize(
    ("give", "complaint"),
    [
        (lambda board: board.drive(9), r"has channels 1\.\.8, there is no channel 9"),
        (lambda board: board.drive(1, 1.5), r"drive: level must be 0\.001\.\.1 1, not 1\.5"),
        (lambda board: board.drive(1, float("nan")), "not nan"),
        (lambda board: board.probe(1, 0.0004), "probe: time must be"),
        (lambda board: board.off([0]), "no channel 0"),
        (lambda board: board.set_board(0.5, -1, 12), r"pressure_ceiling cannot be -1 Pa"),
        (lambda board: board.set_board(0.5, float("inf"), 12), "cannot be inf"),
        (lambda board: board.set_channel(1, Protection(limit_a=70)), "limit cannot be 70 A"),
    ],
)
async def test_values_outside_the_contract_never_reach_the_board(give, complaint):
    fake = FakeBoard()
    board = await opened(fake)

    with pytest.raises(InputError, match=complaint):
        await give(board)
    assert fake.commands == []
    assert fake.settings == {}


async def test_settings_are_written_in_raw_units():
    fake = FakeBoard()
    board = await opened(fake)

    await board.set_board(0.5, 1_034_000, 24)
    await board.set_channel(2, Protection(limit_a=7.25))

    assert fake.settings[1000] == (500, 1_034_000 >> 16, 1_034_000 & 0xFFFF, 24_000)
    assert fake.settings[1116] == (6000, 5, 7250, 250, 6000, 1000, 0, 6000, 5000, 5, 100)


async def test_refused_settings_are_refusals():
    board = await opened(FakeBoard(refusals={"channel_settings": Refusal.OUTPUT_ON}))

    with pytest.raises(BoardRefused, match="refused channel settings: output on"):
        await board.set_channel(1, Protection())


async def test_a_lost_answer_to_a_switching_command_is_settled_by_the_snapshot():
    fake = FakeBoard()
    link = lossy_link_to(fake)
    board = await opened(fake, link)
    link.lose_answer_of = (CommandCode.DRIVE,)

    await board.drive(1)

    assert fake.codes() == [CommandCode.DRIVE]
    assert link.tries == 1


async def test_a_lost_answer_to_a_refused_command_is_still_a_refusal():
    fake = FakeBoard(refusals={CommandCode.DRIVE: Refusal.NO_LIMITS})
    link = lossy_link_to(fake)
    board = await opened(fake, link)
    link.lose_answer_of = (CommandCode.DRIVE,)

    with pytest.raises(BoardRefused, match="no limits"):
        await board.drive(1)


async def test_a_switching_command_that_did_not_arrive_is_never_said_again():
    fake = FakeBoard()
    link = lossy_link_to(fake)
    board = await opened(fake, link)
    link.lose_command = (CommandCode.DRIVE,)

    with pytest.raises(LinkError, match="drive did not reach the board: lost on the way out"):
        await board.drive(1)
    assert link.tries == 1


async def test_a_harmless_command_that_did_not_arrive_is_said_again_under_its_number():
    fake = FakeBoard()
    link = lossy_link_to(fake)
    board = await opened(fake, link)
    link.lose_command = (CommandCode.OFF,)

    with pytest.raises(LinkError):
        await board.off()
    link.lose_command = ()
    await board.off()

    assert link.tries == 3
    assert fake.codes() == [CommandCode.OFF]


async def test_when_the_snapshot_is_lost_too_the_outcome_is_called_unknown():
    fake = FakeBoard()
    link = lossy_link_to(fake)
    board = await opened(fake, link)
    await board.claim()
    link.lose_answer_of = (CommandCode.DRIVE,)
    link.silent = True

    with pytest.raises(LinkError, match="unknown whether the board carried out drive: silence"):
        await board.drive(1)


async def test_events_are_told_once_and_acknowledged():
    fake = FakeBoard(events=[(n * 1000, EventKind.CHANNEL_STATE, 1, n) for n in range(20)], first=100)
    board = await opened(fake)
    await board.claim()

    pages = [await board.events() for _ in range(3)]

    told = [event.value for page in pages for event in page.events]
    assert told == list(range(20))
    assert pages[0].events[0].position == 100
    assert fake.events == []


@pytest.mark.parametrize("lost", ["answer", "command"])
async def test_a_lost_acknowledgement_loses_and_repeats_no_event(lost):
    fake = FakeBoard(events=[(n, EventKind.BROKE, 1, n) for n in range(3)])
    link = lossy_link_to(fake)
    board = await opened(fake, link)
    await board.claim()
    setattr(link, "lose_answer_of" if lost == "answer" else "lose_command", (CommandCode.ACKNOWLEDGE,))

    told = list((await board.events()).events)
    fake.events.append((9, EventKind.MADE, 1, 9))
    link.lose_answer_of = link.lose_command = ()
    told += (await board.events()).events
    told += (await board.events()).events

    assert [event.value for event in told] == [0, 1, 2, 9]


async def test_events_after_a_restart_are_new_even_at_old_positions():
    fake = FakeBoard(events=[(5, EventKind.ARMED, 0, 0)])
    board = await opened(fake)
    await board.claim()
    await board.events()

    fake.restart()
    page = await board.events()

    assert [event.kind for event in page.events] == [EventKind.RESTARTED]


async def test_a_capture_comes_in_pages_and_is_cut_at_its_length():
    fake = FakeBoard(samples=[(n, 12_000 - n) for n in range(130)])
    board = await opened(fake)

    capture = await board.capture()

    assert capture.channel == 3
    assert capture.dt_s == 1 / 5000
    assert capture.current_a == tuple(n / 1000 for n in range(130))
    assert capture.voltage_v[-1] == 11.871


async def test_an_empty_capture_has_no_channel():
    capture = await (await opened(FakeBoard())).capture()

    assert (capture.channel, capture.current_a) == (0, ())


class RecordingLink(InProcessLink):
    """A new capture of channel 4 begins while the first is being read."""

    fake: FakeBoard

    async def read(self, block, rows=0, index=1):
        if block.name == "capture_page":
            self.fake.capture_channel = 4
        return await super().read(block, rows, index)


async def test_a_capture_replaced_while_it_is_read_is_read_again():
    fake = FakeBoard(samples=[(1, 1)] * 61)
    link = RecordingLink("sim:", fake, asyncio.get_running_loop().time)
    link.fake = fake
    board = await opened(fake, link)

    assert (await board.capture()).channel == 4


async def test_extremes_are_per_channel():
    extremes = await (await opened(FakeBoard())).extremes()

    assert len(extremes) == 8
    assert (extremes[1].lowest_v, extremes[1].highest_v, extremes[1].lowest_a) == (-0.001, 12.001, -0.005)


@pytest.mark.parametrize("rate", [1.0, 0.2, 20.0, 1000.0])
async def test_waiting_is_for_board_time_whatever_its_speed(rate):
    fake = FakeBoard(clock_rate=rate)
    board = await opened(fake)
    before = await board.snapshot()

    after = await board.wait(30)

    assert 30 <= after.uptime_s - before.uptime_s < 30 + 0.01 * rate


async def test_waiting_until_a_past_time_returns_at_once():
    fake = FakeBoard()
    board = await opened(fake)
    await board.wait(1)

    seen: Snapshot = await board.wait_until(0.5)

    assert seen.uptime_s < 1.1


async def test_a_clock_that_stands_still_ends_a_wait():
    fake = FakeBoard()
    board = await opened(fake)
    await board.wait(5)
    fake.clock_rate = 0.0
    fake.snapshot["uptime"] = 6_000_000

    with pytest.raises(LinkError, match=r"clock stands still at 6\.000 s"):
        await board.wait(1)


async def test_a_restart_ends_a_wait():
    fake = FakeBoard()
    board = await opened(fake)
    asyncio.get_running_loop().call_later(3, fake.restart)

    with pytest.raises(BoardFault, match="restarted") as fault:
        await board.wait(10)
    assert fault.value.faults == Fault.RESTARTED


async def test_after_a_restart_that_was_asked_for_waiting_works():
    fake = FakeBoard()
    board = await opened(fake)
    await board.claim()

    await board.restart()
    del fake.snapshot["uptime"]
    await board.wait(1)

    assert fake.boots == 8


async def test_closing_twice_is_fine_and_then_nothing_answers():
    board = await opened(FakeBoard())

    await board.close()
    await board.close()

    with pytest.raises(LinkError, match="closed"):
        await board.snapshot()


async def test_a_board_that_hangs_is_an_error():
    class Hung(FakeBoard):
        def read_registers(self, address, count):
            raise TimeoutError(f"{address}, {count}")

    with pytest.raises(LinkError, match="the board does not answer"):
        await Board(link_to(Hung())).open()


async def test_a_board_without_our_registers_is_not_ours():
    class Small(FakeBoard):
        def read_registers(self, address, count):
            raise IndexError(f"no registers {address}..{address + count - 1}")

    with pytest.raises(NotOurBoard, match="no registers 0"):
        await Board(link_to(Small())).open()
