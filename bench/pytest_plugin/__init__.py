"""The pytest plugin: sessions on boards as fixtures, simulated or real, and what was measured in the results.

    def test_the_latch_takes_what_its_drawing_says(umbilical_session):
        run = umbilical_session.inspect("machine-door", only=["circuits"])
        assert run.verdict == "pass"

``umbilical_session`` is on the board of ``--umbilical-board URL``, so the same test runs on the simulator in CI and on
the bench in the lab; without the option it is on a simulated board, and ``@pytest.mark.umbilical(scenario=NAME)``
says on which. In an ``async def`` test its methods are awaited, under whatever asyncio plugin runs the test.

``umbilical_sim`` opens simulated boards with faults of the test's choice, whatever the option says.

What runs have measured stands in JUnit XML as properties of the test. When a test fails, its report says what did not
pass, and values, findings and recordings are kept as CSV files (``--umbilical-captures DIR``).

pytest loads this file at every start in an environment that has it, so nothing heavy is imported before a fixture
is used.
"""

from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from bench.app.blocking import AwaitableSession, BlockingSession
    from bench.pytest_plugin.evidence import Evidence

    AnySession = BlockingSession | AwaitableSession
    OpenSim = Callable[..., AnySession]

STANDARD = "sim:"
_MARKS = (
    "umbilical(scenario=NAME, answers={...}): the simulated board of umbilical_session where no other is chosen, "
    "and answers to the operator's questions",
    "umbilical_simulated: only on a simulated board, skipped on a real one",
    "umbilical_real: only on a real board, skipped on a simulated one",
)
_evidence: "pytest.StashKey[Evidence]" = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options."""
    group = parser.getgroup("umbilical", "boards for wiring harnesses and air brakes")
    group.addoption("--umbilical-board", metavar="URL", help="board of umbilical_session; a simulated one by default")
    group.addoption("--umbilical-answers", metavar="FILE.yaml", help="answers to the operator's questions")
    group.addoption("--umbilical-record", metavar="URL", help="database that keeps the runs; none by default")
    group.addoption("--umbilical-captures", metavar="DIR", help="where to keep what failing tests have measured")


def pytest_configure(config: pytest.Config) -> None:
    """Add the marks."""
    for mark in _MARKS:
        config.addinivalue_line("markers", mark)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip what wants another kind of board."""
    simulated = _url(item).startswith("sim:")
    if item.get_closest_marker("umbilical_real") and simulated:
        pytest.skip("wants a real board: --umbilical-board URL")
    if item.get_closest_marker("umbilical_simulated") and not simulated:
        pytest.skip("wants a simulated board")


def _url(item: pytest.Item) -> str:
    chosen: str | None = item.config.getoption("umbilical_board")
    mark = item.get_closest_marker("umbilical")
    scenario = mark.kwargs.get("scenario", "") if mark else ""
    return chosen or f"{STANDARD}{scenario}"


@pytest.fixture
def umbilical_board(request: pytest.FixtureRequest) -> str:
    """URL of the board of this test."""
    return _url(request.node)


@pytest.fixture
def umbilical_session(request: pytest.FixtureRequest, umbilical_board: str) -> Iterator["AnySession"]:
    """A session on the board of this test; off and free again after it."""
    with ExitStack() as stack:
        yield _open(request, stack, umbilical_board)


@pytest.fixture
def umbilical_sim(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator["OpenSim"]:
    """Opens sessions on simulated boards: ``umbilical_sim("lab-door", seed=7, faults=[...])``.

    The first argument names a scenario to begin with; keywords take the place of its keys.
    """
    with ExitStack() as stack:

        def open_sim(scenario: str = "healthy-tandem", **changes: Any) -> "AnySession":
            from bench.pytest_plugin.scenarios import written

            return _open(
                request, stack, f"sim:{written(tmp_path, scenario, changes)}" if changes else f"sim:{scenario}"
            )

        yield open_sim


def _open(request: pytest.FixtureRequest, stack: ExitStack, url: str) -> "AnySession":
    from inspect import iscoroutinefunction

    from bench.app.blocking import AwaitableSession, BlockingSession
    from bench.pytest_plugin.evidence import Evidence, safe_name

    item = request.node
    if _evidence not in item.stash:
        item.stash[_evidence] = Evidence(item.user_properties, _captures(request) / safe_name(item.nodeid))
    evidence = item.stash[_evidence]
    session = stack.enter_context(
        BlockingSession(
            url,
            tell=evidence.hear,
            answers=_answers(request),
            record=request.config.getoption("umbilical_record"),
        )
    )
    return AwaitableSession(session) if iscoroutinefunction(request.function) else session


def _answers(request: pytest.FixtureRequest) -> dict[str, Any]:
    from bench.profiles import load_answers

    file = request.config.getoption("umbilical_answers")
    mark = request.node.get_closest_marker("umbilical")
    return {**(load_answers(file) if file else {}), **(mark.kwargs.get("answers", {}) if mark else {})}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Attach what was measured to a test that failed."""
    report = yield
    evidence = item.stash.get(_evidence, None)
    if evidence is not None and call.when == "call" and report.failed and evidence.runs:
        folder = evidence.keep()
        report.sections.append(("umbilical: what was measured", f"{evidence.text()}\nkept in {folder}"))
        item.user_properties.append(("umbilical captures", str(folder)))
        report.user_properties = item.user_properties
    return report


def _captures(request: pytest.FixtureRequest) -> Path:
    chosen = request.config.getoption("umbilical_captures")
    factory: pytest.TempPathFactory = request.getfixturevalue("tmp_path_factory")
    return Path(chosen) if chosen else factory.getbasetemp() / "umbilical"
