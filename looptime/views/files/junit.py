"""A gate as JUnit XML, which build servers read."""

import re
import xml.etree.ElementTree as ET

from looptime.checks.gate.gate import GateResult
from looptime.checks.gate.limits import Row

__all__ = ["junit_xml"]

# what XML 1.0 cannot hold, not even escaped
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _safe(text: object) -> str:
    return _NOT_XML.sub("?", str(text))


def junit_xml(found: GateResult) -> str:
    """One test case a row of the gate: failures fail, what cannot be told is skipped.

    Where "can't tell" is to count as a failure, or as nothing at all, it is written so.

    Returns
    -------
    str
        An XML document; text from logs is escaped, characters that XML cannot hold become ``?``.
    """
    cases = [*found.rows]
    vague = found.verdict == "can't tell"
    counted = found.unsure == "fail" and vague
    suites = ET.Element("testsuites")
    suite = ET.SubElement(suites, "testsuite", name="looptime gate")
    failures = skipped = 0
    for row in cases:
        case = ET.SubElement(
            suite, "testcase", classname=f"looptime.{row.check}", name=_safe(row.what), time="0"
        )
        if row.verdict == "fail" or (counted and row.verdict == "can't tell" and row.decides):
            failures += 1
            ET.SubElement(case, "failure", message=_safe(_message(row)), type=row.check)
        elif row.verdict != "pass":
            skipped += 1
            ET.SubElement(case, "skipped", message=_safe(row.note or row.verdict))
    whole = ET.SubElement(suite, "testcase", classname="looptime", name="verdict", time="0")
    if found.exit_code == 1:
        failures += 1
        ET.SubElement(whole, "failure", message=_safe(found.sentence), type="verdict")
    elif found.exit_code == 3:
        skipped += 1
        ET.SubElement(whole, "skipped", message=_safe(found.sentence))
    notes = "\n".join([found.sentence, *found.notes])
    ET.SubElement(suite, "system-out").text = _safe(notes)
    for element in (suites, suite):
        element.set("tests", str(len(cases) + 1))
        element.set("failures", str(failures))
        element.set("errors", "0")
    suite.set("skipped", str(skipped))
    ET.indent(suites, " ")
    body = ET.tostring(suites, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _message(row: Row) -> str:
    unit = "" if row.unit == "share" else f" {row.unit}"
    value = "unknown" if row.value is None else f"{row.value:.4g}{unit}"
    limit = "" if row.limit is None else f", limit {row.limit:.4g}{unit}"
    return f"{row.what} {value}{limit}" + (f": {row.note}" if row.note else "")
