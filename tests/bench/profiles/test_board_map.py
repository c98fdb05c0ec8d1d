"""Board maps: what comes along is sound, and every mistake is told with its line."""

from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import board_map_names, data_root, load_board_map
from bench.profiles.board_map import Input

SIXTEEN = (data_root() / "boards" / "relays-16-inputs-16.yaml").read_text(encoding="utf-8")


def line_of(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


def refusal(tmp_path: Path, text: str) -> str:
    path = tmp_path / "map.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_board_map(path)
    return str(error.value)


@pytest.mark.parametrize("name", board_map_names())
def test_a_shipped_map_has_a_relay_and_a_voltage_for_each_channel(name: str) -> None:
    board = load_board_map(name)

    assert set(board.drive) == set(board.voltage) == set(range(1, board.channels + 1))
    assert len(set(board.coils)) == len(board.coils)
    assert len(set(board.inputs)) == len(board.inputs)


def test_a_register_becomes_its_quantity() -> None:
    """Two's complement after the Modbus custom; 10 V behind a divider of 1:4 are 40 V."""
    pin = Input(2, "input", 0, signed=False, scale=40 / 65_535, offset=0.0)
    current = Input(3, "input", 0, signed=True, scale=0.001, offset=0.5)

    assert pin.value(65_535) == pytest.approx(40.0)
    assert pin.value(20_972) == pytest.approx(12.80, abs=0.01)
    assert current.value(0xFFFF) == pytest.approx(0.499)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("    3: {unit: 1, coil: 2}\n", "", "channel 3 is missing"),
        ("    7: {unit: 1, coil: 6}\n", "    9: {unit: 1, coil: 6}\n", "there is no channel 9"),
        (
            "    2: {unit: 1, coil: 1}",
            "    2: {unit: 1, coil: 0}",
            "coil 0 of this module is relays.channels.1",
        ),
        ("probe_ohm: 1000\n", "", "probe relays and probe_ohm belong together"),
        ("  return_pin: {unit: 1, coil: 14}\n", "", "return_pin and return_chassis belong together"),
        ("fuse_a: 10", "fuse_a: 30", "fuse_a"),
        ("fuse_a: 10", "fuses_a: 10", "unknown key 'fuses_a'"),
        ("{unit: 2, register: 0, table: input, scale: 0.00061036}", "{unit: 2, register: 0, scale: 0}", "a scale of 0"),
        ("    1: {unit: 2, register: 1,", "    1: {unit: 300, register: 1,", "247"),
    ],
)
def test_a_mistake_is_told_with_file_and_line(old: str, new: str, said: str, tmp_path: Path) -> None:
    assert old in SIXTEEN
    message = refusal(tmp_path, SIXTEEN.replace(old, new, 1))

    assert said in message
    assert "map.yaml:" in message


def test_the_line_is_that_of_the_second_use(tmp_path: Path) -> None:
    text = SIXTEEN.replace("    4: {unit: 1, coil: 3}", "    4: {unit: 1, coil: 5}", 1)

    assert f"map.yaml:{line_of(text, '6: {unit: 1, coil: 5}')}: coil 5" in refusal(tmp_path, text)


def test_without_any_current_there_is_no_bench(tmp_path: Path) -> None:
    lines = SIXTEEN.splitlines(keepends=True)
    begin = lines.index("  current:\n")
    text = "".join(lines[:begin] + lines[begin + 8 :])

    assert "no current is measured" in refusal(tmp_path, text)
