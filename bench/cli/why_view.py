"""Why: every explanation that was weighed, how likely it is, and the reading that decided."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench.results import Explanation

_LEAST_SHARE = 0.0005  # below, "0.0%" says nothing
NOTHING = "Nothing was weighed: clear rules alone decided."
HEADING = "Why: explanations of all readings together, the likeliest first"
LEGEND = "odds: natural logarithm of the odds against a sound harness; 3 is 20 to 1, 7 is 1,100 to 1"


def table(explanations: Sequence[Explanation]) -> RenderableType:
    """The ranked explanations as people read them."""
    if not explanations:
        return Padding(Text(NOTHING), (1, 0, 0, 5))
    rows = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    rows.add_column("share", justify="right")
    rows.add_column("odds", justify="right")
    rows.add_column("explanation, and the reading that decides", ratio=1)
    for same in _alike(explanations):
        best, share = same[0], sum(each.probability for each in same)
        said = f"{share:.1%}" if share >= _LEAST_SHARE else "< 0.1%"
        others = f"; {len(same) - 1} more like it, at other places" if len(same) > 1 else ""
        told = Text.assemble(f"{best.title}{others}", "\n", (_deciding(same), "dim"))
        rows.add_row(said, f"{best.log_evidence:+.1f}", told)
    return Padding(Group(Text(HEADING, style="bold"), rows, Text(LEGEND, style="dim")), (1, 0, 0, 5))


def _alike(explanations: Sequence[Explanation]) -> list[list[Explanation]]:
    """Explanations that mean the same kinds on the same circuits, together."""
    groups: dict[tuple[frozenset[str], frozenset[str]], list[Explanation]] = {}
    for each in explanations:
        groups.setdefault((frozenset(each.kinds), frozenset(each.circuits)), []).append(each)
    return list(groups.values())


def _deciding(same: Sequence[Explanation]) -> str:
    return next((each.deciding for each in same if "," in each.deciding), same[0].deciding)


def document(explanations: Sequence[Explanation]) -> list[dict[str, Any]]:
    """The same for programs."""
    return [asdict(each) for each in explanations]
