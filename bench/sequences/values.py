"""A measured number beside its limits.

A limit that a published source or the trade sets can fail a value. An expectation computed from
the drawing can only make it unsure: what is wrong is for the findings to say.
"""

from bench.profiles.model import Limit
from bench.results import Value, Verdict

_MARKS = {
    "verified": "",
    "second-hand": " (second-hand)",
    "calculated": " (calculated)",
    "memory": " (from memory)",
    "common-practice": " (common practice, no source)",
}


def source_of(limit: Limit) -> str:
    """Where a limit comes from and how well that was checked."""
    return limit.source + _MARKS[limit.mark]


def judged(
    name: str,
    value: float | None,
    unit: str,
    *,
    low: float | None = None,
    high: float | None = None,
    outside: Verdict = Verdict.FAIL,
    source: str | None = None,
) -> Value:
    """``value`` with its verdict: not tested when it is None, ``outside`` beyond a bound, else pass."""
    if value is None:
        return Value(name, None, unit, low, high, Verdict.NOT_TESTED, source)
    beyond = (low is not None and value < low) or (high is not None and value > high)
    return Value(name, value, unit, low, high, outside if beyond else Verdict.PASS, source)


def limited(name: str, value: float | None, unit: str, limit: Limit | None, outside: Verdict = Verdict.FAIL) -> Value:
    """``value`` beside a limit of the profile; without bounds where the profile sets none."""
    if limit is None:
        return judged(name, value, unit)
    return judged(name, value, unit, low=limit.low, high=limit.high, outside=outside, source=source_of(limit))
