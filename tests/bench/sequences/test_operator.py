"""Who answers, and what counts as a yes."""

import pytest

from bench.sequences.operator import Nobody, Prepared, Question, is_yes
from bench.virtual_time import run_virtual

QUESTION = Question("clear-to-power", "Clear?")


@pytest.mark.parametrize("answer", [True, "yes", "Yes ", "y", "true"])
def test_a_plain_yes_is_a_yes(answer):
    assert is_yes(answer)


@pytest.mark.parametrize("answer", [None, False, "no", "", "maybe", "yes, but", 1.0, 0.0])
def test_anything_else_is_not(answer):
    assert not is_yes(answer)


def test_prepared_answers_come_first_and_others_are_asked_once():
    class Counting:
        asked = 0

        async def ask(self, question: Question) -> bool:
            assert question == QUESTION
            self.asked += 1
            return True

    async def main() -> tuple[object, object, object, int]:
        somebody = Counting()
        operator = Prepared({"prepared": False}, somebody)
        prepared = await operator.ask(Question("prepared", "?"))
        first = await operator.ask(QUESTION)
        second = await operator.ask(QUESTION)
        return prepared, first, second, somebody.asked

    assert run_virtual(main()) == (False, True, True, 1)


def test_nobody_answers_nothing_and_is_asked_again():
    assert run_virtual(Prepared({}, Nobody()).ask(QUESTION)) is None
