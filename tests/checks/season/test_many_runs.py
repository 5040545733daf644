"""Runs beside each other: what they are held against, changes by hand, what stands out."""

import math

import numpy as np
import pytest
from scipy import stats

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.many_runs import Placed, _line, beside
from looptime.errors import UsageError
from looptime.run import Run
from tests.build_run import make_run
from tests.checks.build import CALLS, recording


def placed(run: Run, key: str, baseline: bool = False) -> Placed:
    values = measure(record(run, Settings(keep_warmup=True)).series())
    return Placed(key, values, baseline)


def flat(read_ms: float, version: str, day: int, **calls: float) -> Run:
    """600 loops of 20 ms with calls of fixed lengths."""
    made = [("gyro.read", 0.5, read_ms)]
    made += [(name, 8.0 + 2 * k, ms) for k, (name, ms) in enumerate(calls.items())]
    run = make_run([20.0] * 600, made)
    meta = {**run.meta, "code_version": version, "time": f"2026-03-{day:02}"}
    return Run(**{**run.__dict__, "meta": meta})


def test_changes_are_against_the_first_version() -> None:
    """Runs of 2, 2 and 3 ms a read: the third is 50 % above; a new call has no level."""
    at = beside(
        [
            placed(flat(3.0, "2", 3, extra=1.0), "c"),
            placed(flat(2.0, "1", 1), "a"),
            placed(flat(2.0, "1", 2), "b"),
        ]
    )
    assert [r.key for r in at.runs] == ["a", "b", "c"]
    assert (at.against, at.against_what) == ((0, 1), "version 1")
    by = {line.name: line for line in at.lines}
    assert by["gyro.read"].percent == pytest.approx((0, 0, 50))
    assert by["unattributed"].percent == pytest.approx((0, 0, 100 * (16 / 18 - 1)))
    assert by["period mean"].percent == pytest.approx((0, 0, 0))
    assert by["extra"].level_ms is None
    assert by["extra"].values_ms[:2] == (None, None)
    assert by["extra"].values_ms[2] == pytest.approx(1.0)
    assert by["gyro.read"].beyond == (None, None, None)  # two runs have no scatter to tell
    assert not at.can_be_odd


@pytest.mark.parametrize(("marked", "what"), [((1, 2), "the baseline"), ((), "the first run")])
def test_the_baseline_goes_before_the_first_run(marked: tuple[int, ...], what: str) -> None:
    """Marked runs are held against wherever they stand; of one version the first run is."""
    runs = [placed(flat(2.0 + k, "1", k + 1), f"{k}", k in marked) for k in range(3)]
    at = beside(runs)
    assert (at.against, at.against_what) == (marked or (0,), what)
    level = 3.5 if marked else 2.0
    percent = next(x for x in at.lines if x.name == "gyro.read").percent
    assert percent == pytest.approx([100 * (v / level - 1) for v in (2, 3, 4)])


def test_what_stands_out_does_so_beyond_the_prediction_interval() -> None:
    """Just inside and just outside of the interval, worked out apart with SciPy."""
    base = [10.0, 10.2, 9.9, 10.1]
    log = np.log(base)
    half = stats.t.ppf(0.975, 3) * log.std(ddof=1) * math.sqrt(1.25)
    ends = [math.exp(log.mean() + s * half * f) for s in (-1, 1) for f in (0.999, 1.001)]
    line = _line("x", "", [*base, *ends, None], (0, 1, 2, 3))
    assert line.beyond == (None, None, None, None, False, True, False, True, None)


def test_one_unchanged_run_in_twenty_stands_out() -> None:
    """Of 4,000 lognormal figures held against five of the same kind, 5 % do."""
    rng = np.random.default_rng(3)
    out = 0
    for _ in range(4000):
        values = rng.lognormal(0, 0.02, 6).tolist()
        out += bool(_line("x", "", values, (0, 1, 2, 3, 4)).beyond[5])
    low, high = stats.binom.ppf([0.001, 0.999], 4000, 0.05)
    assert low <= out <= high


def test_a_run_unlike_its_neighbours_is_odd() -> None:
    """Of eight runs the fifth takes a quarter longer: it and no other is marked."""
    rng = np.random.default_rng(2)
    scales = np.exp(rng.normal(0, 0.004, 8)) * np.where(np.arange(8) == 4, 1.25, 1.0)
    runs = [
        placed(recording(k, loops=900, scale=scale, time=f"2026-03-{k + 1:02}"), f"{k}")
        for k, scale in enumerate(scales)
    ]
    at = beside(runs)
    assert at.can_be_odd
    assert [o.entry for o in at.odd] == ["4"]
    assert set(CALLS) <= {line.name for line in at.lines}


def test_runs_of_other_phases_are_left_out_by_name() -> None:
    """Two that transport and one that docks: the latter is held against nothing."""
    runs = []
    for k, phase in enumerate(("transport", "docking", "transport")):
        made = make_run([20.0] * 600, [("gyro.read", 1, 2)], phases=[phase] * 600)
        source = f"{k}.csv"
        runs.append(placed(Run(**{**made.__dict__, "source": source}), source))
    at = beside(runs)
    assert [r.key for r in at.runs] == ["0.csv", "2.csv"]
    assert at.left_out == ("1.csv",)


def test_without_runs_there_is_nothing_to_put_beside() -> None:
    """One line says so."""
    with pytest.raises(UsageError, match="no runs"):
        beside([])
