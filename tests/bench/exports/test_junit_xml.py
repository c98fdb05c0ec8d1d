"""JUnit XML, read back by an independent reader and checked against what the common schema allows.

The table says what junit-10.xsd says, the schema that build servers validate with: elements, attributes that must or
may be there, what may hold words, the pattern of times. Read in jenkinsci/xunit-plugin at commit 031e285; exports of
random runs were validated with that file itself and lxml by hand.
"""

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

from hypothesis import given
from junitparser import Error, Failure, JUnitXml, Skipped

from bench.exports import junit_xml
from bench.results import Run
from tests.bench.exports.made_runs import RUN
from tests.bench.records.made_runs import runs

OF_SUITE = {"name", "tests", "failures", "errors"}
# By element: attributes it must have, others it may have, elements within.
SCHEMA: dict[str, tuple[set[str], set[str], set[str]]] = {
    "testsuites": (set(), {"name", "time", "tests", "failures", "errors"}, {"testsuite"}),
    "testsuite": (
        OF_SUITE,
        {"time", "skipped", "timestamp", "hostname", "id", "package", "group", "file", "log", "url"},
        {"testsuite", "properties", "testcase", "system-out", "system-err"},
    ),
    "properties": (set(), set(), {"property"}),
    "property": ({"name", "value"}, set(), set()),
    "testcase": ({"name"}, {"classname", "time", "group"}, {"skipped", "error", "failure", "system-out", "system-err"}),
    "skipped": (set(), {"type", "message"}, set()),
    "error": (set(), {"type", "message"}, set()),
    "failure": (set(), {"type", "message"}, set()),
}
TIME = re.compile(r"(([0-9]{0,3},)*[0-9]{3}|[0-9]{0,3})*(\.[0-9]{0,3})?")  # of suites
MAY_HOLD_WORDS = {"skipped", "error", "failure", "system-out", "system-err"}


def test_steps_are_cases_and_verdicts_are_their_results() -> None:
    read = JUnitXml.fromstring(junit_xml(RUN))
    results = {suite.name: [type(each) for case in suite for each in case.result] for suite in read}

    assert results == {"supply": [], "circuits": [Failure], "look": [Error], "ground-return": [Skipped]}
    assert (read.tests, read.failures, read.errors) == (4, 1, 1)


def test_what_was_measured_stands_in_the_properties() -> None:
    circuits = next(suite for suite in JUnitXml.fromstring(junit_xml(RUN)) if suite.name == "circuits")
    properties = {each.name: each.value for each in circuits.properties()}

    assert properties["tail current"] == "1.75 A; low 2.5; high 3.0; fail"
    assert (properties["record"], properties["unit_number"]) == ("20260112-143015-7k2m", "TR-117")


def test_a_failure_says_what_and_what_next() -> None:
    circuits = next(suite for suite in JUnitXml.fromstring(junit_xml(RUN)) if suite.name == "circuits")
    ((failure,),) = [case.result for case in circuits]

    assert failure.message == "lamp-out"
    assert failure.text.splitlines()[0] == "A lamp is out. Next: Replace it."


@given(runs)
def test_any_run_is_well_formed_and_within_the_common_schema(run: Run) -> None:
    for element in ET.fromstring(junit_xml(run)).iter():  # noqa: S314 - our own
        needed, others, children = SCHEMA[element.tag]

        assert needed <= set(element.attrib) <= needed | others
        assert {child.tag for child in element} <= children
        assert element.tag in MAY_HOLD_WORDS or not (element.text or "").strip()
        assert element.tag == "testcase" or TIME.fullmatch(element.get("time", ""))


def test_a_duration_without_end_is_left_out() -> None:
    endless = replace(RUN, duration_s=math.inf, steps=(replace(RUN.steps[0], duration_s=math.nan),))

    assert [element.get("time") for element in ET.fromstring(junit_xml(endless)).iter()][:2] == [None, None]  # noqa: S314
