"""Text, JUnit and Markdown of comparisons, gates and seasons."""

import io
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from looptime.checks.compare.compare import compare
from looptime.checks.gate.gate import gate
from looptime.checks.gate.limits import Row
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.adding import add_runs
from looptime.checks.season.merge import merged
from looptime.checks.season.season import Season
from looptime.checks.season.trends import season_trends
from looptime.views.files.junit import junit_xml
from looptime.views.files.markdown import gate_markdown
from looptime.views.text.checks_text import render_comparison, render_gate
from looptime.views.text.season_text import (
    render_added,
    render_entry,
    render_season,
    render_totals,
    render_trends,
)
from tests.checks.build import CALLS, recording

SETTINGS = Settings(budget_ms=11.0)
NASTY = 'x\x1b[31m|<b>&"\u202e\x00'


def _text(parts, width=80):
    out = io.StringIO()
    made = Console(file=out, width=width, markup=False, highlight=False, emoji=False)
    for part in parts:
        made.print(part)
    return out.getvalue()


@pytest.fixture(scope="module")
def failed():
    factors = np.exp(np.random.default_rng(1).normal(0, 0.004, 8))
    baseline = [
        measure(record(recording(100 + k, loops=1500, scale=f), SETTINGS).series())
        for k, f in enumerate(factors)
    ]
    slow = {**CALLS, "gyro.read": 2.0, NASTY: 0.3}
    return gate(
        [recording(7, loops=1500, calls=slow, source=NASTY)],
        baseline,
        limits={"period_p99_ms": 1.0, "overrun_share": 0.5, "call": {NASTY: {"max_ms": 0.01}}},
        settings=SETTINGS,
    )


def test_a_comparison_says_what_is_unlike_before_any_figure():
    """Order of the parts: the answer, what is unlike, figures, and what was compared last."""
    found = compare(
        [recording(1)], [recording(2, loops=3000, calls={**CALLS, "camera.read": 0.5})],
        settings=SETTINGS,
    )  # fmt: skip
    text = _text(render_comparison(found))
    order = ("These two", "Unlike", "Before and after", "What explains", "What this rests on")
    places = [text.index(w) for w in order]
    assert places == sorted(places)
    assert "camera.read" in text
    assert "One run a side cannot tell" in " ".join(text.split())
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80


def test_different_robots_are_said_before_the_verdict():
    """Recordings of two robots are held against each other with a warning as the first words."""
    found = compare(
        [recording(1, robot="tray-carrier")], [recording(2, robot="spare")], settings=SETTINGS
    )
    first = " ".join(_text(render_comparison(found)).split())
    assert first.startswith("Look out: robots differ: tray-carrier before, spare after.")


def test_what_is_cut_at_the_start_is_said(failed):
    """A second is left out of each run though no warm-up shows in it; nothing with the option."""
    runs = [recording(1)], [recording(2)]
    found = compare(*runs, settings=SETTINGS)
    assert {f.cut_s for f in (*found.before, *found.after)} == {1.0}
    for text in (_text(render_comparison(found)), _text(render_gate(failed))):
        assert "the first 1 s of each run are left out, at least 1 s" in " ".join(text.split())
    kept = compare(*runs, settings=replace(SETTINGS, keep_warmup=True))
    assert "are left out, at least" not in _text(render_comparison(kept))


def test_a_gate_begins_with_its_verdict(failed):
    """The first line is the verdict in words, then why; what was checked stands last."""
    text = _text(render_gate(failed))
    first, *_ = [line for line in text.splitlines() if line.strip()]
    assert "beyond the limit." in " ".join(text.splitlines()[:3])
    assert first.startswith("FAIL: ")
    assert text.index("its limit") < text.index("verdict") < text.index("What this rests on")
    assert "FAIL: " in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\x00" not in text


def test_a_gate_does_not_say_that_what_was_not_judged_passes(failed):
    """Of the lines kept back those that pass are counted, the others named."""
    kept_back = [r for r in failed.rows if r.call and r.check != "limit" and r.verdict != "fail"]
    others = {r.verdict for r in kept_back} - {"pass"}
    assert others
    text = _text(render_gate(failed))
    assert "figures pass and are not listed" in text
    for verdict in others:
        assert f"{verdict}: " in text


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


def test_markdown_is_inert(failed):
    """Text from a log neither breaks the table nor becomes HTML."""
    text = gate_markdown(failed)
    assert text.startswith("## Timing gate: fail\n")
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert len(rows) == len(failed.rows) + 1
    assert all(line.replace("\\|", "").count("|") == 8 for line in rows)
    assert "<b>" not in text
    assert "\x1b" not in text


def test_a_season_as_text(tmp_path):
    """Lists fit 80 columns; entries and trends name what they hold; text from logs is safe."""
    season = Season(tmp_path / "season", create=True)
    runs = [
        recording(k, loops=900, robot=f"tray-carrier{NASTY}", label="evening", code_version="1.3",
                  time=f"2026-03-{k + 1:02}T10:15")
        for k in range(7)
    ]  # fmt: skip
    added = add_runs(season, [*runs, recording(50, loops=900, robot="spare"), runs[0]])
    assert "8 runs added, 1 was there already" in _text(render_added(added))
    entries = season.entries()
    listed = _text(render_season(entries, {"a": "part=ab/x.parquet: is damaged"}))
    assert max(len(line.rstrip()) for line in listed.splitlines()) <= 80
    assert all(e.name[:8] in listed for e in entries)
    assert "is damaged" in listed
    shown = _text(render_entry(season.load(entries[-1].name)))
    assert "drive.motors.write" in shown
    whole = _text(render_totals(merged(season.load(e.name).values for e in entries)))
    assert "8 runs" in whole
    assert "drive.motors.write" in whole
    trend = _text(render_trends(*season_trends(season)))
    assert "Between robots" in trend
    assert "warm-up: the first 1 s of the run are left out" in " ".join(shown.split())
    assert "warm-up: the first 1 s of each run are left out" in " ".join(trend.split())
    for text in (listed, shown, trend):
        assert "\x1b" not in text


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


def test_a_share_is_shown_in_percent(failed):
    """A quarter of the loops over the budget is 25 %, its limit of a twentieth 5 %."""
    row = Row("limit", "overruns", "overruns", value=0.25, limit=0.05, unit="share")
    (line,) = [x for x in gate_markdown(replace(failed, rows=(row,))).splitlines() if "25" in x]
    assert [cell.strip() for cell in line.split("|")][3:5] == ["25.0 %", "5.00 %"]
