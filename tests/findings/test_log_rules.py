"""Findings about the log."""

from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.findings import summarise
from looptime.run import Clock, LoopColumns, Run, SetAside
from looptime.schema import CUT_SHORT, REASONS
from tests.build_run import make_run
from tests.findings.build import codes, even_run


def test_many_rows_set_aside(tmp_path):
    """Calls of two threads without a thread column overlap: the summary says what is missing."""
    rows = "".join(
        f"a.read,{k * 1000},303\nb.read,{k * 1000 + 207},301\nc.write,{k * 1000 + 700},100\n"
        for k in range(100)
    )
    path = tmp_path / "log.csv"
    path.write_text("name,start_us,duration_us\n" + rows, encoding="utf-8")
    found = {f.code: f for f in summarise(looptime.read(path)).findings}
    assert "thread column" in found["rows_set_aside"].text
    assert found["rows_set_aside"].value == pytest.approx(100 * 100 / 300, abs=1)


@pytest.mark.parametrize("marked", [False, True])
def test_values_beside_calls_are_read_with_and_without_their_mark(tmp_path, marked):
    """A name that never has a duration is no call's, and no row of it is lost."""
    mark, head = (",signal", ",mark") if marked else ("", "")
    none = "," if marked else ""
    rows = "".join(
        f"{k},gyro.read,{k * 10_000},1801{none},\n{k},heading_deg,{k * 10_000 + 1900},{mark},{k}\n"
        for k in range(100)
    )
    path = tmp_path / "log.csv"
    path.write_text(f"loop,name,start_us,duration_us{head},value\n{rows}", encoding="utf-8")
    run = looptime.read(path, cache=False)
    said = {f.code: f.text for f in summarise(run).findings}
    assert "rows_set_aside" not in said
    assert run.signals.values["heading_deg"].tolist() == list(range(99))


def test_rows_of_calls_that_lack_their_length_are_said(tmp_path):
    """Of 400 rows 100 have a name that has a length else, and none: how to write values is told."""
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{k},{name},{k * 10_000 + at},{'' if k % 2 and at else 1801}\n"
        for k in range(200) for at, name in ((0, "gyro.read"), (1900, "drive.write"))
    )  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    said = {f.code: f.text for f in summarise(looptime.read(path, cache=False)).findings}
    assert "says signal in a column mark" in said["rows_set_aside"]


def test_rows_at_the_ends_of_a_log_are_no_loss():
    """A tenth of the rows before the first loop is nothing to warn of; lost in between, it is."""
    run = replace(even_run(), rows_read=1000)
    for reason, told in (("before first loop", False), ("unfinished last loop", False),
                         ("missing value", True)):  # fmt: skip
        code = REASONS.index(reason)
        aside = SetAside(np.arange(100), np.full(100, code), ("",) * 100)
        assert ("rows_set_aside" in codes(replace(run, set_aside=aside))) is told


def test_what_weakens_the_figures():
    """A coarse clock, lost rows, a dear recorder and a short run are said."""
    run = make_run([10, 11] * 30, [("a", 0, 1), ("b", 3, 1)], tick_ns=1_000_000)
    run = replace(run, dropped=7, meta={"row_cost_ns": "120000"})
    assert {"coarse_clock", "rows_lost", "recorder_cost", "too_short"} <= set(codes(run))


def test_what_a_recorder_left_out():
    """Rows go by whole loops where the recorder says so, and marks that it ignored are counted."""
    run = make_run([10, 11] * 30, [("a", 0, 1)])
    meta = {"looptime-recorder": "cpp 1", "ignored": "3"}
    said = {f.code: f.text for f in summarise(replace(run, dropped=7, meta=meta)).findings}
    assert "7 rows, by whole loops" in said["rows_lost"]
    assert "3 marks" in said["marks_ignored"]
    assert (
        "too short"
        in {f.code: f.text for f in summarise(replace(run, dropped=7)).findings}["rows_lost"]
    )


@pytest.mark.parametrize("cost", ["nan", "inf", "-5", "1e300", "dear"])
def test_a_cost_that_cannot_be_is_none(cost):
    """What a recorder states of itself is believed where it is a time within the run."""
    run = replace(make_run([10, 11] * 30, [("a", 0, 1)]), meta={"row_cost_ns": cost})
    assert summarise(run).recorder_share is None


