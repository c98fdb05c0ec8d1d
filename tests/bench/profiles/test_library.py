"""Finding files, checking any of them, and the package's front door."""

import subprocess
import sys
from pathlib import Path

import pytest

import bench.profiles
from bench.errors import InputError
from bench.profiles import check_file, data_root, json_schema, library, schema_kinds
from bench.profiles.kinds import kind_of
from bench.profiles.library import find, near


@pytest.mark.parametrize(
    ("keys", "kind"),
    [
        ("title pins", "connector"),
        ("title circuits loads limits", "harness"),
        ("extends loads", "harness"),
        ("profile faults", "scenario"),
        ("format profile drive", "measurements"),
        ("lamps", "lamps"),
        ("title limits", "limits"),
        ("clear-to-power", "answers"),
        ("", "answers"),
    ],
)
def test_a_file_is_known_by_its_keys(keys: str, kind: str) -> None:
    assert kind_of(dict.fromkeys(keys.split())) == kind


@pytest.mark.parametrize(
    ("name", "kind"),
    [("tandem-53ft", "harness"), ("machine-door", "harness"), ("demo", "scenario"), ("iso-1185", "connector")],
)
def test_what_comes_along_can_be_checked_by_name(name: str, kind: str) -> None:
    assert check_file(name) == kind


@pytest.mark.parametrize("name", ["nothing-like-it", "absent.yaml", "absent/there"])
def test_checking_what_is_not_there_says_so(name: str) -> None:
    with pytest.raises(InputError, match=r"no file and no name|there is no such file"):
        check_file(name)


def test_a_file_beside_goes_before_one_of_the_working_directory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    beside = tmp_path / "beside"
    beside.mkdir()
    for folder in (tmp_path, beside):
        (folder / "c.yaml").touch()
    monkeypatch.chdir(tmp_path)

    assert find("connector", "c.yaml", beside) == beside / "c.yaml"
    assert find("connector", "c.yaml") == Path("c.yaml")


def test_data_in_the_package_goes_before_the_source_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(library, "files", lambda _: tmp_path)
    read = data_root.__wrapped__

    assert read() == tmp_path.parent / "profiles"
    (tmp_path / "_profiles").mkdir()
    assert read() == tmp_path / "_profiles"


@pytest.mark.parametrize(
    ("name", "known", "said"),
    [
        ("rear.stp", ["rear.stop", "mid.stop"], ": did you mean 'rear.stop'?"),
        ("x", ["b", "a"], "; choose from a, b"),
        ("x", [str(i) for i in range(20)], ""),
        ("x", [], ""),
    ],
)
def test_near_names_are_suggested_and_short_choices_told(name: str, known: list[str], said: str) -> None:
    assert near(name, known) == said


def test_a_schema_of_no_kind_is_refused() -> None:
    with pytest.raises(InputError, match="no kind of file 'harnes': did you mean 'harness'"):
        json_schema("harnes")
    assert "harness" in schema_kinds()


def test_the_front_door_opens_on_first_use_only() -> None:
    """Help must answer at once, and pydantic and YAML take longer to import than that."""
    code = "import sys, bench.profiles.model; print([m for m in ('pydantic', 'ruamel.yaml') if m in sys.modules])"
    root = Path(bench.__file__).parent.parent
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)

    assert run.stdout.strip() == "[]"


def test_all_that_is_promised_is_there_and_nothing_else() -> None:
    assert all(callable(getattr(bench.profiles, name)) for name in bench.profiles.__all__)
    with pytest.raises(AttributeError, match="load_profiles"):
        _ = bench.profiles.load_profiles
