"""Errors, by what the caller does next.

BenchError                 catch at the command line, nowhere else
├── LinkError              cable, port, framing: a read may be tried again
│   ├── NoBoard            nothing answers, or the port cannot be opened (exit 69)
│   └── GarbledReply       something answered that is not a reply
├── BoardRefused           the board understood and said no: never try again (exit 69)
├── NotOurBoard            another device, or another major contract version (exit 69)
├── BoardHeld              another controller holds the board (exit 69)
├── PermitDenied           the session's own rules said no
├── BoardFault             the board turned everything off by itself
├── Stopped                the operator stopped the run (exit 130)
├── InputError             a file, option or answer of the user is wrong (exit 64)
└── RecordError            the record could not be written (exit 74)
"""

from bench.contract.table import Fault, Refusal


class BenchError(Exception):
    """Root. ``str()`` is one line that says where and what to do."""

    exit_code = 70


class LinkError(BenchError):
    """The bytes did not get through."""

    exit_code = 69


class NoBoard(LinkError):
    """Nothing answers at the address."""


class GarbledReply(LinkError):
    """A reply that cannot be trusted."""

    def __init__(self, why: str, received: bytes = b"") -> None:
        super().__init__(f"{why}; received {received!r}" if received else why)
        self.received = received


class NotOurBoard(BenchError):
    """Something answered, but not a board of this contract."""

    exit_code = 69


class BoardHeld(BenchError):
    """Another controller holds the board."""

    exit_code = 69


class BoardRefused(BenchError):
    """The board refused a command."""

    exit_code = 69

    def __init__(self, command: str, reason: Refusal) -> None:
        super().__init__(f"the board refused {command}: {reason.name.lower().replace('_', ' ')}")
        self.command = command
        self.reason = reason


class PermitDenied(BenchError):
    """The session's safety rules refused a request; nothing was sent to the board."""

    exit_code = 2  # nothing was tested


_REMEDY = {
    Fault.EMERGENCY_STOP: "release the emergency stop when it is safe to go on",
    Fault.HOST_SILENT: "the link was silent too long: check the cable",
    Fault.SUPPLY_LOW: "charge the battery, check its clamps, or use the supply that the profile asks for",
    Fault.SUPPLY_HIGH: "use the supply that the profile asks for",
    Fault.BOARD_HOT: "let the board cool down",
    Fault.OVER_PRESSURE: "lower the regulator's pressure",
    Fault.RESTARTED: "the board lost its power for a moment: check its supply",
    Fault.SELF_TEST: "the board is defective",
    Fault.RETURN_OVERLOAD: "too much current came back through one return: look for a short",
}


class BoardFault(BenchError):
    """The board turned everything off; ``faults`` says why."""

    exit_code = 2  # what had not been tested by then is not tested

    def __init__(self, faults: Fault) -> None:
        names = ", ".join(fault.name.lower().replace("_", " ") for fault in faults if fault.name)
        remedies = "; ".join(remedy for fault, remedy in _REMEDY.items() if fault in faults)
        super().__init__(f"the board turned everything off: {names or 'unknown cause'}; {remedies or 'restart it'}")
        self.faults = faults


class Stopped(BenchError):
    """Somebody asked the session to stop; outputs are off."""

    exit_code = 130


class InputError(BenchError):
    """A file, option or answer is wrong; the message begins with ``file:line:`` where it can."""

    exit_code = 64


class RecordError(BenchError):
    """The record could not be written."""

    exit_code = 74
