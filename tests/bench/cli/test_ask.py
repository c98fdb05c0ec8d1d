"""Questions on a terminal: a pseudo-terminal stands in for the person's."""

import asyncio
import io
import os
import sys
from collections.abc import Iterator
from contextlib import nullcontext

import pytest
from rich.console import Console

from bench.cli.ask import Terminal, Yes, operator
from bench.sequences.operator import Nobody, Prepared, Question

SAFETY = Question("clear", "Is everybody clear?")
CONVENIENCE = Question("again", "Once more?", safety=False)


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Where to type what stdin then reads."""
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        yield master
    os.close(master)


def screen() -> Console:
    return Console(file=io.StringIO(), width=80)


async def ask_while_typing(typed: int, text: str) -> object:
    """The answer, with something else running meanwhile, as the board's watchdog feeding does."""

    async def feed_then_type() -> None:
        await asyncio.sleep(0.05)
        os.write(typed, text.encode())

    _, answer = await asyncio.gather(feed_then_type(), Terminal(screen()).ask(SAFETY))
    return answer


async def test_an_answer_is_waited_for_while_everything_else_goes_on(typed: int) -> None:
    assert await ask_while_typing(typed, "yes\n") == "yes"


async def test_an_empty_line_is_no_answer(typed: int) -> None:
    assert await ask_while_typing(typed, "\n") is None


async def test_a_question_can_be_given_up(typed: int) -> None:
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(Terminal(screen()).ask(SAFETY), 0.01)


async def test_yes_is_said_to_conveniences_and_never_about_safety() -> None:
    says_yes = Yes(Nobody())

    assert await says_yes.ask(CONVENIENCE) is True
    assert await says_yes.ask(SAFETY) is None
    assert await Yes(Prepared({"clear": "no"})).ask(SAFETY) == "no"


async def test_a_script_without_a_terminal_answers_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("yes\n"))

    assert await operator(screen(), yes=False, pause=nullcontext).ask(SAFETY) is None