def test_calls_that_nobody_asked_whom_they_wait_for():
    """Of 101 calls of another thread the 32 of most time are looked at; the others are said."""
    calls = [("a", 0, 1), *((f"job{n}", 0.02 * n, 0.01, "w") for n in range(101))]
    said = {f.code: f.text for f in summarise(make_run([10, 11] * 30, calls)).findings}
    assert said["waits_not_asked"].startswith("Of 69 calls,")


def test_loops_missing_from_the_log(tmp_path):
    """Ten of 200 numbered loops left out: a note with their count."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{k},{16_000 * k + 37 * (k % 9)}\n" for k in range(200) if k % 19 != 5)
    path.write_text("packet,time_us\n" + rows, encoding="utf-8")
    note = {f.code: f for f in summarise(looptime.read(path)).findings}["loops_missing"]
    assert (note.severity, note.value) == ("note", sum(k % 19 == 5 for k in range(200)))
    assert note.rests_on["value"] == note.value


def test_an_even_run_has_none_of_the_cautions():
    """A fine clock, no row lost and nothing ignored: no note is made of them."""
    notes = {"coarse_clock", "rows_lost", "marks_ignored", "loops_missing", "rows_set_aside",
             "waits_not_asked", "recorder_cost"}  # fmt: skip
    assert not notes & set(codes(even_run()))


@pytest.mark.parametrize(
    ("reason", "lost", "told"),
    [("missing value", 1000, False), ("missing value", 1001, True), ("other thread", 5000, False),
     ("not a row", 5000, False), ("corrupt stamp", 5000, True)],
)  # fmt: skip
def test_what_few_rows_say_is_not_told_of_the_loop(reason, lost, told):
    """A dear call is a note where more rows of loops were lost than used, and the loss comes first.

    Lines of text and rows of other threads are no rows of loops.
    """
    run = make_run([10, 11] * 250, [("imu", 0, 1), ("arm", 1, 8)])
    code = REASONS.index(reason)
    aside = SetAside(np.arange(lost), np.full(lost, code), ("",) * lost)
    run = replace(run, rows_read=1000 + lost, set_aside=aside)
    assert run.rows_used == 1000
    found = summarise(run).findings
    dear = next(f for f in found if f.code == "dear_call")
    assert (dear.severity == "note") is told
    assert (found[0].code == "rows_set_aside") is told
    if told:
        assert "can't tell how the loop runs" in found[0].text
        assert found[0].severity == "act"
        assert found[0].command.startswith("looptime columns")
        assert found[0].value == pytest.approx(100 * lost / (1000 + lost))


@pytest.mark.parametrize(("tick_ms", "hides"), [(15.625, True), (0.25, False)])
def test_a_clock_whose_steps_are_as_long_as_a_loop_comes_first(tick_ms, hides):
    """Loops of 12 ms, each 0.3 ms off, one after the other: they keep to no grid and do not drift.

    Cut to steps of 15.625 ms they seem to keep the one of 12 ms, as any even loop does.
    """
    starts = np.cumsum(np.random.default_rng(5).normal(12, 0.3, 6000))
    cut = np.round(np.floor(starts / tick_ms) * tick_ms * 1e6).astype(np.int64)
    loops = LoopColumns(np.arange(5999), cut[:-1], np.diff(cut))
    run = Run(loops, clock=Clock("ms", "header", round(tick_ms * 1e6)))
    told = summarise(run)
    assert (told.findings[0].code == "coarse_clock") is hides
    assert not told.pacing.fixed_rate
    assert told.changes.better == ""
    assert (told.changes.note != "") is hides
    if hides:
        assert "about as long as a loop (12 ms on average)" in told.findings[0].text


def test_nothing_is_said_of_what_a_cut_file_does_not_hold():
    """A log whose compressed file lacks its end is not called fine for the rest of the run."""
    run = even_run()
    assert codes(run)[0] == "healthy"
    cut = replace(run, clock=replace(run.clock, notes=(CUT_SHORT,)))
    first, *others = codes(cut)
    assert (first, "healthy" in others) == ("file_cut", False)
