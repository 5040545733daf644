"""Figures of checks say what the checks found."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.compare.comparison import Comparison
from looptime.checks.gate.gate import gate
from looptime.checks.recording.recording import Settings
from looptime.run import Run
from looptime.views.figures.checks_figures import (
    changes_table,
    difference_by_call,
    gate_margins,
    gate_table,
    shift_figure,
    two_histograms,
)
from tests.build_run import make_run

_KEEP = Settings(keep_warmup=True)
_KINDS = {"gyro.read": "sensor read", "drive.write": "actuator write"}


def _run(read_ms: float, seed: int, loops: int = 2000) -> Run:
    """Loops with a read of the given length, a write of 1 ms and some noise."""
    rng = np.random.default_rng(seed)
    noise, took = rng.gamma(4.0, 0.05, loops), read_ms + rng.gamma(4.0, 0.01, loops)
    return make_run(
        6 + took + noise,
        lambda k: [("gyro.read", 1, took[k]), ("drive.write", took[k] + 2, 1)],
        _KINDS,
    )


@pytest.fixture(scope="module")
def found() -> Comparison:
    """A read that takes 3 ms instead of 2 ms."""
    return compare([_run(2, 1)], [_run(3, 2)], settings=_KEEP)


def test_shift_is_that_of_the_comparison(found: Comparison) -> None:
    """Each point is the quantile's shift, and all lie about the millisecond that was added."""
    made = shift_figure(found)
    assert made is not None
    assert made.figure["data"][0]["y"] == [s.difference_ms.value for s in found.shift]
    assert np.allclose(made.figure["data"][0]["y"], 1.0, atol=0.06)


def test_a_shift_that_may_be_none_is_not_claimed(found: Comparison) -> None:
    """By the intervals of the middle and of the last: what holds 0 can't be told."""

    def title(middle: tuple[float, float], tail: tuple[float, float]) -> str:
        ends = {50: middle, found.shift[-1].percent: tail}
        shift = tuple(
            replace(s, difference_ms=replace(s.difference_ms, value=1.0, low=low, high=high))
            for s in found.shift if s.percent in ends for low, high in [ends[s.percent]]
        )  # fmt: skip
        made = shift_figure(replace(found, shift=shift))
        assert made is not None
        return made.title

    both = "The middle loop moves by +1.00 ms, the slowest 1 % by +1.00 ms"
    assert title((0.5, 1.5), (0.1, 2.0)) == both
    assert title((0.5, 1.5), (-3.0, 5.0)).endswith("; can't tell whether the slowest 1 % do")
    assert title((-0.5, 2.5), (0.5, 1.5)).endswith("; can't tell whether the middle loop does")
    assert (
        title((-0.5, 2.5), (-1, 3)) == "Can't tell whether the middle loop or the slowest 1 % move"
    )


def test_differences_by_call_add_up(found: Comparison) -> None:
    """The rows add up to the difference of the means, and the slower read leads."""
    made = difference_by_call(found, _KINDS)
    assert sum(row[4] for row in made.rows) == pytest.approx(found.explained.difference_ms)
    assert made.rows[0][:2] == ("gyro.read", "sensor read")
    assert made.rows[0][4] == pytest.approx(1, abs=0.01)
    assert made.rows[0][6] == "slower"


def test_changes_table_gives_the_verdicts(found: Comparison) -> None:
    """Every figure of the loop has its row and verdict word."""
    _, rows = changes_table(found)
    mean = next(c for c in found.changes if c.statistic == "mean")
    row = next(r for r in rows if r[0] == "period mean, ms")
    assert row[1] == mean.before
    assert row[2] == mean.after
    assert row[7] == mean.verdict == "slower"


def test_two_histograms_count_all_loops() -> None:
    """Bars of each side add up to its loops, over shared bins."""
    a, b = np.array([8.0, 8.1, 12.0]), np.array([9.0, 30.0])
    made = two_histograms(a, b, ("before", "after"), 11.0)
    assert sum(row[2] for row in made.rows) == 3
    assert sum(row[3] for row in made.rows) == 2
    assert "33 % and 50 %" in made.title


def test_gate_margins_are_value_over_limit() -> None:
    """A limit that is exceeded leads, with value over limit in percent."""
    at = gate([_run(2, 3)], limits={"period_p99_ms": 8.0, "period_p50_ms": 20.0}, settings=_KEEP)
    made = gate_margins(at)
    assert made is not None
    worst = next(r for r in at.rows if r.verdict == "fail")
    assert worst.value is not None
    assert made.figure["data"][0]["x"][0] == pytest.approx(100 * worst.value / 8.0)
    assert made.figure["layout"]["yaxis"]["ticktext"][0].endswith("FAIL")
    assert gate_table(at)[1][0][5] == "FAIL"
    assert made.title.startswith("Farthest over its limit: period p99")
    held = gate([_run(2, 3)], limits={"period_p50_ms": 20.0}, settings=_KEEP)
    within = gate_margins(held)
    assert within is not None
    assert within.title.startswith("Nearest to its limit: period p50")


def test_gate_without_limits_draws_nothing() -> None:
    """With neither limits nor baseline there is no margin."""
    assert gate_margins(gate([_run(2, 4, 300)], settings=_KEEP)) is None


def test_a_share_is_shown_in_percent() -> None:
    """A quarter of the loops over the budget, where a twentieth is allowed."""
    at = gate([_run(2, 3)], limits={"period_p99_ms": 8.0}, settings=_KEEP)
    row = replace(at.rows[0], what="overruns", value=0.25, limit=0.05, unit="share")
    shown = gate_table(replace(at, rows=(row,)))[1][0]
    assert shown[2:4] == ("25.0 %", "5.00 %")
