"""Questions to the person in control: one at a time, answered on the page, kept while no page is there."""

import asyncio
from collections.abc import Callable
from typing import Any

from bench.errors import InputError, Stopped
from bench.sequences.operator import Answer, Question


class Asking:
    """The operator of a session (see ``bench.sequences.operator``), whoever holds control.

    Args:
        changed: called when there is another question, or none.
    """

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._number = 0
        self._question: Question | None = None
        self._answer: asyncio.Future[Answer | None] | None = None

    async def ask(self, question: Question) -> Answer | None:
        """Wait until somebody has answered.

        Raises:
            Stopped: the run was stopped before anything was switched on.
        """
        self._number += 1
        self._question = question
        self._answer = asyncio.get_running_loop().create_future()
        self._changed()
        try:
            return await self._answer
        finally:
            self._question = self._answer = None
            self._changed()

    def answer(self, number: int, answer: Answer | None) -> None:
        """Answer the question with that number.

        Raises:
            InputError: it is not asked any more.
        """
        if number != self._number or self._answer is None or self._answer.done():
            raise InputError("this question was answered already, or is not asked any more")
        self._answer.set_result(answer)

    def give_up(self) -> None:
        """Nobody will answer: the run was stopped."""
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(Stopped("stopped before anything was switched on"))

    @property
    def shown(self) -> dict[str, Any] | None:
        """The question that waits for an answer."""
        asked = self._question
        if asked is None:
            return None
        return {"number": self._number, "key": asked.key, "text": asked.text, "safety": asked.safety}
