"""What ``import bench`` offers: there, documented, typed, and its examples run."""

import doctest
import inspect
from importlib.resources import files

import pytest

import bench


def test_the_examples_of_the_package_run() -> None:
    found = doctest.testmod(bench, raise_on_error=False)

    assert found.attempted > 8
    assert found.failed == 0


@pytest.mark.parametrize("name", [name for name in bench.__all__ if name != "__version__"])
def test_what_is_offered_is_there_and_says_what_it_is(name: str) -> None:
    assert inspect.getdoc(getattr(bench, name))


@pytest.mark.parametrize("name", ["connect", "endure", "load_profile", "load_scenario", "load_sequence", "run_virtual"])
def test_what_is_called_is_typed_to_the_last_argument(name: str) -> None:
    signature = inspect.signature(getattr(bench, name))

    assert signature.return_annotation is not inspect.Signature.empty
    assert all(each.annotation is not inspect.Parameter.empty for each in signature.parameters.values())


@pytest.mark.parametrize(
    "name", [name for name, each in vars(bench.Session).items() if inspect.isfunction(each) and name[0] != "_"]
)
def test_every_method_of_a_session_says_what_it_does(name: str) -> None:
    assert inspect.getdoc(getattr(bench.Session, name))


def test_the_package_says_that_it_is_typed() -> None:
    assert files("bench").joinpath("py.typed").is_file()
