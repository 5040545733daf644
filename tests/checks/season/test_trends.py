"""Over a season: changes between versions, trends, the odd run, spread of robots."""

import json

import numpy as np
import pytest
from scipy import stats

from looptime.checks.recording.facts import Facts
from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Listed, Season
from looptime.checks.season.trends import _over_runs, season_trends
from looptime.errors import UsageError
from tests.checks.build import CALLS, recording


def season_of(tmp_path, scales, robot="tray-carrier", changed_at=8, seed=5, **late):
    """A run for each scale, a day apart; from `changed_at` on another version."""
    season = Season(tmp_path / "season", create=True)
    noise = np.exp(np.random.default_rng(seed).normal(0, 0.004, len(scales)))
    runs = [
        recording(
            1000 * seed + k, loops=900, scale=scale * noise[k], robot=robot,
            code_version="1.3" if k < changed_at else "1.4", time=f"2026-03-{k + 1:02}",
            **(late if k >= changed_at else {}),
        )
        for k, scale in enumerate(scales)
    ]  # fmt: skip
    add_runs(season, runs)
    return season


def one(season, **at):
    [found], _ = season_trends(season, **at)
    return found


def test_a_change_between_versions_is_found_with_its_versions(tmp_path):
    """5 % from the ninth run on: found there, in the loop and in every call, and nowhere else."""
    found = one(season_of(tmp_path, [1.0] * 8 + [1.05] * 8))
    mean = next(t for t in found.trends if t.statistic == "mean" and not t.call)
    [step] = mean.steps
    assert (step.before_version, step.after_version, step.with_version) == ("1.3", "1.4", True)
    assert step.percent.low < 5 < step.percent.high
    names = [e.name for e in found.entries]
    assert names.index(step.after_entry) == 8
    assert {t.call for t in found.trends if t.steps} >= {"", "gyro.read"}


def test_a_change_of_one_call_is_found_in_that_call(tmp_path):
    """20 % more in one call from the new version on."""
    calls = {**CALLS, "gyro.read": CALLS["gyro.read"] * 1.2}
    found = one(season_of(tmp_path, [1.0] * 16, calls=calls))
    assert {t.call for t in found.trends if t.steps and t.call} == {"gyro.read"}


def test_unchanged_runs_have_no_change_and_no_odd_run(tmp_path):
    """Scatter alone is neither a change nor a trend."""
    found = one(season_of(tmp_path, [1.0] * 14))
    assert not any(t.steps for t in found.trends if t.statistic != "worst1")
    assert not any(t.p_holm < 0.05 for t in found.trends)
    assert found.ordered


def test_the_odd_run_is_named_and_does_not_hide_the_change(tmp_path):
    """One run 12 % off is odd in many figures; the change after it is still found."""
    scales = [1.0] * 8 + [1.05] * 8
    scales[4] = 1.12
    found = one(season_of(tmp_path, scales))
    assert found.odd[0].run == "run-5004.csv"
    assert found.odd[0].percent == pytest.approx(12, abs=2)
    assert "mean" in found.odd[0].figures
    assert any(t.steps for t in found.trends if t.statistic == "mean" and not t.call)


def test_a_creeping_slow_down_shows_as_a_trend(tmp_path):
    """0.5 % a run over 12 runs: the interval of the slope holds it."""
    found = one(season_of(tmp_path, 1.005 ** np.arange(12), changed_at=99))
    mean = next(t for t in found.trends if t.statistic == "mean" and not t.call)
    assert mean.p_holm < 0.05
    assert mean.per_run_percent.low < 0.5 < mean.per_run_percent.high


def test_robots_are_kept_apart_and_set_side_by_side(tmp_path):
    """Each robot has its trends; the slower one stands first in the spread."""
    season = season_of(tmp_path, [1.0] * 6)
    season_of(tmp_path, [1.1] * 6, robot="spare", seed=6)
    found, spread = season_trends(season)
    assert {t.robot for t in found} == {"tray-carrier", "spare"}
    assert [s.robot for s in spread] == ["spare", "tray-carrier"]
    assert spread[0].from_all_percent - spread[1].from_all_percent == pytest.approx(9.3, abs=1)
    json.dumps([t.to_dict() for t in found], allow_nan=False)


