"""Calls that only some runs of a season make: added, dropped, renamed, split, timed anew."""

import math

import numpy as np
import pytest

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import record
from looptime.checks.season.call_series import call_series
from looptime.checks.season.season import Listed
from looptime.checks.season.trends import trends
from looptime.views.text.season_text import render_trends
from tests.checks.build import CALLS, recording
from tests.views.text.build import first_words

PLACE, RUNS = 6, 11


def without(*names, **more):
    return {k: v for k, v in CALLS.items() if k not in names} | more


def seen(later, odd=None, first=CALLS, timed=True):
    """Eleven runs, 0.3 % above and below in turn; the calls of the seventh and later are given."""
    noise = 1 + 0.003 * (-1.0) ** np.arange(RUNS)
    runs = [
        recording(70 + k, loops=700, scale=noise[k], stalls=0.0,
                  code_version="3.3" if k < PLACE else "3.4",
                  calls=odd if odd and k == 3 else later if k >= PLACE else first,
                  **({"time": f"2026-03-{k + 1:02}"} if timed else {}))
        for k in range(RUNS)
    ]  # fmt: skip
    values = [measure(record(run).series(), histograms=False) for run in runs]
    entries = [Listed(f"{k:064x}", v.facts) for k, v in enumerate(values)]
    return values, trends(entries, values)


def stepped(found):
    return {t.call: s for t in found.trends for s in t.steps if t.call and t.call != "unattributed"}


def test_a_call_that_was_added_is_the_cause():
    """2 ms from version 3.4 on: nothing before, no percent of nothing, and named in the answer."""
    _, found = seen(without(camera=2.0))
    step = stepped(found)["camera"]
    assert set(stepped(found)) == {"camera"}
    assert (step.before, step.percent.value) == (0.0, None)
    assert step.after == pytest.approx(2.0, rel=0.01)
    assert (step.before_version, step.after_version) == ("3.3", "3.4")
    told = render_trends([found])
    assert first_words(told).startswith("With version 3.4 the loop's period became 2.0 ms longer")
    assert first_words(told).endswith("in camera.")
    assert found.to_dict()["trends"][-1]["values"][0] == 0.0


def test_reads_that_became_one_batch_are_the_cause_together():
    """Three reads of 0.8 ms that became one of 1.6: the batch saves 0.8, and no read of its own."""
    reads = {f"arm.{side}.read": 0.8 for side in ("left", "mid", "right")}
    _, found = seen({**CALLS, "arm.read": 1.6}, first={**CALLS, **reads})
    step = stepped(found)["arm.read"]
    assert set(stepped(found)) == {"arm.read"}
    assert (step.before, step.after) == pytest.approx((2.4, 1.6), rel=0.02)
    assert first_words(render_trends([found])).endswith("in arm.read.")


def test_calls_that_came_as_others_went_are_no_batch():
    """A camera of 6 ms taken out and a range finder of 2 put in: each is told by its own name."""
    _, found = seen({**CALLS, "lidar.read": 2.0}, first={**CALLS, "camera.read": 6.0})
    steps = stepped(found)
    assert set(steps) == {"camera.read", "lidar.read"}
    assert steps["camera.read"].after == pytest.approx(0, abs=1e-6)


def test_of_runs_without_a_time_no_version_is_called_the_later_one():
    """Two versions, 2 ms apart, whose logs say no time: which is slower is known, and no more."""
    _, found = seen(without(camera=2.0), timed=False)
    told = first_words(render_trends([found]))
    assert told.startswith("The loop's period is 2.0 ms longer with version 3.4 than with 3.3 (")
    assert "which came first is not known" in told


def test_what_a_call_of_one_run_takes_is_a_share_of_its_loop():
    """A call of 2 ms in one run of eleven: its change is no percentage of itself."""
    values, found = seen(CALLS, odd=without(camera=2.0))
    [odd] = [o for o in found.odd if any("camera" in name for name in o.figures)]
    loop = values[0].by_name["period", "mean"].value
    assert odd.of_loop == odd.figures[0].startswith("camera")
    assert odd.percent == pytest.approx(100 * 2.0 / loop, rel=0.1)


def test_a_call_that_was_dropped_is_the_cause():
    """2.4 ms less, all of one call: 100 % of it."""
    _, found = seen(without("drive.encoders.read"))
    step = stepped(found)["drive.encoders.read"]
    assert (step.after, step.percent.value) == (pytest.approx(0, abs=1e-9), pytest.approx(-100))
    assert "in drive.encoders.read" in first_words(render_trends([found]))


@pytest.mark.parametrize(
    ("later", "name"),
    [
        (without("gyro.read", **{"imu.fetch": 1.2}), "imu.fetch"),
        (without("drive.motors.write", **{"drive.left": 1.4, "drive.right": 1.6}), "drive.right"),
        (without("drive.motors.write", **{"drive.motors.write": 1.0, "drive.check": 2.0}),
         "drive.motors.write"),
    ],
    ids=["renamed", "split", "a part timed by itself"],
)  # fmt: skip
def test_the_same_cost_under_other_words_is_no_change(later, name):
    """Nothing stepped, and one series holds old and new in every run."""
    values, found = seen(later)
    assert not stepped(found)
    series = dict(call_series(values))
    assert min(series[name]) > 0.9 * max(series[name])
    whole = [math.fsum(column) for column in zip(*series.values(), strict=True)]
    means = [v.by_name["period", "mean"].value for v in values]
    assert whole == pytest.approx(means)
    assert first_words(render_trends([found])).startswith("No change seen")


def test_a_call_of_one_run_alone_makes_that_run_odd():
    """1.5 ms of a self test in the fourth run only."""
    _, found = seen(CALLS, odd=without(selftest=1.5))
    [odd] = found.odd
    assert odd.run == "run-73.csv"
    assert [c.call for c in odd.calls] == ["selftest"]
    assert odd.calls[0].more_ms == pytest.approx(1.5, abs=0.1)
    assert not stepped(found)


def test_a_call_that_hardly_costs_anything_is_left_out():
    """5 us in some runs are below a two-hundredth of the loop."""
    values, _ = seen(without(retry=0.005))
    assert "retry" not in dict(call_series(values))
