"""Figures of the last minute: every long loop is drawn, bars add up, hostile names are text."""

import numpy as np
import pytest

from looptime.analysers.live import Tally
from looptime.views.figures.live_figures import calls_now, long_loops, periods_now
from tests.build_run import make_run

HOSTILE = "<img src=x>"


def test_no_long_loop_of_the_minute_is_missed() -> None:
    """Of 6,000 loops of 10 ms, the five of 31 to 35 ms are drawn where they were; axis in calm."""
    period = np.full(6000, 10.0)
    places = [10, 2000, 2500, 4000, 5990]
    period[places] = [31, 32, 33, 34, 35]
    tally = Tally(30.0)
    tally.add(make_run(period.tolist()))
    at = tally.minute()
    picture = periods_now(at, 30.0)
    longest, middle, over, budget = picture.figure["data"]
    (across,) = picture.figure["layout"]["shapes"]
    assert (budget["name"], across["y0"], across["y1"]) == ("budget 30.0 ms", 30.0, 30.0)
    assert "annotations" not in picture.figure["layout"]  # no label lies on a loop
    assert over["y"] == [32, 33, 34, 35]  # the first began more than a minute before the end
    ends = np.cumsum(period) / 1000
    wanted = [ends[k] - period[k] / 1000 - ends[-1] for k in places[1:]]
    assert over["x"] == pytest.approx(wanted, abs=1e-3)
    assert [c[0] for c in over["customdata"]] == places[1:]
    assert max(longest["y"]) == 35
    assert set(middle["y"]) == {10}
    assert len(longest["x"]) <= 400
    assert picture.figure["layout"]["yaxis"]["range"] == [0, 60]
    assert "4 of 5,989 are over the budget" in picture.title


def test_bars_of_calls_add_up_to_the_loop() -> None:
    """Like calls are one bar, those beyond the fourteenth too; all bars make up the period."""
    calls = [(f"wheel.{k}.read", 0.5 * k, 0.4) for k in range(8)]
    calls += [(f"task{'abcdefghijklmnop'[k]}.run{k}x", 5 + 0.5 * k, 0.3) for k in range(16)]
    calls += [(HOSTILE, 14, 4)]
    tally = Tally()
    tally.add(make_run([20.0] * 100, calls))
    picture = calls_now(tally.minute())
    assert picture is not None
    bars, usual = picture.figure["data"][:2]
    assert sum(bars["x"]) == pytest.approx(20.0, abs=1e-3)
    assert bars["x"] == usual["x"]
    names = picture.figure["layout"]["yaxis"]["ticktext"]
    assert len(names) == len(bars["x"]) <= 14
    assert "&lt;img src=x&gt;" in names
    assert len(picture.rows) == 26
    assert sum(row[3] for row in picture.rows) == pytest.approx(1.0)


def test_the_wait_for_the_tick_is_not_what_takes_the_time() -> None:
    """Of loops of 20 ms 12 are waited for, 5 are a read and 3 no call's."""
    tally = Tally()
    tally.add(
        make_run(
            [20.0] * 100, [("pacing.wait", 8, 12), ("gyro.read", 1, 5)], {"pacing.wait": "pacing"}
        )
    )
    picture = calls_now(tally.minute())
    assert picture is not None
    assert picture.title == "gyro.read takes 25 % of the last minute"


def test_without_calls_there_are_no_bars() -> None:
    """A log of bare loops has its periods alone."""
    tally = Tally()
    tally.add(make_run([20.0] * 10))
    assert calls_now(tally.minute()) is None
    assert periods_now(tally.minute(), None).title.endswith("20.0 ms")


def test_long_loops_stand_newest_first() -> None:
    """With when, how long, and what made them so."""
    period = np.full(60, 10.0)
    period[[20, 40]] = 40.0
    tally = Tally(20.0)
    tally.add(make_run(period.tolist(), lambda k: [("gyro.read", 1, 32 if k == 20 else 2)]))
    rows = long_loops(tally.live().long)
    assert [(r[0], r[3]) for r in rows] == [(40, "outside every call"), (20, "gyro.read")]
    assert [r[1] for r in rows] == pytest.approx([0.43, 0.2])
