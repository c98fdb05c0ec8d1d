"""What a bench of ordinary modules can do, said before it is built."""

from bench.contract.table import Capability
from bench.link.mapped.standin import StandIn
from bench.profiles.board_map import BoardMap

WHAT_FOR = {
    Capability.PROBE: ("look", "no probe: opens, shorts and connections are not seen before power"),
    Capability.COLD_PULSE: ("cold-pulse", "no cold pulse: a missing lamp of several is hard to tell from resistance"),
    Capability.CURRENT_LIMIT: ("all-lamps", "no current limit: one output at a time, no soft-start"),
    Capability.RETURN_SWITCHES: ("ground-return", "returns can't be told apart: no pin against chassis"),
    Capability.CAPTURE: ("inrush", "no capture: the shape of a switch-on is not recorded"),
    Capability.WIGGLE_MONITOR: ("wiggle", "no monitor: a contact that comes and goes is not seen"),
    Capability.REFERENCE_RESISTOR: ("self-check", "no reference resistor: the current reading is not checked"),
    Capability.WATCHDOG: ("air", "no watchdog: no air, nothing unattended"),
}


def not_testable(board: BoardMap) -> dict[str, str]:
    """What can't be tested, and why, by step or command."""
    able = StandIn(board).capabilities
    return dict(entry for capability, entry in WHAT_FOR.items() if capability not in able)


def summary(board: BoardMap) -> dict[str, object]:
    """What there is, for people and programs."""
    able = [str(each.name).lower().replace("_", "-") for each in StandIn(board).capabilities]
    return {"title": board.title, "channels": board.channels, "fuse_a": board.fuse_a, "can": able}
