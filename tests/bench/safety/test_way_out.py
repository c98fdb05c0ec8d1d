"""A board that falls silent is given up soon, and people are told what it does now."""

import asyncio
from dataclasses import dataclass

import pytest

from bench.contract.table import Capability
from bench.errors import LinkError
from bench.safety.way_out import OFF_WITHIN_S, reason
from bench.virtual_time import run_virtual
from tests.bench.safety.fake_board import EVERYTHING, FakeBoard
from tests.bench.safety.guarding import guarded, light_up

WITHIN_S = 2.0  # a person before a screen that stands still


class MuteBoard(FakeBoard):
    """Once mute, an exchange neither ends nor fails: what a link still tries says nothing to anybody."""

    def __init__(self, **how: object) -> None:
        super().__init__(**how)
        self.mute = False

    async def _exchange(self, text: str | None = None) -> None:
        if self.mute:
            async with self.wire:
                await asyncio.sleep(3600)
        await super()._exchange(text)


@dataclass(frozen=True)
class Silenced:
    """How a session ended whose board fell silent."""

    error: BaseException
    noticed: list[str]
    took_s: float
    on: set[int]


def silenced(board: FakeBoard, silence: str) -> Silenced:
    noticed: list[str] = []

    async def main() -> Silenced:
        loop = asyncio.get_running_loop()
        try:
            async with guarded(board, notice=noticed.append) as guard:
                await light_up(guard)
                setattr(board, silence, True)
                silent_s = loop.time()
                await asyncio.Event().wait()
        except LinkError as error:
            return Silenced(error, noticed, loop.time() - silent_s, board.on)
        pytest.fail("nothing ended the session")

    return run_virtual(main())


@pytest.mark.parametrize("silence", ["mute", "link_lost"])
def test_a_board_that_falls_silent_is_given_up_within_two_seconds_and_is_off_by_then(silence: str) -> None:
    end = silenced(MuteBoard(), silence)

    assert end.took_s <= WITHIN_S
    assert end.on == set()
    assert "the board has turned everything off by itself" in str(end.error)
    assert len(end.noticed) == 1
    assert end.noticed[0].endswith("its watchdog turns everything off within 0.5 s")


def test_a_notice_says_why_a_board_could_not_be_asked_also_when_the_reason_has_no_words() -> None:
    assert "(no answer)" in silenced(MuteBoard(), "mute").noticed[0]
    assert reason(TimeoutError()) == "no answer"
    assert reason(LinkError("the cable is out")) == "the cable is out"


def test_of_a_board_without_a_watchdog_nobody_is_told_that_it_turns_off_by_itself() -> None:
    end = silenced(MuteBoard(protects=False, capabilities=EVERYTHING & ~Capability.WATCHDOG), "mute")

    told = " ".join([str(end.error), *end.noticed])
    assert "switch off its supply" in told
    assert "by itself" not in told
    assert "its watchdog" not in told
    assert end.took_s <= WITHIN_S + OFF_WITHIN_S  # it is asked once more, since nothing else turns it off


def test_an_answer_that_is_lost_once_ends_nothing() -> None:
    board = FakeBoard()

    async def main() -> None:
        async with guarded(board) as guard:
            await light_up(guard)
            board.lose_link()
            await asyncio.sleep(0.3)
            board.link_lost = False
            await guard.wait(1.0)
            assert board.on == {1, 3}

    run_virtual(main())
