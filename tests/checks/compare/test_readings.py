"""Conditions that differ between the sides, how often calls run, unlike ticks: planted in logs."""

import re

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.compare.readings import unlike_readings
from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.recording import Settings, record
from tests.parsers.build import read

LOOPS = 800


def table(seed, kg=0.0, volts=12.6, sag=0.0):
    """A loop a row, of 16 to 17 ms, with what the cart carries and its battery."""
    rng = np.random.default_rng(seed)
    volt = volts - sag * np.arange(LOOPS) / LOOPS + rng.normal(0, 0.01, LOOPS)
    at, gyro = np.cumsum(rng.uniform(16, 17, LOOPS)), rng.uniform(1.8, 2.2, LOOPS)
    rows = [f"{t:.3f},{g:.3f},{kg},{v:.2f}" for t, g, v in zip(at, gyro, volt, strict=True)]
    return "\n".join(["t_ms,gyro_ms,tray_kg,volts", *rows]) + "\n"


def log(seed, tick=0.001, reads=1):
    """Rows of calls of the tray cart: a loop of 20 ms, a gyro of 2, read so often."""
    rng = np.random.default_rng(seed)
    at, rows = 0.0, ["loop,name,start_ms,duration_ms"]
    for k in range(LOOPS):
        begin = at
        for name in ["gyro"] * reads + ["drive"]:
            took = {"gyro": 2.0, "drive": 14.0}[name] + rng.normal(0, 0.3)
            rows.append(f"{k},{name},{_shown(begin, begin + took, tick)}")
            begin += took
        rows.append(f"{k},loop,{_shown(at, begin + 1, tick)}")
        at = begin + 2
    return "\n".join(rows) + "\n"


def _shown(begin, end, tick):
    """Begin and length by a clock of such a tick."""
    first, last = (round(instant / tick) * tick for instant in (begin, end))
    return f"{first:.3f},{last - first:.3f}"


def sides(tmp_path, before, after, made_by=log):
    """Runs of both sides, and what is unlike between them, by kind."""
    made = []
    for side, given in enumerate((before, after)):
        made.append([read(tmp_path, made_by(10 * side + k, **given), f"{side}_{k}.csv")
                     for k in range(3)])  # fmt: skip
    found = compare(*made, settings=Settings(keep_warmup=True))
    return found, {one.what: one.text for one in found.unlike}


def test_what_the_robot_carries_is_named_where_it_differs(tmp_path):
    """18.5 kg in place of none: a condition; a battery that scatters alike is none."""
    _, unlike = sides(tmp_path, {"kg": 0.0}, {"kg": 18.5}, table)
    assert unlike["readings"].startswith("readings differ: tray_kg 0 before, 18.5 after; a load")


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ({"volts": 12.6}, {"volts": 11.9}, True),
        ({"volts": 12.6}, {"volts": 12.61}, False),  # less than two hundredths
        ({"volts": 12.6, "sag": 0.6}, {"volts": 12.0, "sag": 0.6}, True),  # through each run
        ({"volts": 12.6, "sag": 2.0}, {"volts": 12.1, "sag": 2.0}, False),  # it falls by far more
    ],
)
def test_a_battery_is_told_where_its_level_surely_differs(tmp_path, before, after, told):
    _, unlike = sides(tmp_path, before, after, table)
    assert ("readings" in unlike) == told


def test_one_run_unlike_its_own_side_tells_nothing(tmp_path):
    """Before 0 and 18.5 kg, after 18.5: the load is not what parts the sides."""
    runs = [read(tmp_path, table(k, kg=kg), f"{k}.csv") for k, kg in enumerate((0.0, 18.5, 18.5))]
    found = compare(runs[:2], runs[2:], settings=Settings(keep_warmup=True))
    assert "readings" not in {one.what for one in found.unlike}


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ([{"kg": 0}, {"kg": 10}], [{"kg": 20}, {"kg": 20}], False),  # as far apart on one side
        ([{"kg": 0}, {"kg": 1}], [{"kg": 20}, {"kg": 20}], True),
        ([{"volts": 12.6, "sag": 0.6}], [{"volts": 12.0, "sag": 0.6}], False),  # it may go on so
        ([{"volts": 12.6, "sag": 0.6}] * 2, [{"volts": 12.0, "sag": 0.6}] * 2, True),
    ],
)
def test_levels_are_held_against_how_they_move(tmp_path, before, after, told):
    """Of one run a side the movement within it decides, of several that between them, too."""
    made = [
        [read(tmp_path, table(10 * side + k, **one), f"{side}_{k}.csv") for k, one in own]
        for side, own in enumerate(map(enumerate, (before, after)))
    ]
    found = compare(*made, settings=Settings(keep_warmup=True))
    assert ("readings" in {one.what for one in found.unlike}) == told


