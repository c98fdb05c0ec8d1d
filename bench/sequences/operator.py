"""Questions that only a person can answer, and whoever answers them: a terminal, a page, a file."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

Answer = str | float | bool
YES = frozenset({"yes", "y", "true", "on", "1"})


@dataclass(frozen=True, slots=True)
class Question:
    """Something to ask.

    Attributes:
        key: its name in an answers file.
        safety: what depends on it is not done without a plain yes; never answered by ``--yes``.
        lasts: a person's answer holds for the rest of the run; otherwise it is asked for again.
        node: of the drawing, that the sense lead is to be clipped to with a yes; empty for any other question.
    """

    key: str
    text: str
    safety: bool = True
    lasts: bool = True
    node: str = ""


class Operator(Protocol):
    """Somebody who can be asked."""

    async def ask(self, question: Question) -> Answer | None:
        """The answer, or None when there is nobody to give one."""


class Nobody:
    """Answers nothing: what depends on a safety question is then not tested."""

    async def ask(self, question: Question) -> Answer | None:  # noqa: ARG002 - nobody listens
        """No answer."""
        return None


class Prepared:
    """Answers given beforehand, by question; whoever else is there is asked for the rest, once."""

    def __init__(self, answers: Mapping[str, Answer], otherwise: Operator | None = None) -> None:
        self._answers = dict(answers)
        self._otherwise = otherwise or Nobody()

    async def ask(self, question: Question) -> Answer | None:
        """The answer, remembered."""
        if question.key not in self._answers:
            answer = await self._otherwise.ask(question)
            if answer is None:
                return None
            if not question.lasts:
                return answer
            self._answers[question.key] = answer
        return self._answers[question.key]


def is_yes(answer: Answer | None) -> bool:
    """Whether an answer is a plain yes."""
    return answer.strip().lower() in YES if isinstance(answer, str) else answer is True
