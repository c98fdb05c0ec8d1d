"""A host for firmware tests: commands by code, blocks as readings, time in board seconds."""

from collections.abc import Sequence
from itertools import count

from bench.contract.readings import EventPage, Snapshot, read_events, read_snapshot
from bench.contract.table import (
    BOARD_SETTINGS,
    CHANNEL_SETTINGS,
    COMMAND,
    EVENTS,
    EVENTS_PER_READ,
    SHOT,
    SNAPSHOT,
    CommandCode,
    EventKind,
    Fault,
    Refusal,
    Return,
)
from firmware_sim.firmware import Board
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant

KEY = 7
BOARD_12V = (500, 0, 12_000)
CHANNEL_18AWG = (6000, 5, 15_000, 250, 6000, 1000, 0, 6000, 5000, 5, 100)


class Host:
    """Speaks to one board with one key."""

    def __init__(self, board: Board, key: int = KEY) -> None:
        self.board = board
        self.key = key
        self._sequences = count(1)

    def command(self, code: CommandCode, *arguments: int) -> Refusal:
        a, b, c = (*arguments, 0, 0, 0)[:3]
        return self.put((next(self._sequences), self.key, code, a, b, c))

    def put(self, values: Sequence[int]) -> Refusal:
        return self.board.write_registers(COMMAND.start() + 1, COMMAND.pack(values))

    def set_board(self, *values: int) -> Refusal:
        return self.board.write_registers(BOARD_SETTINGS.start() + 1, BOARD_SETTINGS.pack(values))

    def set_channel(self, number: int, *values: int) -> Refusal:
        registers = CHANNEL_SETTINGS.pack(values or CHANNEL_18AWG)
        return self.board.write_registers(CHANNEL_SETTINGS.start(number) + 1, registers)

    def wait(self, seconds: float, *, kicking: bool = False) -> None:
        """Let board time pass; ``kicking`` feeds the watchdog every 0.1 s."""
        end_s = self.board.time_s + seconds
        while kicking and end_s - self.board.time_s > 0.1:
            assert self.command(CommandCode.KICK) is Refusal.NONE
            self.board.advance_to(self.board.time_s + 0.1)
        self.board.advance_to(end_s)

    def snapshot(self) -> Snapshot:
        return self._reading(SNAPSHOT)

    def shot(self) -> Snapshot:
        return self._reading(SHOT)

    def _reading(self, block: object) -> Snapshot:
        assert block in (SNAPSHOT, SHOT)
        rows = self._channels()
        _, *registers = self.board.read_registers(block.start(), block.length(rows))
        return read_snapshot(registers, rows)

    def _channels(self) -> int:
        return self.board.read_registers(0, 5)[4]

    def events(self, *, acknowledge: bool = False) -> EventPage:
        _, *registers = self.board.read_registers(EVENTS.start(), EVENTS.length(EVENTS_PER_READ))
        page = read_events(registers, EVENTS_PER_READ)
        if acknowledge and page.events:
            self.command(CommandCode.ACKNOWLEDGE, page.events[-1].position + 1)
        return page

    def all_events(self) -> list[tuple[EventKind | int, int, int]]:
        """Read and acknowledge until the FIFO is empty; (kind, index, value)."""
        found: list[tuple[EventKind | int, int, int]] = []
        while page := self.events(acknowledge=True).events:
            found += [(event.kind, event.index, event.value) for event in page]
        return found

    def prepare(self) -> None:
        """Claim, settings, watchdog, and the restart acknowledged."""
        assert self.command(CommandCode.CLAIM) is Refusal.NONE
        assert self.set_board(*BOARD_12V) is Refusal.NONE
        for number in range(1, self._channels() + 1):
            assert self.set_channel(number) is Refusal.NONE
        assert self.command(CommandCode.KICK) is Refusal.NONE
        assert self.snapshot().faults == Fault.RESTARTED
        assert self.command(CommandCode.CLEAR, Fault.RESTARTED) is Refusal.NONE

    def arm(self) -> None:
        """All the way to armed with both returns closed."""
        self.prepare()
        assert self.command(CommandCode.ARM) is Refusal.NONE
        assert self.command(CommandCode.RETURNS, Return.BOTH) is Refusal.NONE


def armed_host(plant: FakePlant) -> Host:
    """A host of a new board on ``plant``, armed."""
    host = Host(Board(plant, ExactSensors()))
    host.arm()
    return host
