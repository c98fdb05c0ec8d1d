import asyncio

import pytest

from bench.errors import GarbledReply, NoBoard
from bench.link.exchange import Turns, try_again

pytestmark = pytest.mark.virtual_time


class Wire:
    """Notes when exchanges begin and end."""

    def __init__(self) -> None:
        self.notes: list[str] = []

    def exchange(self, name: str, takes_s: float = 1.0, error: Exception | None = None):
        async def run() -> str:
            self.notes.append(f"{name} begins")
            await asyncio.sleep(takes_s)
            self.notes.append(f"{name} ends")
            if error:
                raise error
            return name

        return run


async def test_exchanges_follow_each_other_in_the_order_they_were_asked_for():
    turns, wire = Turns(), Wire()

    answers = await asyncio.gather(*(turns.take(wire.exchange(name)) for name in "abc"))

    assert answers == ["a", "b", "c"]
    assert wire.notes == ["a begins", "a ends", "b begins", "b ends", "c begins", "c ends"]


async def test_an_exchange_that_has_begun_ends_though_its_caller_is_cancelled():
    turns, wire = Turns(), Wire()
    first = asyncio.create_task(turns.take(wire.exchange("a")))
    await asyncio.sleep(0.5)

    first.cancel()
    answer = await turns.take(wire.exchange("b"))

    assert first.cancelled()
    assert answer == "b"
    assert wire.notes == ["a begins", "a ends", "b begins", "b ends"]


async def test_an_exchange_whose_caller_is_cancelled_before_its_turn_never_begins():
    turns, wire = Turns(), Wire()
    first = asyncio.create_task(turns.take(wire.exchange("a")))
    waiting = asyncio.create_task(turns.take(wire.exchange("b")))
    await asyncio.sleep(0.5)

    waiting.cancel()
    await first
    await turns.take(wire.exchange("c"))

    assert wire.notes == ["a begins", "a ends", "c begins", "c ends"]


async def test_an_error_is_its_callers_and_the_next_exchange_goes_on():
    turns, wire = Turns(), Wire()

    with pytest.raises(NoBoard):
        await turns.take(wire.exchange("a", error=NoBoard("gone")))

    assert await turns.take(wire.exchange("b")) == "b"


async def test_an_error_of_an_exchange_nobody_waits_for_disturbs_nobody(caplog):
    turns, wire = Turns(), Wire()
    first = asyncio.create_task(turns.take(wire.exchange("a", error=NoBoard("gone"))))
    await asyncio.sleep(0.5)
    first.cancel()

    assert await turns.take(wire.exchange("b")) == "b"
    assert caplog.records == []


async def attempts(*errors: Exception | None) -> tuple[int, Exception | None]:
    """How many attempts are made when they end like this, and what comes out."""
    made = 0

    async def connect() -> None:
        return None

    async def attempt() -> None:
        nonlocal made
        made += 1
        if error := errors[made - 1]:
            raise error

    try:
        await try_again(connect, attempt)
    except Exception as error:
        return made, error
    return made, None


async def test_an_attempt_is_made_three_times_at_most():
    lost = GarbledReply("cut")

    assert await attempts(None) == (1, None)
    assert await attempts(lost, lost, None) == (3, None)
    assert await attempts(lost, lost, lost, None) == (3, lost)


async def test_what_is_no_link_error_is_not_tried_again():
    wrong = ValueError("bug")

    assert await attempts(wrong, None) == (1, wrong)


async def test_a_wire_that_cannot_be_opened_ends_it_at_once():
    async def connect() -> None:
        raise NoBoard("refused")

    with pytest.raises(NoBoard, match="refused"):
        await try_again(connect, connect)
