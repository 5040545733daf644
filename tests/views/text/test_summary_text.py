"""Text of summary and slow: what it says, and that it fits."""

import io
from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.analysers import together
from looptime.analysers.estimate import Figure
from looptime.analysers.loop_detail import loop_detail, parse_sync
from looptime.findings import summarise
from looptime.parsers.read import Log
from looptime.questions import Asked, summary
from looptime.run import Clock
from looptime.views.text.slow_text import render_loop, render_slow
from looptime.views.text.summary_text import render_summary, render_together
from looptime.views.text.terminal import show
from looptime.views.text.text_parts import labelled
from tests.benchmarks.scenarios import SCENARIOS
from tests.build_run import make_flat_run, make_run
from tests.views.text.build import full_text, scenario, text_of


def test_loops_missing_from_the_log_are_said_first():
    """Of 200 loops 11 are missing, as the numbers of the others tell: 5.5 %."""
    clock = Clock(missing={"count": 11, "column": "packet"})
    run = replace(make_run([10.0, 10.1, 9.9] * 63), clock=clock)
    said = render_summary(Log("a.csv", (run,)), summary(Asked(), run)).answer
    assert said.startswith("5.5 % of the loops are missing from the log by its 'packet' numbers. ")


def test_loops_missing_are_a_share_of_all_that_were_logged():
    """11 loops of 200 are missing, also where the answer is about a phase of 126 of them."""
    clock = Clock(missing={"count": 11, "column": "packet"})
    run = replace(make_run([10.0, 10.1, 9.9] * 63), clock=clock)
    phase = run.select(np.arange(len(run)) < 126)
    said = render_summary(Log("a.csv", (run,)), summary(Asked(), phase)).answer
    assert said.startswith("5.5 % of the loops are missing")


def test_a_warm_up_that_was_cut_is_said_where_another_finding_comes_first():
    """60 loops of 40 ms before 940 of 10, most of each in one call: its cost comes first."""
    draw = np.random.default_rng(5)
    period = np.where(np.arange(1000) < 60, 40e6, 10e6 * draw.normal(1, 0.02, 1000))
    calls = {"drive": (period * 0.6).astype(np.int64), "lift": (period * 0.3).astype(np.int64)}
    run = make_flat_run(period.astype(np.int64), calls)
    at = summarise(run)
    assert 58 <= at.warmup.loops <= 66
    assert at.findings[0].code == "dear_call"
    said = render_summary(Log("a.csv", (run,)), [at]).answer
    assert f"(the first {at.warmup.seconds:.2f} s are warm-up or other work and left out)" in said


@pytest.mark.parametrize("name", [s.name for s in SCENARIOS][::3])
def test_fits_in_80_columns(name):
    """No line is longer than the terminal, in any of the views."""
    run, found = scenario(name)
    shown = text_of(render_summary(Log("round 3.csv", (run,)), [found]))
    shown += text_of(render_slow(found, 10, parse_sync("10=100", 240, run)))
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert found.findings[0].text.split()[0] in shown


def test_says_what_must_be_said():
    """Rows, clock, figures, pace, calls and slow loops, with the numbers of the result."""
    run, found = scenario("telemetry every 50 loops")
    shown = full_text(Log("a.csv", (run,)), [found])
    assert f"{run.rows_read:,} read = {run.rows_used:,} used + 0 set aside" in shown
    assert "tick 1 ns" in shown
    assert "telemetry.send stalls the loop" in shown
    assert "free-running" in shown
    assert f"{found.pace.overruns.count} loops" in shown
    assert "wheels off" in shown.lower()


def test_warm_up_and_phases():
    """The warm-up that was cut is said; a log with phases has a table of them."""
    t = np.arange(4000) * 0.01
    rng = np.random.default_rng(1)
    period = 10 * (1 + 0.3 * np.exp(-t / 1.5)) * np.exp(rng.normal(0, 0.04, 4000))
    run = make_run(period, phases=["unattended"] * 2500 + ["standby"] * 1500)
    shown = text_of(render_summary(Log("a.csv", (run,)), summary(Asked(), run)))
    assert "By phase" in shown
    assert "warm-up and not in the figures" in " ".join(shown.split())
    assert shown.index("unattended") < shown.index("standby")


