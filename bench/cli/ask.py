"""Asking the person at the terminal, while the board's watchdog is being fed."""

import asyncio
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext

from rich.console import Console

from bench.cli.progress import remark
from bench.sequences.operator import Answer, Nobody, Operator, Question


class Terminal:
    """Prints a question and waits for a line; an empty one is no answer.

    Args:
        pause: holds the live display while a question is on the screen.
    """

    def __init__(self, console: Console, pause: Callable[[], AbstractContextManager[object]] = nullcontext) -> None:
        self._console = console
        self._pause = pause

    async def ask(self, question: Question) -> Answer | None:
        """What was typed, or None."""
        with self._pause():
            self._console.print(remark("ASKED", question.text, "bold"))
            self._console.print(" " * len(" CAUTION  ") + "yes, no or a value: ", end="")
            line = await _line()
        return line.strip() or None


class Yes:
    """Says yes to conveniences and passes safety questions on."""

    def __init__(self, otherwise: Operator) -> None:
        self._otherwise = otherwise

    async def ask(self, question: Question) -> Answer | None:
        """Yes, unless it is about safety."""
        return await self._otherwise.ask(question) if question.safety else True


async def _line() -> str:
    """A line from stdin that can be waited for and given up, which a thread's could not."""
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[None] = loop.create_future()

    def come() -> None:
        if not ready.done():
            ready.set_result(None)

    loop.add_reader(sys.stdin, come)
    try:
        await ready
        return sys.stdin.readline()
    finally:
        loop.remove_reader(sys.stdin)


def operator(console: Console, *, yes: bool, pause: Callable[[], AbstractContextManager[object]]) -> Operator:
    """Who answers: the person at the terminal, or nobody in a script."""
    person: Operator = Terminal(console, pause) if sys.stdin.isatty() else Nobody()
    return Yes(person) if yes else person
