"""Who may begin a session, and what is set before anything can be switched on."""

import pytest

from bench.contract.table import Capability, Fault
from bench.errors import BoardFault, BoardHeld, LinkError, PermitDenied
from tests.bench.safety.fake_board import EVERYTHING, FakeBoard
from tests.bench.safety.guarding import STOP, assert_off_and_released, light_up, on_a_board


def test_the_way_in_writes_limits_starts_the_watchdog_and_then_arms():
    board = FakeBoard()

    on_a_board(lambda guard: guard.snapshot(), board)

    order = [text.split()[0] for _, text in board.log][:7]
    assert order == ["claim", "set-channel", "set-channel", "set-channel", "set-board", "kick", "arm"]


def test_a_restart_is_told_and_cleared():
    board, notices = FakeBoard(), []
    board.faults = Fault.RESTARTED

    on_a_board(lambda guard: guard.drive(STOP), board, notice=notices.append)

    assert notices == ["the board reported restarted: read and cleared"]


def test_a_pressed_emergency_stop_refuses_the_board_in_one_line_before_it_is_claimed():
    board = FakeBoard()
    board.emergency_stop = True

    with pytest.raises(BoardFault, match="emergency stop"):
        on_a_board(light_up, board)

    assert not board.said("claim")


def test_a_fault_that_is_over_must_be_acknowledged():
    board = FakeBoard()
    board.faults = Fault.RETURN_OVERLOAD
    with pytest.raises(PermitDenied, match=r"return overload.*acknowledge"):
        on_a_board(light_up, board)

    on_a_board(light_up, board, acknowledged=Fault.RETURN_OVERLOAD)

    assert_off_and_released(board)


def test_a_second_controller_is_turned_away_and_switches_nothing_off():
    board = FakeBoard()
    board.held_by_another = True

    with pytest.raises(BoardHeld, match="another controller holds this board: stop it or wait") as refused:
        on_a_board(light_up, board)

    assert refused.value.exit_code == 69
    assert not board.said("safe")
    assert not board.said("release")


def test_a_board_without_a_watchdog_needs_somebody_beside_it():
    notices: list[str] = []
    with pytest.raises(PermitDenied, match="watchdog"):
        on_a_board(light_up, FakeBoard(capabilities=EVERYTHING & ~Capability.WATCHDOG), attended=False)

    board = FakeBoard(capabilities=EVERYTHING & ~Capability.WATCHDOG)
    board.protects = False
    on_a_board(light_up, board, notice=notices.append)

    assert "no watchdog" in notices[0]
    assert not board.said("kick")


def test_a_link_that_is_too_slow_for_any_watchdog_is_refused():
    board = FakeBoard()
    board.exchange_s = 0.25

    with pytest.raises(LinkError, match="250 ms: too slow"):
        on_a_board(light_up, board)
