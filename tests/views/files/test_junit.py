"""JUnit of a gate: well-formed whatever the log holds, failures as written."""

import xml.etree.ElementTree as ET
from dataclasses import replace

from looptime.checks.gate.gate import gate
from looptime.views.files.junit import junit_xml
from tests.checks.build import recording
from tests.views.build import SETTINGS


def test_junit_is_well_formed_and_counts_its_failures(failed):
    """The XML parses whatever the log holds; failures are counted as they are written."""
    root = ET.fromstring(junit_xml(failed).encode())
    suite = root.find("testsuite")
    cases = suite.findall("testcase")
    assert int(suite.get("tests")) == len(cases) == len(failed.rows) + 1
    assert int(suite.get("failures")) == len(suite.findall("testcase/failure"))
    assert int(suite.get("skipped")) == len(suite.findall("testcase/skipped"))
    assert len(failed.failed) + 1 == int(suite.get("failures"))
    names = [case.get("name") for case in cases]
    assert names[-1] == "verdict"
    assert any('<b>&"' in name and "\x1b" not in name for name in names)


def test_junit_of_an_unsure_gate():
    """What cannot be told is skipped, or fails where --unsure says so."""
    run = recording(1, loops=1500)
    unsure = ET.fromstring(junit_xml(gate([run], settings=SETTINGS)))
    assert unsure.get("failures") == "0"
    assert len(unsure.findall(".//skipped")) == 1
    strict = ET.fromstring(junit_xml(gate([run], settings=SETTINGS, unsure="fail")))
    assert strict.get("failures") == "1"


def test_junit_fails_only_what_decides(failed):
    """With --unsure fail a vague mean fails; a vague tail is skipped, as it blocks nothing."""
    row = failed.rows[0]
    rows = (
        replace(row, verdict="can't tell", decides=True),
        replace(row, verdict="can't tell", decides=False),
    )
    found = replace(failed, rows=rows, verdict="can't tell", unsure="fail")
    cases = ET.fromstring(junit_xml(found).encode()).findall(".//testcase")
    assert [[part.tag for part in case] for case in cases] == [
        ["failure"],
        ["skipped"],
        ["failure"],
    ]
