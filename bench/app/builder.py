"""For whoever builds a board: is it one of the contract?"""

from collections.abc import Awaitable, Callable, Collection

from bench.app.simulated import played_by, simulated_link
from bench.link import BoardUrl, Link, open_link, parse_board_url
from bench.link.conformance import CheckResult, Conformance, DummyLoad, Level, run_conformance
from bench.link.conformance.rig import nobody

DUMMY_SCENARIO = "dummy-load"  # what ``sim:`` alone plays here


def bare_link(where: BoardUrl) -> Link:
    """A link to a board by itself, not opened yet; ``sim:`` alone has a dummy load plugged in.

    Raises:
        InputError: the scenario is wrong.
    """
    if where.scheme == "sim" and not where.path:
        where = parse_board_url(f"sim:{DUMMY_SCENARIO}")
    scenario = played_by(where)
    return simulated_link(where, scenario) if scenario else open_link(where)


async def conformance(
    url: str,
    *,
    levels: Collection[Level],
    only: Collection[str] | None = None,
    load: DummyLoad | None = None,
    ask: Callable[[str], Awaitable[bool]] = nobody,
    tell: Callable[[CheckResult], None] = lambda _: None,
) -> Conformance:
    """Hold the board at ``url`` to the contract; see :func:`bench.link.conformance.run_conformance`."""
    where = parse_board_url(url)
    return await run_conformance(
        bare_link(where), where.scheme, levels=levels, only=only, load=load, ask=ask, tell=tell
    )
