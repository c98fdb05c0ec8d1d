import pytest

from bench.reports.words import kind_title, lasted, plain, plural, when


@pytest.mark.parametrize(
    ("started", "expected"),
    [
        ("2026-01-12T14:30:15-05:00", "12 January 2026, 14:30 (UTC−05:00)"),
        ("2026-01-12T14:30:15+00:00", "12 January 2026, 14:30 (UTC)"),
        ("2026-01-12T14:30:15", "12 January 2026, 14:30"),
        ("last Tuesday", "last Tuesday"),
    ],
)
def test_a_moment_is_written_out_and_other_text_left_alone(started: str, expected: str):
    assert when(started) == expected


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(0.3, "0.3 s"), (4.2, "4 s"), (59.6, "1 min 00 s"), (1445, "24 min 05 s"), (7260, "2 h 01 min")],
)
def test_durations_are_in_the_units_people_use(seconds: float, expected: str):
    assert lasted(seconds) == expected


def test_characters_that_reorder_or_do_not_print_become_visible():
    assert plain("A\u202eB\x00C\x1b[0mD\ud800") == "A\ufffdB\ufffdC\ufffd[0mD\ufffd"


def test_an_unknown_kind_is_still_a_title():
    assert kind_title("loose-hose") == "Loose hose"


def test_one_and_many():
    assert (plural(1, "fault"), plural(2, "fault"), plural(2, "axle", "axles")) == ("1 fault", "2 faults", "2 axles")
