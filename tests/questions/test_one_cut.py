"""One warm-up cut serves every question."""

import numpy as np
import pytest

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.warmup import warmup
from looptime.checks.compare.compare import compare
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import record
from looptime.planner import prepare_run
from looptime.questions.timing import settled
from tests.build_run import make_flat_run


def starting(seed=1):
    """Loops of 10 ms that begin half as slow again and settle within two seconds."""
    rng = np.random.default_rng(seed)
    t = np.arange(6000) * 0.01
    read = (8e6 * rng.lognormal(0, 0.05, 6000)).astype(np.int64)
    start = (5e6 * np.exp(-t / 0.7)).astype(np.int64)
    return make_flat_run(read + start + 2_000_000, {"read": read + start}, source="a.csv")


def test_the_same_loops_are_left_out_everywhere():
    """Summary, plan, heading and control, one recording of compare and gate, a season's figures."""
    run = starting()
    cut = warmup(prepare(run))
    assert 1 < cut.seconds < 4
    assert len(run) - looptime.summarise(run).pace.loops == cut.loops
    assert prepare_run(run).warmup_loops == cut.loops
    assert settled(looptime.Asked(), run)[1] == cut.loops
    recorded = record(run)
    assert recorded.cut_s == pytest.approx(cut.seconds)
    assert measure(recorded.series()).facts.warmup_loops == cut.loops


def test_runs_that_are_compared_are_cut_by_the_longest():
    """Two recordings: the longer of their warm-ups is left out of both."""
    runs = [starting(1), starting(2)]
    longest = max(warmup(prepare(run)).seconds for run in runs)
    found = compare([runs[0]], [runs[1]])
    for facts in (*found.before, *found.after):
        assert facts.cut_s == pytest.approx(longest)
