"""What is said of the rate that a tolerance asks for: what it rests on, and what pace cannot do."""

import numpy as np
import pytest

from looptime.heading import study
from looptime.heading.setup import Tolerance
from looptime.views.text.heading_text import heading_sentence, render_heading
from tests.build_run import make_flat_run
from tests.views.text.build import text_of

KINDS = {"compass.read": "sensor read", "belt.write": "actuator write", "pause": "pacing"}


def told(period_ms, tolerance, *, between=6.0, wait=False):
    """Read for 2 ms, work for `between`, write for 2 ms; the rest of the period waits, or none."""
    n = 600
    work = 4.0 + between + 0.05 * np.random.default_rng(2).standard_normal(n)
    period = np.full(n, period_ms) if wait else work
    lengths = {"compass.read": np.full(n, 2.0), "count": work - 4.0, "belt.write": np.full(n, 2.0)}
    if wait:
        lengths["pause"] = period - work
    calls = {name: np.round(ms * 1e6).astype(np.int64) for name, ms in lengths.items()}
    run = make_flat_run(np.sum(list(calls.values()), axis=0), calls, KINDS)
    found = study(run, motion="steady:100", tolerance=Tolerance(deg=tolerance, judged="mean"))
    return heading_sentence(found), text_of(render_heading(found, "belt.csv").parts())


@pytest.mark.parametrize(
    ("tolerance", "words"),
    [
        (1.6, "by its mean rate: it takes 83.3 loops a second of the 100 that its work allows"),
        (1.2, "pace alone cannot reach it"),
        (1.2, "its work of 10.0 ms allows, it is still 1.50 deg (mean) with a reading 10.0 ms old"),
        (1.2, "read it later or on a thread; read just before its use (4.00 ms) it is 0.9"),
        (0.8, "take work out of the loop as well"),
    ],
)
def test_a_loop_that_waits(tolerance, words):
    """10 ms from reading to use in 40 ms: w (10 + T/2), at best 1.5 deg; read late 0.9 deg."""
    said, table = told(40.0, tolerance, wait=True)
    assert words in said
    assert "134" not in said
    assert "its work of 10.0 ms allows 100 a second" in " ".join(table.split())


def test_what_is_supposed_of_a_loop_that_never_waits_is_said_in_the_same_sentence():
    """Its latency is its period: 1.5 T w = 0.75 deg at 200 a second, if its calls get shorter."""
    said, _ = told(None, 0.75)
    assert "it takes 200 loops a second, if its latency changes with its period (it never" in said


def test_nothing_is_supposed_where_the_reading_is_not_old():
    """Without calls the reading counts from the loop's start: only the hold changes."""
    found = study(make_flat_run(np.full(500, 20_000_000)), motion="steady:100",
                  tolerance=Tolerance(deg=0.5, judged="mean"))  # fmt: skip
    assert "it takes 100 loops a second." in heading_sentence(found)
