"""JUnit XML, as build servers read it: a suite for each step, with one case, and what was measured as properties.

There is no formal standard; the schema that is most in use allows properties on suites only. A failed step
is a failure. A step that could not be decided is an error, since a skipped one would pass for fine; one that
was not tested is skipped, with the reason.
"""

import math
import re
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterator, Sequence

from bench.results import Run, StepResult, Value, Verdict

# What XML 1.0 can't hold at all, https://www.w3.org/TR/xml/#charsets
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ELEMENT = {Verdict.FAIL: "failure", Verdict.UNSURE: "error", Verdict.NOT_TESTED: "skipped"}


def junit_xml(run: Run) -> bytes:
    """The run as one document, UTF-8."""
    suites = ET.Element("testsuites", _attributes(name=run.profile, **_time(run.duration_s), **_counts(run.steps)))
    for step in run.steps:
        counts = _counts([step]) | {"skipped": int(step.verdict is Verdict.NOT_TESTED)}
        own = _attributes(name=step.step, timestamp=run.started, **_time(step.duration_s), **counts)
        suite = ET.SubElement(suites, "testsuite", own)
        _properties(suite, _of_run(run) | {value.name: measured(value) for value in step.values})
        _case(suite, run, step)
    ET.indent(suites)
    text = ET.tostring(suites, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


def _counts(steps: Sequence[StepResult]) -> dict[str, int]:
    verdicts = Counter(step.verdict for step in steps)
    return {"tests": len(steps), "failures": verdicts[Verdict.FAIL], "errors": verdicts[Verdict.UNSURE]}


def _time(seconds: float) -> dict[str, str]:
    """The attribute, where there is a duration: the schema has no word for none, for infinity or for a minus."""
    return {"time": f"{max(seconds, 0.0) + 0.0:.3f}"} if math.isfinite(seconds) else {}


def _of_run(run: Run) -> dict[str, object]:
    every: dict[str, object] = {
        "record": run.id,
        "command": run.command,
        "verdict": run.verdict.value,
        "state": run.state,
        "reason": run.reason,
        "unit_number": run.unit_number,
        "vin": run.vin,
        "operator": run.operator,
        "board_url": run.board.url,
        "board_serial": run.board.serial,
        "board_firmware": run.board.firmware,
        "board_calibrated": run.board.calibrated,
    }
    return {name: value for name, value in every.items() if value not in (None, "")}


def _case(suite: ET.Element, run: Run, step: StepResult) -> None:
    case = ET.SubElement(
        suite, "testcase", _attributes(classname=run.profile, name=step.title, **_time(step.duration_s))
    )
    if step.verdict is not Verdict.PASS:
        named = _attributes(type=step.verdict.value, message=_message(step))
        ET.SubElement(case, _ELEMENT[step.verdict], named).text = _clean("\n".join(_lines(step)))


def _properties(suite: ET.Element, named: dict[str, object]) -> None:
    properties = ET.SubElement(suite, "properties")
    for name, value in named.items():
        ET.SubElement(properties, "property", _attributes(name=name, value=value))


def measured(value: Value) -> str:
    """A value with its unit, limits and verdict on one line."""
    figure = "not measured" if value.value is None else f"{value.value!r} {value.unit}"
    limits = [f"{word} {bound!r}" for word, bound in (("low", value.low), ("high", value.high)) if bound is not None]
    return "; ".join((figure, *limits, value.verdict.value))


def _message(step: StepResult) -> str:
    kinds = ", ".join(dict.fromkeys(finding.kind for finding in step.findings))
    return kinds or step.reason or next(_lines_beyond(step), step.verdict.value)


def _lines(step: StepResult) -> list[str]:
    found = [f"{finding.explain} Next: {finding.next}" for finding in step.findings]
    return found + list(_lines_beyond(step)) + ([step.reason] if step.reason else [])


def _lines_beyond(step: StepResult) -> Iterator[str]:
    beyond = (value for value in step.values if value.verdict in (Verdict.FAIL, Verdict.UNSURE))
    return (f"{value.name}: {measured(value)}" for value in beyond)


def _attributes(**named: object) -> dict[str, str]:
    return {name: _clean(str(value)) for name, value in named.items()}


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)
