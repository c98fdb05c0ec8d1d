"""What one connection is to the board: its key, its errors, its sequence numbers."""

from collections.abc import Sequence

from bench.contract.fields import RawValue
from bench.contract.table import IDENTITY, SNAPSHOT, CommandCode, Refusal
from firmware_sim.servers.line.errors import Status
from firmware_sim.servers.registers import PacedBoard

_CHANNELS = next(n for n, field in enumerate(IDENTITY.header) if field.name == "channels")


class Connection:
    """State of one host on one connection; a connection that is lost takes it along, but not the claim."""

    def __init__(self, board: PacedBoard) -> None:
        self.board = board
        self.status = Status()
        self.key = 0
        self.checked = False
        self.next_checked = False  # what the line in hand has asked for, from the next line on
        self.sequence: int | None = None  # of the checked line in hand
        self.channels = 0

    def identify(self) -> None:
        """Learn how many channels the board has."""
        if not self.channels:
            self.channels = int(self.board.read_block(IDENTITY)[_CHANNELS])

    def command(self, code: CommandCode, arguments: Sequence[int]) -> Refusal:
        """Give a command with this connection's key."""
        return self.board.command(self.key, code, arguments, self.sequence)

    def snapshot(self) -> tuple[RawValue, ...]:
        """Raw values of a new snapshot."""
        return self.board.read_block(SNAPSHOT, self.channels)

    def snapshot_value(self, name: str) -> int:
        """One header value of a new snapshot."""
        values = self.snapshot()
        return next(int(value) for field, value in zip(SNAPSHOT.header, values, strict=False) if field.name == name)
