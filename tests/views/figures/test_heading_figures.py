"""Figures of heading say what the study found."""

import math

import numpy as np
import pytest

from looptime.heading import HeadingResult, study
from looptime.heading.setup import Tolerance
from looptime.views.figures.heading_figures import (
    age_bars,
    error_curve,
    heading_table,
    required_sentences,
    sideways_curve,
)
from looptime.views.figures.picture import MOST_POINTS
from tests.build_run import make_run
from tests.views.build import points_in


@pytest.fixture(scope="module")
def found() -> HeadingResult:
    """Loops of 20 ms and a steady turn of 90 deg/s, with two tolerances."""
    noise = np.random.default_rng(5).gamma(2.0, 0.2, 400)
    return study(
        make_run(20 + noise), motion="steady:90", tolerance=Tolerance(deg=1.0, mm=30.0)
    )  # fmt: skip


def test_curve_is_that_of_the_study(found: HeadingResult) -> None:
    """Every computed rate is drawn, with the study's p95 in degrees."""
    made = error_curve(found)
    even = [p for p in found.curve if p.pattern == "even"]
    line = next(t for t in made.figure["data"] if t["name"] == "perfectly even loops")
    assert line["x"] == [p.rate_hz for p in even]
    assert line["y"] == pytest.approx([math.degrees(p.stale.p95.value or 0) for p in even])
    # even loops with no latency: 95 % of the time the reading is younger than 0.95 of a loop
    assert line["y"] == pytest.approx([0.95 * 90 / p.rate_hz for p in even], rel=0.01)
    assert points_in(made.figure) < MOST_POINTS


def test_title_names_the_required_rate(found: HeadingResult) -> None:
    """The title holds the rate at which the tolerance is met with the log's shape."""
    rate = found.required["tolerance_deg"].by_pattern["log shape"].value
    assert rate is not None
    assert f"1 deg needs {rate:.1f}" in error_curve(found).title
    assert any("1 deg" in s and "misses it" in s for s in required_sentences(found))


def test_another_answer_is_marked(found: HeadingResult) -> None:
    """The answer with changes has a mark of its own at its rate and error."""
    faster = study(make_run([10.0] * 400), motion="steady:90", curve=False)
    made = sideways_curve(found, (("with the changes", faster),))
    mark = made.figure["data"][-1]
    assert mark["x"] == [pytest.approx(100)]
    assert mark["y"] == [pytest.approx(1e3 * (faster.path.sideways.value or 0))]
    heads, rows = heading_table(found, (("with the changes", faster),))
    assert heads == ("", "recorded", "with the changes")
    assert rows[0][2].startswith("100")


def test_age_parts_add_up(found: HeadingResult) -> None:
    """Latency, hold and unevenness add up to the mean age."""
    made = age_bars(found)
    total = sum(trace["x"][0] for trace in made.figure["data"])
    assert total == pytest.approx(found.age.mean_ms.value)


def test_curves_that_lie_on_each_other_are_said_to() -> None:
    """Loops that are all but even have the curve of even ones; stalls of 80 ms part the two."""
    even = make_run(20 + 0.001 * (np.arange(400) % 3))
    stalls = make_run(np.where(np.arange(400) % 20 == 19, 100.0, 20.0))
    notes = [
        error_curve(study(run, motion="steady:90", tolerance=Tolerance(deg=1.0))).notes
        for run in (even, stalls)
    ]
    assert "lie on each other" in notes[0][0]
    assert notes[1] == ()
