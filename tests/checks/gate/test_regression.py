"""New runs against the baseline: prediction limits and the moderated test."""

import math

import numpy as np
import pytest

from looptime.checks.gate.gate import gate
from looptime.checks.gate.regression import _prediction, _relative_variance
from looptime.checks.recording.figures import Value
from looptime.stats.prediction_limits import prediction_limit, screen_baseline
from tests.checks.gate.build import SETTINGS, as_stored, new_run, row_named


def test_the_limit_is_the_prediction_limit_of_the_baseline(baseline):
    """The row of the mean agrees with the formula on the logarithms of the run means."""
    found = row_named(gate([new_run()], baseline, settings=SETTINGS), "period mean")
    y = np.array([math.log(run.get("mean").value) for run in baseline])
    y = y[screen_baseline(y).kept]
    value = math.log(row_named(gate([new_run()], baseline, settings=SETTINGS), "period mean").value)
    expected = prediction_limit(value, y)
    base = math.exp(expected.mean)
    beyond = max(math.exp(expected.high), 1.03 * base, base + 0.1)  # the range and both tolerances
    assert found.limit == pytest.approx(beyond, rel=1e-12)
    assert found.p == pytest.approx(expected.p, rel=1e-12)


def test_one_forgotten_bad_run_is_left_out_and_named(baseline):
    """A baseline run 30 % off neither widens the limit nor goes unmentioned."""
    bad = as_stored(new_run(55, scale=1.3, source="bad.csv"))
    found = gate([new_run(scale=1.06)], [*baseline, bad], settings=SETTINGS)
    assert found.exit_code == 1
    assert any(note.startswith("bad.csv is unlike the other") for note in found.notes)
    many = [as_stored(new_run(60 + k, scale=1.5 + k)) for k in range(6)]
    useless = gate([new_run()], [*baseline, *many], settings=SETTINGS)
    assert useless.exit_code == 3
    assert "not usable" in row_named(useless, "period mean").note


def test_unlike_lengths_weigh_less_for_several_new_runs():
    """The mean of two runs has half of what a shorter window adds to the variance of one."""
    kept, new = np.array([1.0, 1.2, 0.9, 1.1, 1.0, 0.8]), np.array([1.0, 1.1])
    plain = _prediction(new, kept, 0.0)
    wider = _prediction(new, kept, 0.04)
    assert wider[1] ** 2 - plain[1] ** 2 == pytest.approx(0.04 / 2)
    one = _prediction(new[:1], kept, 0.0), _prediction(new[:1], kept, 0.04)
    assert one[1][1] ** 2 - one[0][1] ** 2 == pytest.approx(0.04)


def test_a_count_varies_on_the_scale_on_which_it_is_judged():
    """Var sqrt(c + 3/8) is Var c over 4 (c + 3/8); any other figure varies on its logarithm."""
    count = Value("period", "overruns", 10, 10, 4.0, 1000)
    assert _relative_variance(count) == pytest.approx(16 / (4 * 10.375))
    assert _relative_variance(Value("period", "mean", 20, 20, 0.4, 1000)) == pytest.approx(0.0004)
