"""Instants that are not in the order of time are told from lengths."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.columns.disorder import disordered


def _instants(rng, count=120, first=3000.0):
    return first + np.cumsum(rng.gamma(40, 0.25, count)).round(3)


def _mixed(rng):
    """Two logs whose lines stand among each other anyhow."""
    one, other = _instants(rng), _instants(rng, first=3217.0)
    whose = rng.permutation(np.repeat([True, False], len(one)))
    mixed = np.empty(len(whose))
    mixed[whose], mixed[~whose] = one, other
    return mixed


def _again_later(rng):
    """A third of the rows stand in their log again some rows later."""
    values = _instants(rng).tolist()
    for at in range(99, 0, -3):
        values.insert(at + int(rng.integers(5, 20)), values[at])
    return np.array(values)


def _turned(rng):
    """Two stretches stand in their log the other way round, the rows of one twice."""
    values = _instants(rng)
    values[20:60], values[70:100] = values[20:60][::-1].copy(), values[70:100][::-1].copy()
    return values


DISORDER = (_mixed, _again_later, _turned)


@pytest.mark.parametrize("made", DISORDER)
def test_instants_mixed_anyhow(made):
    """They go back, and are said to; as lengths that grow they may be taken where such may be."""
    for seed in range(20):
        assert disordered(made(np.random.default_rng(seed))).startswith("go back in")


def test_lengths_are_none():
    """Lengths at random, in two classes, on a coarse grid, growing slowly, or jagged."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        count = int(rng.integers(40, 300))
        noise = rng.gamma(40, 0.25, count)
        classes = np.where(rng.random(count) < 0.3, 20.0, 10.0) + rng.normal(0, 1, count)
        for values in (
            noise,
            noise.round(),
            noise.round(1),
            classes,
            noise + 0.01 * np.arange(count),
        ):
            assert disordered(values) == ""
    growing = 5 + 0.02 * np.arange(300) + rng.normal(0, 0.1, 300)
    assert disordered(growing, grows=True) == ""


@pytest.mark.parametrize("made", DISORDER)
def test_one_number_a_line(tmp_path, made):
    """Instants in no order are no lengths of loops."""
    path = tmp_path / "log.txt"
    lines = [f"{value:.3f}\n" for value in made(np.random.default_rng(3))]
    path.write_text("".join(lines), encoding="utf-8")
    with pytest.raises(LogError, match=r"as instants they go back in .* --columns dt"):
        looptime.read_log(path)


@pytest.mark.parametrize("made", [_mixed, _turned])
def test_a_column_that_its_header_calls_the_time(tmp_path, made):
    """Its values are refused or read as instants: loops of 10 ms, not of seconds."""
    path = tmp_path / "log.tsv"
    lines = [f"{value:.3f}\t12.1\n" for value in made(np.random.default_rng(3))]
    path.write_text("t [ms]\tbattery [V]\n" + "".join(lines), encoding="utf-8")
    if made is _turned:
        with pytest.raises(LogError, match="go back in"):
            looptime.read_log(path)
    else:
        run = looptime.read(path)
        assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(10, rel=0.2)
        assert run.set_aside.counts["corrupt stamp"] > 0


def test_periods_alone_are_read(tmp_path):
    """One length a line."""
    path = tmp_path / "log.txt"
    values = np.random.default_rng(1).gamma(40, 0.25, 120)
    path.write_text("".join(f"{value:.3f}\n" for value in values), encoding="utf-8")
    run = looptime.read(path, unit="ms")
    assert run.loop_columns.period_ns.mean() / 1e6 == pytest.approx(values.mean(), rel=0.01)


def test_stages_of_two_logs_mixed_anyhow(tmp_path):
    """Instants along a row, in no order from row to row: no lengths, whatever the columns."""
    mixed = _mixed(np.random.default_rng(2))
    path = tmp_path / "log.csv"
    rows = [f"{t:.3f},{t + 2:.3f},{t + 5.5:.3f}" for t in mixed]
    path.write_text("\n".join(["begin_ms,gyro_ms,drive_end_ms", *rows]) + "\n", encoding="utf-8")
    with pytest.raises(LogError, match="go back in"):
        looptime.read_log(path)