def phases_told(period, calls, n_first):
    """What is said of a loop whose first phase is the longer one."""
    names = ["driving"] * n_first + ["lifting"] * (len(period) - n_first)
    run = make_run(period, calls, phases=names)
    shown = " ".join(text_of(render_summary(Log("a.csv", (run,)), summary(Asked(), run))).split())
    return shown[shown.index("(phase") :].partition(")")[0]


def test_a_slower_phase_is_told_with_the_longest():
    """Lifting takes twice as long, nearly all of it in one call."""
    rng = np.random.default_rng(2)
    period = np.concatenate([rng.uniform(10, 12, 3000), rng.uniform(23, 25, 501)])
    said = phases_told(
        period, lambda k: [("drive", 0, 9)] if k < 3000 else [("lift", 0, period[k] - 1)], 3000
    )
    assert said.startswith("(phase driving alone, of 2; the slowest is lifting: 24")
    assert said.endswith("most of it lift")


def test_a_phase_that_waits_longer_is_no_news():
    """An idle robot's loop waits at its own even rate."""
    period = np.concatenate([np.full(3000, 11.0), np.full(501, 50.0)])
    assert phases_told(period, lambda k: [("drive", 0, 5)], 3000) == "(phase driving alone, of 2"


@pytest.mark.parametrize(("ill", "named"), [("lifting", True), ("driving", False)])
def test_what_is_worse_in_another_phase_is_said_before_what_is_fine_in_this(ill, named):
    """The tray is seen in 16 ms instead of 1 in every 23rd loop of one of two phases."""
    phase = np.array(["driving"] * 3000 + ["lifting"] * 700)
    draw = np.random.default_rng(6)
    see = 1 + 15 * ((np.arange(3700) % 23 == 5) & (phase == ill)) + draw.uniform(0, 0.1, 3700)
    drive = draw.uniform(8.9, 9.1, 3700)
    kinds = dict.fromkeys(("tray.see", "drive", "plan", "mast", "lamp"), "other")
    run = make_run(
        see + drive,
        lambda k: [("tray.see", 0, see[k])] + [
            (name, see[k] + at * drive[k] / 4, drive[k] / 4)
            for at, name in enumerate(("drive", "plan", "mast", "lamp"))
        ],
        kinds, phases=phase.tolist(),
    )  # fmt: skip
    told = " ".join(text_of(render_summary(Log("a.csv", (run,)), summary(Asked(), run))).split())
    assert ("phase lifting: tray.see" in told) is named


def test_text_from_a_log_does_not_steer_the_terminal():
    """Control sequences and markup in names and paths are shown, not obeyed."""
    evil = "gyro\x1b[31m[bold]read"
    run = make_run([10, 10, 30] * 40, lambda k: [(evil, 0, 25 if k % 3 == 2 else 3)])
    run = replace(run, source=f"{evil}.csv", meta={"robot": evil})
    found = summarise(run)
    shown = text_of(render_summary(Log(f"{evil}.csv", (run,)), [found]))
    shown += text_of(render_slow(found)) + text_of(render_loop(loop_detail(found.basis, 2)))
    assert "\x1b" not in shown
    assert "[bold]" in shown


def test_logs_together():
    """A row each and the spread between them."""
    found = [summarise(make_run([p] * 60)) for p in (10.0, 10.5)]
    shown = text_of(render_together(["a.csv", "b.csv"], found, together(found)))
    first = "2 logs together: a loop takes 10.0 ms as a rule in a.csv to 10.5 ms in b.csv."
    assert shown.splitlines()[0] == first
    assert "3.4 % sd" in shown  # ln(10.5 / 10) / sqrt 2
    alike = text_of(render_together(["a.csv", "b.csv"], found[:1] * 2, together(found[:1] * 2)))
    assert alike.startswith("2 logs together: a loop takes 10.0 ms as a rule in each of them.")


@pytest.mark.parametrize("periods", [[], [10], [0] * 50])
def test_hardly_any_loops(periods):
    """None, one, or loops of no length: text all the same."""
    run = make_run(periods)
    found = summarise(run)
    text_of(render_summary(Log("a.csv", (run,)), [found]))
    text_of(render_slow(found))


