"""The pace in words: headroom, overruns, loops that caught up."""

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.parsers.read import Log, read_log
from looptime.views.text.pace_text import pace_sentence
from looptime.views.text.slow_text import render_slow
from looptime.views.text.summary_text import render_summary
from tests.build_run import make_run
from tests.views.text.build import full_text, text_of


def test_unknown_headroom_is_said():
    """A fixed rate without its wait: can't tell."""
    run = make_run([20] * 400, [("update", 0, 5)])
    shown = full_text(Log("a.csv", (run,)), [summarise(run)])
    assert "can't tell: the pacing wait is not logged" in shown


def test_loops_that_caught_up_are_said_beside_what_they_caught_up_on():
    """Each loop of 60 ms is followed by five short ones, and the legend says what that means."""
    period = np.full(600, 20.0)
    for k in (100, 300, 500):
        period[k], period[k + 1 : k + 6] = 60, 12
    run = make_run(period, [("update", 0, 8)])
    shown = text_of(render_slow(summarise(run)), width=100)
    assert shown.count("; then 5 short") == 3
    assert "short: loops right after it that caught up" in " ".join(shown.split())


def test_overruns_are_shares_of_loops_and_of_time():
    """One loop of four takes 30 ms, the others 10 ms: a quarter of the loops, half of the time."""
    run = make_run([10.0, 10.0, 10.0, 30.0] * 50, [("update", 0, 8)])
    found = summarise(run, budget_ms=20, keep_warmup=True)
    shown = " ".join(full_text(Log("a.csv", (run,)), [found]).split())
    assert "50 loops (25 %) above 20.0 ms, 50 % of the time" in shown


def test_a_sleep_after_the_work_is_told_with_its_length():
    """Five ms asleep after each 12 to 16 ms of work: the sleep is named, and no rate."""
    work = np.random.default_rng(5).normal(14, 0.7, 400)
    run = make_run(
        work + 5, lambda k: [("update", 0, 8), ("pause", work[k], 5)], {"pause": "pacing"}
    )
    shown = " ".join(full_text(Log("a.csv", (run,)), [summarise(run)]).split())
    assert "sleep of 5.00 ms after work" in shown
    assert "200" not in shown


def test_what_may_be_a_sleep_or_work_is_doubted_with_the_answer():
    """The same without a name: the rate stands, and that nothing shows how the loop is paced."""
    work = np.random.default_rng(5).normal(14, 0.7, 400)
    run = make_run((work + 5).tolist(), lambda k: [("update", 0, work[k])])
    answer = render_summary(Log("a.csv", (run,)), [summarise(run)]).answer
    assert "can't tell how it is paced: what no call covers takes 5 ms" in answer
    assert "time it under a name of its own" in answer


def test_a_log_without_a_clock_is_told_so_once(tmp_path):
    """Where that is why its pace can't be told, the answer does not say it twice."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{k},{3 + k % 7 / 10},{4 + k % 3 / 10}\n" for k in range(200))
    path.write_text("loop,gyro_ms,drive_ms\n" + rows, encoding="utf-8")
    log = read_log(str(path), cache=False)
    answer = render_summary(log, [summarise(run) for run in log.runs]).answer
    assert "no clock in the log" in answer
    assert "can't tell how it is paced" not in answer


def test_a_clock_that_tells_no_single_loop_gives_no_percentile():
    """Loops of 22 ms on a clock of 5 ms: 20 and 25 in the ratio 3 to 2."""
    run = make_run([20.0, 25.0, 20.0, 25.0, 20.0] * 60, tick_ns=5_000_000)
    said = pace_sentence(summarise(run))
    assert "a loop takes 22.0 ms on average" in said
    assert "can't be told by this clock" in said
    assert "1 in 100" not in said


def test_one_figure_is_not_told_as_usual_and_as_rare():
    """Of 1,000 loops of 10 ms three take 50, or twenty: then 1 in 100 does."""
    for stalls, said in ((3, "99 of 100 no longer than that"), (20, "1 in 100 takes 50.0 or more")):
        period = 10 + 0.002 * np.random.default_rng(1).random(1000)
        period[np.linspace(5, 990, stalls).astype(int)] = 50.0
        told = pace_sentence(summarise(make_run(period, [("update", 0, 8)])))
        assert f"a loop takes 10.0 ms as a rule, {said}, the longest took 50.0" in told


@pytest.mark.parametrize(
    ("work", "other"), [(13, "(or to 100, every second tick missed)"), (8, "")]
)
def test_another_rate_that_would_look_the_same(work, other):
    """A loop of 20 ms that waits for less than 10 may miss every second of those, no other one."""
    took = np.random.default_rng(3).normal(work, 0.2, 400)
    run = make_run([20] * 400, lambda k: [("update", 0, took[k]), ("wait", took[k], 20 - took[k])],
                   {"update": {"kind": "compute"}, "wait": {"kind": "pacing"}})  # fmt: skip
    said = pace_sentence(summarise(run))
    assert said.startswith("50.0 loops a second of the 50.0 it is paced to")
    assert ("every second tick missed" in said) == bool(other)
    assert other in said


@pytest.mark.parametrize("digits", [0, 3])
def test_periods_that_are_all_one_length_are_told_as_that(tmp_path, digits):
    """20 ms in each row, however many digits are printed: no clock was read for it."""
    path = tmp_path / "even.csv"
    rows = "".join(f"{20 * k:.{digits}f},{3 + 0.1 * (k % 7):.3f}\n" for k in range(400))
    path.write_text("t_ms,gyro_ms\n" + rows, "utf-8")
    words = pace_sentence(summarise(read_log(str(path)).runs[0]))
    assert "each loop takes 20.0 ms, as by a timetable: what single ones differ by is not" in words
    assert "can't be told by this clock" not in words
