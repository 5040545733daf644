"""Findings about the run as a whole."""

import pytest

import looptime
from looptime.findings import summarise
from looptime.findings.reading_rules import reading_findings
from looptime.findings.run_rules import run_findings
from looptime.heading.instants import Labels, sampling_from_run
from tests.build_run import make_run


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


def test_one_overrun_is_told_as_one():
    """A single loop above the budget, of 30 ms among 399 of 10 ms."""
    periods = [10.0] * 399 + [30.0]
    (found,) = [f for f in run_findings(summarise(make_run(periods), budget_ms=20, serious_ms=25,
                                                  keep_warmup=True))
                if f.code == "overruns"]  # fmt: skip
    assert found.text == (
        "1 loop (0.25 %) overruns 20 ms; it holds 0.75 % of the time. It is longer than 25 ms."
    )


@pytest.mark.parametrize(
    ("name", "stated", "closer"),
    [
        ("pose.read", None, "looptime plan a.csv"),
        ("pose.read", "pose.read", "looptime heading a.csv --read-call pose.read"),
        ("side gyro.read", None, 'looptime heading a.csv --read-call "side gyro.read"'),
    ],
)
def test_a_stale_reading_leads_to_itself(name, stated, closer):
    """A reading that waits two loops: the plan, or the heading of just this call."""
    loops, marks = 200, []
    for k in range(0, loops, 4):
        marks.append((10.0 * k + 1, name, "published", "reader"))
        marks += [(10.0 * (k + j) + 9, name, "used") for j in range(4)]
    calls = [("work", 0.0, 8.0), ("motor.write", 9.2, 0.3)]
    read = (name, 0.2, 0.8, "reader")
    kinds = {"motor.write": "actuator write", name: "sensor read"}
    run = make_run([10.0] * loops, lambda k: calls if k % 4 else [*calls, read], kinds,
                   marks=marks, source="a.csv")  # fmt: skip
    (found,) = [f for f in reading_findings(summarise(run), stated) if f.code == "stale_reading"]
    # taken at 0.2 ms: 8.8, 18.8, 28.8 and 38.8 ms old in turn when picked up
    assert found.value == pytest.approx(23.8, abs=5.1)
    assert found.command == closer
    if "heading" in closer:  # which can be looked at so
        assert len(sampling_from_run(run, Labels(read_call=name))) > loops - 5
    unread = make_run([10.0] * loops, calls, kinds, marks=marks)  # the read itself is not timed
    (found,) = [f for f in reading_findings(summarise(unread), stated) if f.code == "stale_reading"]
    assert found.command == "looptime plan LOG"