def test_an_interval_is_shown_by_its_half():
    """An interval of 9 to 11 ms about 10 ms is plus or minus 1 ms."""
    run, found = scenario("telemetry every 50 loops")
    ten = Figure(10.0, 9.0, 11.0)
    period = replace(found.pace.period_ms, mean=ten, p50=Figure(8.0), p90=Figure(9.0),
                     p95=Figure(9.0), p99=Figure(12.0), p999=Figure(13.0))  # fmt: skip
    shown = replace(found, pace=replace(found.pace, period_ms=period))
    text = full_text(Log("a.csv", (run,)), [shown])
    line = next(line for line in text.splitlines() if line.strip().startswith("95 %"))
    assert line.split() == ["95", "%", "±1.0"]


def test_many_runs_are_a_line_each():
    """Five runs are told in a table, in which the longest, that leads, is marked."""
    runs = tuple(
        replace(make_run([10, 11, 12] * (4 + k)), meta={"group": f"robot {k}"}) for k in range(5)
    )
    log = Log("log.csv", runs)
    said = text_of(render_summary(log, [summarise(run) for run in runs]))
    assert [line.split()[:4] for line in said.splitlines() if " robot " in line][:5] == [
        [f"{k + 1}{'*' if k == 4 else ''}", "robot", str(k), str(3 * (4 + k))] for k in range(5)
    ]


@pytest.mark.parametrize(("other_ms", "named"), [(25, True), (10, False)])
def test_of_several_senders_the_slowest_is_named(other_ms, named):
    """The longest run leads; one whose loops take more than twice as long is named with it."""
    runs = (
        replace(make_run([10, 10, 10] * 40), meta={"group": "lead"}),
        replace(make_run([other_ms] * 40), meta={"group": "other"}),
    )
    said = " ".join(
        text_of(render_summary(Log("log.csv", runs), [summarise(run) for run in runs])).split()
    )
    assert "(lead, the longest of 2 runs in this log" in said
    assert ("; the slowest is other: 25.0 ms)" in said) is named


def test_rows_that_could_not_be_used_are_said_first():
    """Above one in twenty it is the first thing said; below that it stands among the books."""
    run, found = scenario("telemetry every 50 loops")
    many = replace(run, rows_read=1000, rows_used=800)
    assert text_of(render_summary(Log("a.csv", (many,)), [found])).startswith(
        "20 % of the rows were set aside"
    )
    assert "(--set-aside FILE lists them). " in " ".join(
        text_of(render_summary(Log("a.csv", (many,)), [found])).split()
    )
    few = replace(run, rows_read=1000, rows_used=960)
    assert text_of(render_summary(Log("a.csv", (few,)), [found])).startswith(("1", "9"))


def test_which_of_two_threads_with_a_loop_is_told_of_is_said(tmp_path):
    """Beside the loop of 5 ms a camera's of 33 ms, with as many calls: its option is named."""
    rows = [
        (5000 * k + off, "T1", name, us)
        for k in range(1, 700)
        for off, name, us in ((0, "fast", 2600), (10, "in", 1200), (1300, "out", 1200))
    ]
    slow = (0, "slow", 28_000), (20, "grab", 15_000), (15_100, "find", 12_000)
    rows += [
        (33_000 * k + off + 1000 * (7 * k % 5), "T2", name, us)
        for k in range(105)
        for off, name, us in slow
    ]
    path = tmp_path / "log.csv"
    path.write_text(
        "thread,name,start_us,duration_us\n"
        + "".join(f"{who},{name},{at},{us}\n" for at, who, name, us in sorted(rows)),
        encoding="utf-8",
    )
    log = looptime.read_log(path, cache=False)
    said = " ".join(text_of(render_summary(log, [summarise(run) for run in log.runs])).split())
    assert "the loop of thread T1; --loop-call slow tells of T2's" in said


def test_bare_stamps_name_no_thread():
    """A run without any call has no thread to name, and is summarised all the same."""
    run = make_run([20.0, 20.0, 20.1] * 40)
    bare = replace(run, thread_names=())
    assert "loop of thread" not in full_text(Log("a.csv", (bare,)), [summarise(bare)])


@pytest.mark.parametrize(
    "path", ["/home/pit/" + "trays/" * 25 + "looptime.toml", "C:" + "\\trays" * 30]
)
def test_a_path_stays_whole_however_long(path):
    """It stands in a line of its own, to be copied; words around it and long names are folded."""
    out = io.StringIO()
    show([labelled("project", f"{path} and {40 * 'words '}"), labelled("call", 150 * "x")], out)
    shown = out.getvalue().splitlines()
    assert [line for line in shown if path in line] == [f"  project {path}"]
    assert max(len(line) for line in shown if path not in line) <= 100
