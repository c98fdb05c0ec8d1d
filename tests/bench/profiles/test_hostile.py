"""Whatever is in a file, reading it ends in a result or in an InputError, and soon."""

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.errors import InputError
from bench.profiles import check_file, data_root, load_answers, load_measurements, load_profile, load_scenario
from bench.profiles.loading import profile_of
from bench.profiles.measurements import measurements_of
from bench.profiles.scenarios import scenario_of
from bench.profiles.source import Document, parse_json, parse_yaml
from tests.bench.profiles.samples import HARNESS

SCENARIO = (data_root() / "scenarios" / "demo.yaml").read_text(encoding="utf-8")
MEASUREMENTS = {
    "format": "umbilical-measurements/1",
    "profile": parse_yaml(HARNESS, "f")[0],
    "board": {"probe_ohm": 1000.0},
    "drive": [
        {"return": "both", "driven": ["4", "6"], "pin_v": {"4": 12.0}, "inrush": {"dt_s": 0.1, "a": [1], "v": [2]}}
    ],
}
MANY = settings(max_examples=60, deadline=None)
FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

SHARDS = st.sampled_from(
    ["\n", "  ", "- ", ": ", "{", "}", "[", "]", ",", "&a ", "*a", "!x ", "|", ">", "'", '"', "#", "%", "@", "`", "?",
     "---", "...", "<<: ", "null", "~", "true", "1e9", "0x", "-.inf", "\t", "\u2028", "\x85", "\ufeff", "\U0001f600",
     "pin.4", "from", "kind", "9" * 30, "=", "2001-01-01", "0o8", "1_0", "+", ".", "_", "0b", "1:2:3"]
)  # fmt: skip
GARBAGE = st.lists(SHARDS | st.text(max_size=5), max_size=25).map("".join)


@st.composite
def mutated(draw: st.DrawFn, text: str) -> str:
    """``text`` with a few pieces cut out, put in or moved."""
    for _ in range(draw(st.integers(1, 4))):
        a, b = sorted(draw(st.tuples(*[st.integers(0, len(text))] * 2)))
        b = min(b, a + 12)
        text = text[:a] + draw(GARBAGE | st.just(text[a:b] * 2)) + text[b:]
    return text


def said(check: Callable[..., Any], *arguments: Any) -> str | None:
    """What an InputError says; None when all is well; any other error is let through."""
    try:
        check(*arguments)
    except InputError as error:
        return str(error)
    return None


def survives(check: Callable[..., Any], path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="surrogatepass")

    assert (said(check, path) or str(path)).startswith(str(path))


@FEW
@given(text=GARBAGE)
def test_garbage_is_data_or_an_input_error(text: str) -> None:
    for parse in (parse_yaml, parse_json):
        assert (said(parse, text, "f") or "f:").startswith("f:")


@FEW
@given(text=mutated(HARNESS))
def test_a_spoilt_profile_is_read_or_refused(tmp_path: Path, text: str) -> None:
    survives(load_profile, tmp_path / "f.yaml", text)


@FEW
@given(text=mutated(SCENARIO))
def test_a_spoilt_scenario_is_read_or_refused(tmp_path: Path, text: str) -> None:
    survives(load_scenario, tmp_path / "f.yaml", text)


@FEW
@given(data=st.binary(max_size=60))
def test_bytes_are_read_or_refused(tmp_path: Path, data: bytes) -> None:
    for name in ("f.yaml", "f.json"):
        (tmp_path / name).write_bytes(data)
        for check in (check_file, load_answers):
            assert (said(check, tmp_path / name) or str(tmp_path)).startswith(str(tmp_path))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
KEYS = ("format", "profile", "nominal_v", "ambient_c", "supply_v", "board", "probe", "pulse", "drive")


@FEW
@given(data=st.dictionaries(st.sampled_from(KEYS), JSON))
def test_measurements_of_any_shape_are_read_or_refused(tmp_path: Path, data: dict[str, Any]) -> None:
    whole = {"format": "umbilical-measurements/1", "profile": "tandem-53ft", "supply_v": 12.0} | data

    survives(load_measurements, tmp_path / "f.json", json.dumps(whole))


def paths(data: Any, at: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Of everything inside ``data``."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield (*at, key)
        yield from paths(value, (*at, key))


WORDS = st.sampled_from(["pin.4", "pin.1", "pin.99", "chassis", "rear.stop", "stop", "tail", "", "a b", "sae-j560"])
ANYTHING = JSON | WORDS | st.sampled_from([0, -1, 4, 7, 1e9, True, None, [], {}])


@st.composite
def disturbed(draw: st.DrawFn, whole: Any) -> Any:
    """``whole`` with a few values replaced, removed or put under another key."""
    data = deepcopy(whole)
    for _ in range(draw(st.integers(1, 3))):
        *way, last = draw(st.sampled_from(sorted(paths(data), key=repr)))
        inner = data
        for key in way:
            inner = inner[key]
        how = draw(st.sampled_from(["replace", "remove", "rename"]))
        if how == "replace" or isinstance(inner, list):
            inner[last] = draw(ANYTHING)
        elif how == "rename":
            inner[draw(WORDS)] = inner.pop(last)
        else:
            del inner[last]
    return data


def survives_as_data(check: Callable[[Document], Any], data: Any) -> None:
    document = Document(Path("f.yaml"), "f.yaml", data, dict)

    assert (said(check, document) or "f.yaml: ").startswith("f.yaml: ")


@MANY
@given(data=disturbed(parse_yaml(HARNESS, "f")[0]))
def test_a_profile_with_anything_in_a_place_is_read_or_refused(data: Any) -> None:
    survives_as_data(profile_of, data)


@MANY
@given(data=disturbed(parse_yaml(SCENARIO, "f")[0]))
def test_a_scenario_with_anything_in_a_place_is_read_or_refused(data: Any) -> None:
    survives_as_data(scenario_of, data)


@MANY
@given(data=disturbed(MEASUREMENTS))
def test_measurements_with_anything_in_a_place_are_read_or_refused(data: Any) -> None:
    survives_as_data(measurements_of, data)
