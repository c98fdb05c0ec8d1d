"""Every way out of the guarded board leaves its outputs off, by the board's own log."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from bench.contract.table import ChannelState, EventKind, Fault, Mode, Return, TripReason
from bench.errors import BoardFault, LinkError, PermitDenied, Stopped
from bench.safety.guard import GuardedBoard
from bench.safety.kept import Denied
from bench.virtual_time import run_virtual
from tests.bench.safety.fake_board import FakeBoard
from tests.bench.safety.guarding import STOP, TAIL, TURN, assert_off_and_released, guarded, light_up, on_a_board

# --- keeping ---


@pytest.mark.parametrize("exchange_s", [0.0005, 0.01, 0.06, 0.15, 0.19])
def test_the_watchdog_is_fed_at_any_link_speed_while_the_body_is_busy(exchange_s):
    board = FakeBoard()
    board.exchange_s = exchange_s

    async def busy(guard: GuardedBoard) -> None:
        await guard.drive(STOP)
        for _ in range(40):
            await guard.snapshot()
        await guard.wait(3.0)

    on_a_board(busy, board)

    kicks = board.said("kick")
    assert max(b - a for a, b in pairwise(kicks)) < board.watchdog_s / 1.5
    assert Fault.HOST_SILENT not in board.faults


# --- ways out ---


def test_a_normal_end_leaves_everything_off():
    assert_off_and_released(on_a_board(light_up))


def test_an_exception_in_the_body_leaves_everything_off_and_comes_out_as_it_is():
    board = FakeBoard()

    async def fails(guard: GuardedBoard) -> None:
        await light_up(guard)
        raise ZeroDivisionError("mine")

    with pytest.raises(ZeroDivisionError, match="mine"):
        on_a_board(fails, board)

    assert_off_and_released(board)


async def everything(guard: GuardedBoard) -> None:
    """One of each command, so that a cancellation finds every place."""
    await guard.probe(TAIL)
    await guard.pulse(STOP)
    await guard.reference(True)
    await guard.reference(False)
    await guard.arm_capture(STOP, 1000, 100)
    await light_up(guard)
    await guard.capture()
    await guard.returns(Return.PIN)
    await guard.snapshot()
    await guard.off([STOP])
    await guard.read_events()


def exchanges_of(body: Callable[[GuardedBoard], Awaitable[object]]) -> int:
    return on_a_board(body).exchanges


@pytest.mark.parametrize("cancellations", [1, 2, 3])
def test_cancelled_at_every_exchange_the_board_ends_with_everything_off(cancellations):
    last = exchanges_of(everything)
    assert last > 40
    for at in range(1, last + 1):
        board = FakeBoard()

        async def cancelled(at: int = at, board: FakeBoard = board) -> None:
            async with asyncio.TaskGroup() as tasks:

                async def session() -> None:
                    async with guarded(board) as guard:
                        await everything(guard)

                task = tasks.create_task(session())
                for later in range(cancellations):
                    board.at_exchange[at + later] = task.cancel

        run_virtual(cancelled())

        assert board.on == set(), f"cancelled at exchange {at}"
        armed = board.said("arm")
        assert not armed or board.said("safe")[-1] > armed[-1]
        claimed = board.said("claim")
        assert not claimed or board.said("release")


@pytest.mark.parametrize("times", [1, 2, 4])
def test_a_loop_that_is_torn_down_does_not_cut_the_way_out_short(times):
    board = FakeBoard()

    async def main() -> None:
        async with guarded(board) as guard:
            await light_up(guard)
            for later in range(1, times + 1):
                board.at_exchange[board.exchanges + later] = lambda: [task.cancel() for task in asyncio.all_tasks()]
            await guard.wait(1.0)

    with pytest.raises(asyncio.CancelledError):
        run_virtual(main())

    assert board.on == set()
    assert board.said("safe")


def test_a_claim_that_was_carried_out_just_before_a_cancellation_is_given_back():
    class Late(FakeBoard):
        async def claim(self) -> None:
            await super().claim()
            asyncio.current_task().cancel()
            await asyncio.sleep(0)

    board = Late()

    with pytest.raises(asyncio.CancelledError):
        on_a_board(light_up, board)

    assert board.said("release")
    assert Mode.CLAIMED not in board.mode


def test_a_board_that_protects_nothing_is_switched_off_before_the_body_has_tidied_up():
    board = FakeBoard()
    board.protects = False

    async def slow_to_leave(guard: GuardedBoard) -> None:
        await light_up(guard)
        board.emergency_stop = True
        try:
            await asyncio.sleep(60)
        finally:
            await asyncio.sleep(0.1)
            board.log.append((0.0, f"still-on {sorted(board.on)}"))
            await asyncio.sleep(10)

    with pytest.raises(BoardFault, match="emergency stop"):
        on_a_board(slow_to_leave, board)

    assert (0.0, "still-on []") in board.log


def test_a_fault_in_the_middle_ends_the_body_within_a_tenth_of_a_second():
    board, times = FakeBoard(), {}

    async def main() -> None:
        loop = asyncio.get_running_loop()

        def press() -> None:
            times["pressed"] = loop.time()
            board.press_stop()

        async with guarded(board) as guard:
            await light_up(guard)
            loop.call_later(0.333, press)
            try:
                await asyncio.sleep(60)  # anything: a question to the operator, a slow disk
            finally:
                times["interrupted"] = loop.time()

    with pytest.raises(BoardFault, match="emergency stop"):
        run_virtual(main())

    assert times["interrupted"] - times["pressed"] < 0.1
    assert_off_and_released(board)


def test_the_body_can_tidy_up_inside_after_a_fault():
    board = FakeBoard()

    async def tidy(guard: GuardedBoard) -> str:
        await guard.drive(STOP)
        try:
            async with guard.interruptible():
                board.raise_fault(Fault.BOARD_HOT)
                await asyncio.sleep(60)
        except BoardFault:
            await asyncio.sleep(0.3)  # writes its record
            board.log.append((0.0, "tidied"))
            raise

    with pytest.raises(BoardFault, match="board hot"):
        on_a_board(tidy, board)

    assert (0.0, "tidied") in board.log


def test_a_lost_link_ends_the_body_and_the_boards_own_watchdog_switches_off():
    board, notices = FakeBoard(), []

    async def main() -> None:
        try:
            async with guarded(board, notice=notices.append) as guard:
                await light_up(guard)
                board.lose_link()
                await asyncio.sleep(60)
        finally:
            assert asyncio.get_running_loop().time() < 3.0
            await asyncio.sleep(board.watchdog_s)
            assert board.on == set()

    with pytest.raises(LinkError, match="turned everything off by itself"):
        run_virtual(main())

    assert any("watchdog turns everything off" in notice for notice in notices)
    assert board.log[-1][1].startswith("all-off fault")


def test_a_link_that_comes_back_in_time_is_forgiven():
    board = FakeBoard()

    async def hiccup(guard: GuardedBoard) -> None:
        await light_up(guard)
        board.lose_link()
        await asyncio.sleep(0.2)
        board.link_lost = False
        await asyncio.sleep(2.0)
        await guard.snapshot()

    assert_off_and_released(on_a_board(hiccup, board))


def test_safe_is_tried_again_until_the_link_carries_it():
    board = FakeBoard()

    async def hiccup(guard: GuardedBoard) -> None:
        await light_up(guard)
        board.lose_link()
        asyncio.get_running_loop().call_later(0.3, lambda: setattr(board, "link_lost", False))

    assert_off_and_released(on_a_board(hiccup, board))


def test_a_stop_from_another_task_switches_off_and_ends_the_body():
    board = FakeBoard()

    async def main() -> None:
        async with guarded(board) as guard, asyncio.TaskGroup() as tasks:

            async def press() -> None:
                await asyncio.sleep(0.05)
                await guard.stop("enough")
                assert board.on == set()

            tasks.create_task(press())
            await guard.drive(STOP)
            await asyncio.sleep(60)

    with pytest.raises(Stopped, match="stopped: enough; outputs are off") as stopped:
        run_virtual(main())

    assert stopped.value.exit_code == 130
    assert_off_and_released(board)


# --- the door ---


def test_a_short_that_the_pulse_shows_bars_driving_but_not_wiggling():
    board = FakeBoard()
    board.ohm[STOP] = 0.05

    async def body(guard: GuardedBoard) -> None:
        await guard.pulse(STOP)
        assert guard.shorted == {STOP}
        with pytest.raises(Denied, match="showed a short on stop"):
            await guard.drive(STOP)
        await guard.wiggle(STOP)
        await guard.off([STOP])

    on_a_board(body, board)

    assert not board.said("drive")


def test_a_sound_filament_is_not_taken_for_a_short():
    async def body(guard: GuardedBoard) -> None:
        for channel in (STOP, TAIL, TURN):
            await guard.probe(channel)
            await guard.pulse(channel)
        assert guard.shorted == frozenset()

    on_a_board(body)


def test_a_mended_short_may_be_driven_after_a_new_look():
    board = FakeBoard()
    board.ohm[TURN] = 0.05

    async def body(guard: GuardedBoard) -> None:
        await guard.pulse(TURN)
        board.ohm[TURN] = 6.4
        await guard.pulse(TURN)
        await guard.drive(TURN)

    on_a_board(body, board)

    assert board.said("drive")


def test_a_cold_pulse_is_void_after_a_lamp_was_lit_also_by_the_session_before():
    board = FakeBoard()

    async def main() -> None:
        async with guarded(board) as guard:
            await light_up(guard)
            await guard.off()
            with pytest.raises(Denied, match="void") as void:
                await guard.pulse(STOP)
            assert not void.value.denial.dangerous
        async with guarded(board) as guard:
            with pytest.raises(Denied, match="void"):
                await guard.pulse(STOP)
            await guard.wait(5.0)
            await guard.pulse(STOP)

    run_virtual(main())


def test_a_permit_rests_on_a_snapshot_taken_after_the_last_command():
    async def body(guard: GuardedBoard) -> None:
        await guard.returns(Return.NONE)
        with pytest.raises(Denied, match="both return switches are open"):
            await guard.drive(STOP)

    on_a_board(body)


@pytest.mark.parametrize("late_s", [step * 0.0005 for step in range(10)])
@pytest.mark.parametrize("exchange_s", [0.0002, 0.001, 0.002, 0.02])
def test_a_shot_is_never_taken_for_the_one_before_at_any_link_speed(exchange_s, late_s):
    board = FakeBoard()
    board.exchange_s, board.shot_late_s = exchange_s, late_s

    async def body(guard: GuardedBoard) -> None:
        for channel in (STOP, TURN, STOP, TAIL, TURN):
            shot = await guard.pulse(channel)
            fed = [n for n, seen in enumerate(shot.channels, 1) if seen.state is ChannelState.PULSE]
            assert fed == [channel]

    on_a_board(body, board)


def test_the_profile_must_fit_the_supply_before_the_board_is_claimed():
    board = FakeBoard()
    board.supply_v = 25.6

    with pytest.raises(PermitDenied, match=r"25\.6 V but the profile is for 12 V .* choose the right profile"):
        on_a_board(light_up, board)

    assert not board.said("claim")


def test_a_supply_that_changes_later_is_refused_at_the_next_request():
    board = FakeBoard()

    async def body(guard: GuardedBoard) -> None:
        board.supply_v = 25.6
        await light_up(guard)

    with pytest.raises(Denied, match=r"25\.6 V but the profile is for 12 V"):
        on_a_board(body, board)

    assert not board.said("drive")


def test_a_refusal_that_hides_a_fault_is_told_as_the_fault():
    board = FakeBoard()

    async def body(guard: GuardedBoard) -> None:
        await guard.snapshot()
        board.at_exchange[board.exchanges + 1] = board.press_stop
        await guard.drive(STOP)

    with pytest.raises(BoardFault, match="emergency stop"):
        on_a_board(body, board)


def test_trips_are_told_with_their_reason():
    board, told = FakeBoard(), []

    async def body(guard: GuardedBoard) -> None:
        await guard.drive(STOP)
        board.outputs[STOP - 1].state = ChannelState.TRIPPED
        board._event(EventKind.TRIP, STOP, TripReason.SHORT)
        await guard.read_events()
        assert guard.trips == {STOP: TripReason.SHORT}
        with pytest.raises(Denied, match="tripped; turn it off"):
            await guard.drive(STOP)
        await guard.off([STOP])
        await guard.drive(STOP)

    on_a_board(body, board, on_event=told.append)

    assert EventKind.TRIP in {event.kind for event in told}


def test_identity_is_unchanged_by_the_guard():
    board = FakeBoard()
    board.identity_is = replace(board.identity_is, serial="S-9")

    async def body(guard: GuardedBoard) -> None:
        assert guard.identity.serial == "S-9"

    on_a_board(body, board)
