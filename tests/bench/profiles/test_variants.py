"""Profiles that extend others."""

from pathlib import Path

import pytest

from bench.errors import InputError
from bench.profiles import load_profile
from tests.bench.profiles.samples import HARNESS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "base.yaml").write_text(HARNESS)
    return tmp_path


def variant(folder: Path, text: str, name: str = "variant.yaml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_a_variant_changes_what_it_names_and_keeps_the_rest(folder: Path) -> None:
    path = variant(
        folder,
        "extends: base.yaml\ntitle: A longer one\n"
        "segments:\n  wire.stop: {length_ft: 60}\nloads:\n  stop.left: null\n  tail.left: {lamp: bulb-97}\n",
    )
    base, profile = load_profile(folder / "base.yaml"), load_profile(path)

    assert (profile.name, profile.title) == ("variant", "A longer one")
    assert profile.segments[0].length_m == pytest.approx(60 * 0.3048)
    assert profile.segments[0].area_mm2 == base.segments[0].area_mm2
    assert [load.name for load in profile.loads] == ["stop.right", "tail.left"]
    assert profile.loads[1].type != base.loads[2].type


def test_one_kind_of_load_replaces_another_when_the_first_is_removed(folder: Path) -> None:
    path = variant(folder, "extends: base.yaml\nloads:\n  tail.left: {lamp: null, resistor: {ohm: 20}}\n")

    assert load_profile(path).loads[2].type == load_profile(path).loads[2].type.__class__(20.0)  # type: ignore[call-arg]


def test_a_variant_of_a_variant_is_possible(folder: Path) -> None:
    variant(folder, "extends: base.yaml\ntitle: second\nunits: metric\n", "second.yaml")
    path = variant(folder, "extends: second.yaml\ntitle: third\n")

    assert (load_profile(path).title, load_profile(path).units) == ("third", "metric")


def test_a_mistake_of_the_variant_is_told_with_its_own_line(folder: Path) -> None:
    path = variant(folder, "extends: base.yaml\n\nloads:\n  tail.left: {lamp: bulb-98}\n")

    with pytest.raises(InputError, match="bulb-97") as caught:
        load_profile(path)
    assert str(caught.value).startswith(f"{path}:4: ")


def test_a_mistake_that_comes_from_the_base_is_told_with_the_bases_line(folder: Path) -> None:
    path = variant(folder, "extends: base.yaml\njoints:\n  bond: null\n")
    (folder / "base.yaml").write_text(HARNESS.replace("awg: 8", "awg: 80"))

    with pytest.raises(InputError) as caught:
        load_profile(path)
    assert str(caught.value).startswith(f"{folder / 'base.yaml'}:11: 'awg' must be at most 30")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("extends: absent\n", "no profile 'absent'"),
        ("extends: variant.yaml\n", "cannot extend itself"),
        ("extends: loop.yaml\n", "cannot extend itself"),
        ("extends: [base.yaml]\n", "'extends' must be text"),
    ],
)
def test_a_base_that_is_none_is_refused(folder: Path, text: str, why: str) -> None:
    variant(folder, "extends: variant.yaml\n", "loop.yaml")

    with pytest.raises(InputError, match=why) as caught:
        load_profile(variant(folder, text))
    assert ":1: " in str(caught.value)


def test_a_long_chain_is_refused(folder: Path) -> None:
    for i in range(6):
        variant(folder, f"extends: {'base' if i == 0 else f'v{i - 1}'}.yaml\n", f"v{i}.yaml")

    with pytest.raises(InputError, match="more than 4 profiles extend each other"):
        load_profile(folder / "v5.yaml")


def test_a_base_that_is_no_group_of_keys_is_refused(folder: Path) -> None:
    (folder / "base.yaml").write_text("[]")

    with pytest.raises(InputError, match="is missing"):
        load_profile(variant(folder, "extends: base.yaml\n"))
