"""What events mean, one after the other."""

import pytest

from bench.contract.table import EventKind
from bench.sequences.conduction import Marks, Spell, Tally

BROKE, MADE, CLEARED = EventKind.BROKE, EventKind.MADE, EventKind.SHORT_CLEARED


def test_an_opening_lasts_from_broke_to_made_and_keeps_the_mark_under_which_it_began() -> None:
    tally = Tally(conducts=True)

    assert tally.take(BROKE, 1.0, "plug") == "broke"
    assert tally.take(MADE, 1.004, "crossmember") == "made"
    assert tally.openings == [Spell(1.0, "plug", 1.004)]
    assert tally.openings[0].length_s == pytest.approx(0.004)


def test_an_opening_that_is_not_over_has_no_length() -> None:
    tally = Tally(conducts=True)
    tally.take(BROKE, 1.0, "")

    assert tally.openings[0].length_s is None


def test_a_second_broke_after_a_lost_made_is_no_second_opening() -> None:
    tally = Tally(conducts=True)
    tally.take(BROKE, 1.0, "")

    assert tally.take(BROKE, 2.0, "") is None
    assert len(tally.openings) == 1


def test_contact_found_on_a_wire_that_was_open_from_the_start_is_told_and_is_no_opening() -> None:
    tally = Tally(conducts=False)

    assert tally.take(MADE, 1.0, "") == "made"
    assert tally.openings == []


def test_on_an_exercised_wire_made_is_a_short_unless_the_contact_had_been_lost() -> None:
    tally = Tally(exercised=True)

    assert tally.take(MADE, 1.0, "") == "shorted"
    assert tally.take(BROKE, 2.0, "") == "broke"
    assert tally.take(CLEARED, 2.0, "") == "cleared"
    assert tally.take(MADE, 3.0, "") == "made"
    assert tally.take(MADE, 3.1, "") == "shorted"
    assert [spell.length_s for spell in tally.shorts] == [1.0, None]
    assert tally.shorted


def test_other_events_say_nothing() -> None:
    assert Tally().take(EventKind.RETURNS, 1.0, "") is None


def test_events_belong_to_the_last_mark_before_them() -> None:
    marks = Marks()
    marks.place(2.0, "plug")
    marks.place(5.0, "third crossmember")

    assert [marks.at(time_s) for time_s in (1.0, 2.0, 4.9, 5.0, 60.0)] == [
        "",
        "plug",
        "plug",
        *["third crossmember"] * 2,
    ]
    assert list(marks) == [(2.0, "plug"), (5.0, "third crossmember")]
