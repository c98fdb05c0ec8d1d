import pytest

from bench.vin import check_digit, doubt

# 49 CFR 565.15: the rule's own samples and worked examples published with it.
PUBLISHED = [
    ("1M8GDM9AXKP042788", "X"),
    ("11111111111111111", "1"),
    ("1G4AH59H45G118341", "4"),
    ("1J9RP1A36A1644345", "6"),
]


@pytest.mark.parametrize(("vin", "digit"), PUBLISHED)
def test_check_digits_are_those_of_the_published_examples(vin: str, digit: str) -> None:
    assert check_digit(vin) == digit
    assert doubt(vin) is None


def test_one_wrong_character_in_a_north_american_number_is_noticed() -> None:
    assert "position 9 should be" in (doubt("1M8GDM9AXKP042789") or "")


def test_a_european_number_is_not_called_wrong_for_lacking_a_check_digit() -> None:
    assert "need not" in (doubt("WP0ZZZ99ZTS392124") or "")


@pytest.mark.parametrize("vin", ["", "1M8", "1M8GDM9AXKP0427888"])
def test_a_number_of_another_length_is_noticed(vin: str) -> None:
    assert "17" in (doubt(vin) or "")


@pytest.mark.parametrize("letter", "IOQ-é")
def test_letters_that_no_number_holds_are_named(letter: str) -> None:
    assert letter in (doubt(f"1M8GDM9A{letter}KP042788") or "")