def test_a_stored_run_on_either_side_leaves_readings_untold(tmp_path):
    """Its figures are kept, and no readings."""
    light, heavy = (record(read(tmp_path, table(k, kg=kg), f"{k}.csv"))
                    for k, kg in enumerate((0.0, 18.5)))  # fmt: skip
    stored = RunValues(None, (), (), {})
    assert [one.what for one in unlike_readings([light], [heavy])] == ["readings"]
    assert unlike_readings([light], [heavy, stored]) == []
    assert unlike_readings([light, stored], [heavy]) == []
    assert unlike_readings([light], [stored]) == []


def test_a_call_that_runs_twice_a_loop_is_told(tmp_path):
    """The gyro costs twice as much, since it is read twice; each reading is as long as before."""
    found, unlike = sides(tmp_path, {"reads": 1}, {"reads": 2})
    assert unlike["often"] == "gyro runs 2 times a loop after, 1 before"
    assert found.verdict == "slower"
    assert "often" not in sides(tmp_path, {"reads": 2}, {"reads": 2})[1]


def test_quantiles_of_unlike_clocks_are_told_beyond_the_coarser_tick(tmp_path):
    """Of the same code on a clock of 1 ms and one of 1 us, no quantile has a verdict."""
    found, unlike = sides(tmp_path, {"tick": 0.001}, {"tick": 1.0})
    assert "tick" in unlike
    every = [*found.changes, *found.calls]
    quantiles = [c for c in every if re.fullmatch(r"median|p\d+", c.statistic)]
    assert quantiles
    assert {c.verdict for c in quantiles if abs(c.difference.value) <= 1.0} == {"can't tell"}
    assert not [c for c in every if c.verdict in ("slower", "faster")]
    assert {c.verdict for c in every if c.statistic.startswith("worst")} == {"can't tell"}
    told, _ = sides(tmp_path, {"tick": 0.001}, {"tick": 1.0, "reads": 2})  # by 2 ms
    assert next(c for c in told.changes if c.statistic == "median").verdict == "slower"


@pytest.mark.parametrize(("scatter", "told"), [(0.05, False), (0.5, True)])
def test_values_that_scatter_by_more_than_a_tick_are_told_below_it(tmp_path, scatter, told):
    """A median that moved by 0.05 ms of 10: on a clock of 0.1 ms noise undoes the rounding."""
    made = []
    for side, tick in enumerate((0.001, 0.1)):
        made.append([])
        for k in range(3):
            rng = np.random.default_rng(10 * side + k)
            at = np.cumsum(10 + 0.05 * side + rng.normal(0, scatter, LOOPS))
            rows = [f"{round(t / tick) * tick:.3f}" for t in at]
            text = "\n".join(["t_ms", *rows]) + "\n"
            made[side].append(read(tmp_path, text, f"{side}_{k}.csv"))
    found = compare(*made, settings=Settings(keep_warmup=True))
    middle = next(c for c in found.changes if c.statistic == "median")
    assert (middle.p is not None) == told


def test_overruns_that_rounding_makes_are_not_told(tmp_path):
    """Loops of 5.4 to 5.7 ms are 5 or 6 of a clock of 1 ms: more of them are over 5.6 ms."""
    made = []
    for side, tick in enumerate((0.001, 1.0)):
        made.append([])
        for k in range(3):
            rng = np.random.default_rng(10 * side + k)
            at = np.cumsum(rng.uniform(5.4, 5.7, LOOPS))
            rows = [f"{round(t / tick) * tick:.3f}" for t in at]
            made[side].append(read(tmp_path, "\n".join(["t_ms", *rows]) + "\n", f"{side}_{k}.csv"))
    found = compare(*made, settings=Settings(keep_warmup=True, budget_ms=5.6))
    overruns = next(c for c in found.changes if c.statistic == "overruns")
    assert overruns.after > 1.2 * overruns.before
    assert overruns.verdict == "can't tell"
