"""Files as plain data: lines are known, and what no profile needs is refused at the door."""

from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles.source import JSON_LIMIT_BYTES, YAML_LIMIT_BYTES, parse_json, parse_yaml, read_document, shown


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_yaml(text, "f.yaml")
    return str(caught.value)


def test_every_key_and_item_knows_its_line() -> None:
    data, lines = parse_yaml("a: 1\nb:\n  - x\n  - {c: 2}\n", "f.yaml")

    assert data == {"a": 1, "b": ["x", {"c": 2}]}
    assert {loc: mark.line for loc, mark in lines.items()} == {
        (): 1, ("a",): 1, ("b",): 2, ("b", 0): 3, ("b", 1): 4, ("b", 1, "c"): 4,
    }  # fmt: skip


def test_numbers_are_those_of_yaml_1_2_and_words_stay_words() -> None:
    data, _ = parse_yaml("[1, -2.5, 1e3, 0x10, yes, on, 12:30, true, null, 2024-01-01]", "f.yaml")

    assert data == [1, -2.5, 1000.0, 16, "yes", "on", "12:30", True, None, "2024-01-01"]


def test_keys_are_text_as_in_json() -> None:
    assert parse_yaml("1: a\ntrue: b", "f.yaml")[0] == {"1": "a", "true": "b"}


def test_an_empty_file_holds_nothing() -> None:
    assert parse_yaml("", "f.yaml")[0] is None
    assert parse_yaml("# only a comment\n", "f.yaml")[0] is None


@pytest.mark.parametrize(
    ("text", "line", "why"),
    [
        ("a: &x 1\nb: *x\n", 2, "aliases"),
        ("a: &x [1]\nb: [*x, *x]\n", 2, "aliases"),
        ("a: 1\n\nb: !secret 2\n", 3, "tag"),
        ("a: !!python/object:os.system 2\n", 1, "tag"),
        ("a: !!binary aGk=\n", 1, "tag"),
        ("- !thing {a: 1}\n", 1, "tag"),
        ("%YAML 1.1\n---\na: on\n", 1, "directive"),
        ("a: 1\nb: 2\na: 3\n", 3, "'a' is here twice"),
        ("a: {b: 1, b: 2}\n", 1, "'b' is here twice"),
        ("1: x\n'1': y\n", 2, "'1' is here twice"),
        ("a: .nan\n", 1, "finite"),
        ("a:\n  b: -.inf\n", 2, "finite"),
        ("a: 1e999\n", 1, "finite"),
        (f"a: {'9' * 5000}\n", 1, "not a number"),
        ("? [a, b]\n: 1\n", 1, "key"),
        ("a: [1\nb: 2\n", 2, "YAML"),
        ("a:\n\t- 1\n", 2, "YAML"),
        ("a: 1\n--- \nb: 2\n", 2, "YAML"),
        ("a: \x07\n", 1, "character"),
        ("ok: 1\nbad: \x00\n", 2, "character"),
        ("[" * 40 + "]" * 40, 1, "deep"),
        ("[" * 1_000, 1, "deep"),
        ("- " * 50_000, 1, "deep"),
        ("\n".join(" " * i + "a:" for i in range(100)), 17, "deep"),
    ],
)
def test_what_no_profile_needs_is_refused_with_its_line(text: str, line: int, why: str) -> None:
    said = refusal(text)

    assert said.startswith(f"f.yaml:{line}: ")
    assert why in said


def test_a_billion_laughs_are_not_laughed() -> None:
    lines = ["a0: &a0 [ha, ha]"] + [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 12)]

    assert "aliases" in refusal("\n".join(lines))


@pytest.mark.parametrize(
    ("text", "place", "why"),
    [
        ('{"a": 1,\n "b": }', "f.json:2: ", "JSON"),
        ('{"a": 1,\n "a": 2}', "f.json:2: ", "'a' is here twice"),
        ("", "f.json:1: ", "JSON"),
        ("[" * 100_000, "f.json: ", "deep"),
        ("[" * 30 + "]" * 30, "f.json: ", "deep"),
        (f"[{'9' * 5000}]", "f.json", "not a number"),
    ],
)
def test_json_is_refused_with_its_place(text: str, place: str, why: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_json(text, "f.json")

    assert str(caught.value).startswith(place)
    assert why in str(caught.value)


def test_a_json_file_knows_its_lines_as_yaml_does(tmp_path: Path) -> None:
    path = tmp_path / "f.json"
    path.write_text('{\n "a": [1,\n  2]}')
    document = read_document(path)

    assert document.data == {"a": [1, 2]}
    assert document.where(("a", 1)).endswith("f.json:3")
    assert document.where(("a", 1, "more")).endswith("f.json:3")


def test_json_that_is_not_yaml_gives_the_path_of_the_key(tmp_path: Path) -> None:
    path = tmp_path / "f.json"
    path.write_text('{"a": {"b": 1e999}}')

    assert read_document(path).where(("a", "b")).endswith("f.json: a.b")


def test_files_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    latin, huge = tmp_path / "latin.yaml", tmp_path / "huge.yaml"
    latin.write_bytes(b"a: 1\ntitle: gr\xfcn\n")
    huge.write_bytes(b"#" * (YAML_LIMIT_BYTES + 1))

    for path, why in (
        (tmp_path / "absent.yaml", "no such file"),
        (tmp_path, "not a file"),
        (Path("/dev/null"), "not a file"),
        (latin, "latin.yaml:2: is not UTF-8"),
        (huge, "larger than"),
        (tmp_path / ("n" * 300), "cannot be read"),
        (Path("nul\0.yaml"), "cannot be read|no such file"),
    ):
        with pytest.raises(InputError, match=why):
            read_document(path)


def test_json_may_be_larger_than_yaml_but_not_boundless(tmp_path: Path) -> None:
    path = tmp_path / "big.json"
    path.write_text(f'{{"a": "{"x" * YAML_LIMIT_BYTES}"}}')
    assert len(read_document(path).data["a"]) == YAML_LIMIT_BYTES

    path.write_bytes(b" " * (JSON_LIMIT_BYTES + 1))
    with pytest.raises(InputError, match="larger than"):
        read_document(path)


def test_a_byte_order_mark_is_no_trouble(tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\n")

    assert read_document(path).data == {"a": 1}


def test_a_file_below_the_working_directory_is_shown_short(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)

    assert shown(tmp_path / "my.yaml") == "my.yaml"
    assert shown(Path("/else/my.yaml")) == "/else/my.yaml"
