"""A few replicates of the calibration, with bands wide enough for so few.

The full calibration is ``python -m tests.benchmarks.calibration``. Bands are some four standard
errors of a binomial share beyond its promise, so that only a gross fault fails here.
"""

from dataclasses import replace

import numpy as np
import pytest

from looptime.stats.quantiles import quantiles
from tests.benchmarks import calibration
from tests.benchmarks.generator import KINDS, Plant, clean, paced, record, run_effects


def most(promise, n):
    """Upper band for a rate [percent] that is promised to stay below `promise`."""
    return promise + 400 * np.sqrt(promise / 100 * (1 - promise / 100) / n)


def check(rows, n):
    """Rates that must be low stay below their band; those that must be high above theirs."""
    for row in rows:
        if row.high < 100:
            assert row.value <= most(row.high, n), row
        if row.low > 10:
            assert row.value >= 100 - most(100 - row.low, n), row


@pytest.mark.parametrize("part", ["clock", "drift", "change", "warmup", "single"])
def test_a_few_replicates(part):
    """False alarms rare, planted causes found: by parts of the full calibration."""
    check(calibration.PARTS[part](40), 40)


@pytest.mark.parametrize("part", ["runs", "gate"])
def test_a_few_replicates_of_runs(part):
    """Runs held against runs."""
    check(calibration.PARTS[part](40), 40)


def test_two_recordings_of_the_same_kind():
    """A/A pairs of typical recordings: no figure differs too often."""
    rates = calibration.judged_pairs(KINDS["T"], 6000, 80, Plant(), 5)
    judged = {name: v for name, v in rates.items() if name != "p99.9"}
    assert all(v <= most(7, 80) for v in judged.values()), judged


def test_a_planted_slow_down_is_seen():
    """+2 % in the mean in nearly every pair; p99 by a heavier tail."""
    assert calibration.judged_pairs(KINDS["T"], 6000, 20, Plant(shift=0.02), 6)["mean"] >= 90
    tail = calibration.judged_pairs(KINDS["T"], 6000, 20, Plant(tail_per_s=1.6), 7)
    assert tail["p99 exceedance"] >= 90


@pytest.mark.parametrize("every_s", [0.1, 0.25])
def test_a_planted_rhythm_is_found(every_s):
    """Telemetry stalls by the wall clock among all the other events."""
    kind = replace(KINDS["T"], stall_every_s=every_s)
    right, clocks = calibration.rhythm_hits(kind, Plant(), "time", every_s, 20)
    assert right >= 85
    assert clocks >= 80


@pytest.mark.parametrize("base_ms", [2.0, 10.0, 20.0, 60.0])
def test_clean_logs_raise_hardly_any_alarm(base_ms):
    """Periods and ten calls with autocorrelation only: at most 2 of 15 logs raise any alarm."""
    hits = [any(calibration.clean_alarms(g, base_ms, 0.5, 3500).values())
            for g in calibration.rngs(int(base_ms), 15)]  # fmt: skip
    assert sum(hits) <= 2


def test_the_typical_recording_has_the_stated_properties():
    """Mean, quantiles, share of long loops and autocorrelation of the typical kind."""
    rows, lags = [], []
    for seed in range(40):
        x = record(np.random.default_rng(seed), KINDS["T"], 6000).period_ms
        rows.append([x.mean(), *quantiles(x, [0.5, 0.95, 0.99]), 100 * (x > 14).mean()])
        lags.append(np.corrcoef(x[:-1], x[1:])[0, 1])
    assert np.median(rows, axis=0) == pytest.approx([10.35, 10.17, 12.26, 13.78, 0.8], rel=0.06)
    assert np.median(lags) == pytest.approx(0.13, abs=0.04)


def test_stalls_by_the_wall_clock_hit_a_slower_loop_more_often_per_loop():
    """At twice the base period there are about twice as many stalls a loop."""
    kind = replace(KINDS["T"], ar=0.0, white=0.0, slow_share=0.0, drift_per_min=0.0,
                   warm_share=0.0, gc_ms=0.0, timeouts_per_s=0.0)  # fmt: skip
    shares = []
    for base in (10.0, 20.0):
        x = record(np.random.default_rng(1), kind, 5000, base).period_ms
        shares.append((x > base + 0.01).mean())
    assert shares[0] == pytest.approx(10.2 / 100, rel=0.02)
    assert shares[1] == pytest.approx(20.4 / 100, rel=0.02)


def test_time_adds_up():
    """Starts are the sum of the periods before; a run without effects repeats by its seed."""
    r, again = (clean(np.random.default_rng(2), 1000) for _ in range(2))
    assert np.diff(r.start_s) == pytest.approx(r.period_ms[:-1] / 1000)
    assert (r.period_ms == again.period_ms).all()
    assert run_effects(np.random.default_rng(1), 0.0).factor == 1


def test_paced_loops_meet_their_rate():
    """Works of 8 ms and one of 25 ms at 10 ms: skip the missed ticks, or catch them up."""
    work = clean(np.random.default_rng(3), 200, 8.0)
    work = replace(work, period_ms=np.where(np.arange(200) == 50, 25.0, 8.0))
    skip, catch = paced(work, 10.0), paced(work, 10.0, catch_up=True)
    assert skip.period_ms[50] == pytest.approx(30)
    assert np.delete(skip.period_ms, 50) == pytest.approx(10)
    assert catch.period_ms[50] == pytest.approx(25)
    assert catch.period_ms[51:53] == pytest.approx([8, 8])
    assert catch.start_s[-1] == pytest.approx(1.99)


def test_the_command_line(capsys):
    """Parts are chosen by name, and the table says what was promised."""
    assert calibration.main(["speed", "--replicates", "1"]) in (0, 1)
    assert "jackknife, 6 figures" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        calibration.main(["nosuch"])
