"""Loop rates that a tolerance asks for, and what misses it."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.errors import UsageError
from looptime.heading.curve import (
    RATES_HZ,
    CurvePoint,
    RatePoint,
    StaleModel,
    rate_curve,
    sampling_at,
)
from looptime.heading.pattern import Sampling, blocks_of
from looptime.heading.required import required_rate
from looptime.heading.stale import Stale
from tests.heading.logs import jittered
from tests.heading.points import STEADY, W, curve_point


@pytest.mark.parametrize("tolerance_deg", [0.5, 2.0, 8.0])
def test_required_rate_by_hand(tolerance_deg):
    """Even loops without latency meet p95 from 0.95 w / tolerance on, wherever the curve's are."""
    log = jittered(n=2000, latency=0.0)
    curve = rate_curve(STEADY, log, patterns=("even",))
    point = curve_point(STEADY, log)
    found = required_rate(np.radians(tolerance_deg), "p95", curve, point, point, at_rate(log))
    assert found.by_pattern["even"].value == pytest.approx(0.95 * 180 / tolerance_deg, rel=1e-4)


@pytest.mark.parametrize(
    ("judged", "share"), [("mean", 0.5), ("rms", np.sqrt(0.35**2 + 0.7 * 0.5 + 1 / 3) - 0.35),
                          ("max", 1.0)],
)  # fmt: skip
def test_required_rate_with_latency_and_a_samples_own_age(judged, share):
    """Used 0.35 of the period after the read: tolerance / w, less 4 ms, is 0.35 T and the hold."""
    use = np.arange(3001) * 0.012
    log = Sampling(use - 0.35 * 0.012 - 0.004, use - 0.35 * 0.012, use, use, blocks_of(3000))
    if judged == "rms":
        log = replace(log, taken_s=log.read_s)
    curve, point = rate_curve(STEADY, log), curve_point(STEADY, log)
    found = required_rate(W * 0.013, judged, curve, point, point, at_rate(log))
    own = 0.0 if judged == "rms" else 0.004
    for pattern in ("even", "log shape"):
        told = found.by_pattern[pattern].value
        assert told == pytest.approx((0.35 + share) / (0.013 - own), rel=1e-3)


def at_rate(log):
    """The points between those of a curve."""
    return RatePoint(STEADY, log, StaleModel(STEADY))


def _verdict(log, tolerance, judged="p95"):
    alike = curve_point(STEADY, sampling_at(log, "even", log.rate_hz, STEADY), "even")
    curve = rate_curve(STEADY, log, rates_hz=RATES_HZ[::2])
    return required_rate(tolerance, judged, curve, curve_point(STEADY, log), alike, at_rate(log))


def test_stalls_miss_the_tolerance():
    """100 Hz with stalls: even loops of that rate would do, so the stalls are named."""
    log = jittered(n=4000, stalls=0.05, sd=0.02, latency=0.2)
    found = _verdict(log, 1.5 * W * 0.012)
    assert found.missed_by == "stalls"
    assert found.by_pattern["even"].value < log.rate_hz
    assert found.by_pattern["log shape"].value is None or (
        found.by_pattern["log shape"].value > log.rate_hz
    )


def test_mean_rate_misses_the_tolerance():
    """Even 100 Hz loops that are simply too slow: the mean rate is named, and the rate given."""
    log = jittered(n=4000, stalls=0.0, sd=0.02, latency=0.2)
    found = _verdict(log, W * 0.005)
    assert found.missed_by == "mean rate"
    assert found.by_pattern["log shape"].value == pytest.approx(1.15 / 0.005, rel=0.2)


def test_both_miss_the_tolerance():
    """Too slow, and stalled so much that the rate alone will not do."""
    log = jittered(n=4000, stalls=0.1, sd=0.02, latency=0.2)
    assert _verdict(log, W * 0.004).missed_by == "mean rate and stalls"


def test_tolerance_that_is_met():
    """A log that meets its tolerance is missed by nothing."""
    assert _verdict(jittered(n=2000), W * 0.2).missed_by is None


def test_maximum_is_never_met_with_a_long_stall():
    """Held to the worst moment, one stall of half a second keeps every rate from meeting 45 deg."""
    hold = np.full(4000, 0.01)
    hold[1234] = 0.5
    use = np.concatenate([[0.0], np.cumsum(hold)])
    log = Sampling(use, use, use, use, blocks_of(4000))
    found = _verdict(log, np.radians(45), "max")
    assert found.by_pattern["log shape"].value is None
    assert found.by_pattern["even"].value < 10
    assert found.missed_by == "stalls"


@pytest.mark.parametrize(("tolerance", "judged"), [(0.0, "p95"), (-1.0, "p95"), (1.0, "median")])
def test_bad_tolerance_is_refused(tolerance, judged):
    """A tolerance is above 0 and holds for a known figure."""
    log = jittered(n=500)
    point = curve_point(STEADY, log)
    with pytest.raises(UsageError):
        required_rate(tolerance, judged, (), point, point, at_rate(log))


def test_what_cancels_keeps_no_tolerance():
    """20 cm a metre at 20 Hz, to both sides alike, 5 mm less for each Hz more: 10 cm need 40 Hz."""

    def point(pattern, rate, both):
        none = Figure(0.0)
        stale = Stale(none, none, none, 0.0, lateral=none, sideways=Figure(both))
        return CurvePoint(pattern, rate, none, stale, none)

    curve = tuple(point("even", rate, both) for rate, both in ((20.0, 0.2), (50.0, 0.05)))
    found = required_rate(
        0.1, "sideways", curve, point("as recorded", 20.0, 0.2), curve[0],
        lambda pattern, rate: point(pattern, rate, 0.2 - 0.005 * (rate - 20)),
    )  # fmt: skip
    assert found.by_pattern["even"].value == pytest.approx(40.0, rel=1e-4)
    assert found.missed_by == "mean rate"
