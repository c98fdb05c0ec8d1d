import pytest

from bench.cli import run
from bench.cli.serve import bays_of
from bench.errors import InputError


def test_one_board_is_one_bay_and_several_are_named() -> None:
    assert bays_of("sim:", []) == {"bay": "sim:"}
    assert bays_of(None, ["north=sim:", "south=tcp://10.0.0.5:5025"]) == {
        "north": "sim:",
        "south": "tcp://10.0.0.5:5025",
    }


@pytest.mark.parametrize(
    ("bays", "said"),
    [
        ([], "where the board is"),
        (["north"], "NAME=URL"),
        (["=sim:"], "NAME=URL"),
        (["a/b=sim:"], "NAME=URL"),
        (["north=sim:", "north=sim:demo"], "a bay of that name"),
        (["north=sim:", "south=sim:"], "the same board"),
        (["north=nonsense"], "nonsense"),
    ],
)
def test_bays_that_make_no_sense_are_refused_in_one_line(bays: list[str], said: str) -> None:
    with pytest.raises(InputError, match=said):
        bays_of(None, bays)


def test_a_certificate_without_its_key_is_refused_before_anything_listens(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["serve", "--board", "sim:", "--certificate", "bench.pem"]) == 64
    assert "belong together" in capsys.readouterr().err
