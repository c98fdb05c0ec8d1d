"""JUnit XML, read back by an independent reader and checked against what the common schema allows.

Elements and attributes: as in the junit-10 schema that build servers validate with (read in a copy).
"""

import xml.etree.ElementTree as ET

from hypothesis import given
from junitparser import Error, Failure, JUnitXml, Skipped

from bench.exports import junit_xml
from bench.results import Run
from tests.bench.exports.made_runs import RUN
from tests.bench.records.made_runs import runs

ALLOWED = {
    "testsuites": ({"name", "time", "tests", "failures", "errors"}, {"testsuite"}),
    "testsuite": (
        {"name", "tests", "failures", "errors", "time", "skipped", "timestamp", "hostname", "id", "package"},
        {"properties", "testcase", "system-out", "system-err"},
    ),
    "properties": (set(), {"property"}),
    "property": ({"name", "value"}, set()),
    "testcase": ({"name", "classname", "time"}, {"skipped", "error", "failure", "system-out", "system-err"}),
    "skipped": ({"type", "message"}, set()),
    "error": ({"type", "message"}, set()),
    "failure": ({"type", "message"}, set()),
}


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
        attributes, children = ALLOWED[element.tag]

        assert set(element.attrib) <= attributes
        assert {child.tag for child in element} <= children