def test_few_runs_and_none(tmp_path):
    """With fewer than six runs the values are shown and nothing is claimed."""
    found = one(season_of(tmp_path, [1.0, 1.2, 1.0]))
    assert all(t.p is None and not t.steps for t in found.trends)
    empty = Season(tmp_path / "empty", create=True)
    with pytest.raises(UsageError, match="holds no entries"):
        season_trends(empty)


def test_the_run_that_is_odd_in_most_figures_comes_first(tmp_path):
    """The sixth run is odd in one call only, the eleventh in everything."""
    season = Season(tmp_path / "season", create=True)
    dearer = {**CALLS, "gyro.read": CALLS["gyro.read"] * 1.3}
    add_runs(season, [
        recording(k, loops=900, scale=1.12 if k == 10 else 1.0, robot="tray-carrier",
                  calls=dearer if k == 5 else None, time=f"2026-03-{k + 1:02}")
        for k in range(14)
    ])  # fmt: skip
    odd = one(season).odd
    assert [o.run for o in odd[:2]] == ["run-10.csv", "run-5.csv"]
    assert len(odd[0].figures) > len(odd[1].figures)


def _series(rng, sd, odd=None, step=None):
    """Five figures of the loop and eight calls over ten runs, all scattering by `sd`."""
    names = [(n, "") for n in ("mean", "median", "p99", "worst1", "rate")]
    names += [("mean", f"part{k}.read") for k in range(8)]
    log = rng.normal(0, sd, (len(names), 10))
    if odd:
        log[:, 7] += odd
    if step:
        log[[0, 7], 5:] += step
    return [(*name, np.exp(row).tolist()) for name, row in zip(names, log, strict=True)]


def _seen(rng, **planted):
    entries = [Listed(f"run-{k}", Facts(f"run-{k}.csv")) for k in range(10)]
    return _over_runs(entries, "period", _series(rng, **planted))


@pytest.mark.parametrize("sd", [0.005, 0.03])
def test_an_unchanged_season_is_accused_once_in_twenty_at_most(sd):
    """500 seasons of ten like runs: any odd run, step or trend in any of 13 figures."""
    rng = np.random.default_rng(3)
    accused = 0
    for _ in range(500):
        found = _seen(rng, sd=sd)
        moved = any(t.steps or t.p_holm < 0.05 for t in found.trends)
        accused += bool(found.odd) or moved
    assert accused <= stats.binom.ppf(0.999, 500, 0.05)


def test_what_is_planted_in_ten_runs_is_still_seen():
    """With 1 % between runs: a run 10 % slower, 5 % from the sixth on, and its call."""
    rng = np.random.default_rng(4)
    odd = [any(o.entry == "run-7" for o in _seen(rng, sd=0.01, odd=0.1).odd) for _ in range(100)]
    assert sum(odd) > 90
    steps = [_seen(rng, sd=0.01, step=0.05).trends for _ in range(100)]
    at = [[t.call for t in found for s in t.steps if s.after_entry == "run-5"] for found in steps]
    assert sum("" in calls for calls in at) > 80
    assert sum("part2.read" in calls for calls in at) > 70


def test_a_run_that_was_faster_is_odd_as_well(tmp_path):
    """One run 12 % below its neighbours, with the sign that it has."""
    scales = [1.0] * 14
    scales[6] = 0.88
    odd = one(season_of(tmp_path, scales)).odd
    assert odd[0].run == "run-5006.csv"
    assert odd[0].percent == pytest.approx(-12, abs=2)


def test_what_is_the_same_in_every_run_is_not_asked_for_a_trend():
    """No time that no call covers, in any run: it has no p-value, and takes no share of others'."""
    rng = np.random.default_rng(4)
    mean = (20 * np.exp(rng.normal(0, 0.01, 10))).tolist()
    listed = [Listed(f"r{k}", Facts(f"r{k}.csv")) for k in range(10)]
    both = _over_runs(listed, "period", [("mean", "", mean), ("mean", "unattributed", [0.0] * 10)])
    alone = _over_runs(listed, "period", [("mean", "", mean)])
    zero = both.trends[1]
    assert (zero.p, zero.p_holm, zero.per_run_percent.value) == (None, None, 0.0)
    assert both.trends[0].p_holm == alone.trends[0].p_holm
