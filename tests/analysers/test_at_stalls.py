"""Logged values that go with slow loops, and those that do not."""

from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.analysers.at_stalls import marks_of_stalls
from looptime.findings import summarise
from looptime.run import Signals
from tests.build_run import make_flat_run, make_run

N = 2000


def logged(slow, **values):
    """Loops of about 10 ms, of which some take 30, with values that were logged beside them."""
    draw = np.random.default_rng(2)
    period = (np.where(slow, 30e6, 10e6) + draw.normal(0, 1e5, N)).astype(np.int64)
    run = make_flat_run(period)
    at = run.loop_columns.start_ns
    kept = {name: np.asarray(v, float) for name, v in values.items()}
    return replace(run, signals=Signals(at, np.arange(N, dtype=np.int32), kept))


@pytest.fixture
def slow():
    """Every 83rd loop."""
    return np.arange(N) % 83 == 40


@pytest.mark.parametrize("side", [0, 1])
def test_what_rises_in_the_slow_loops(slow, side):
    """A count goes up in the row of each slow loop, or in the next, with two that lie elsewhere."""
    up = np.roll(slow, side)
    up[[500, 900]] = True
    (one,) = marks_of_stalls(logged(slow, sweeps=np.cumsum(up), x=np.arange(N) % 7), slow)
    assert (one.signal, one.what, one.slow, one.of) == ("sweeps", "rises", slow.sum(), slow.sum())
    assert one.elsewhere == 2


@pytest.mark.parametrize(
    ("value", "what"), [((0, 1), "is 1"), ((3, -2), "is -2"), ((0.5, None), "changes")]
)
def test_flags_and_steps(slow, value, what):
    """A flag that is set in the slow loops alone, and a value that is another one after each."""
    usual, rare = value
    draw = np.random.default_rng(5)
    after = np.cumsum(slow)
    row = draw.permutation(100)[after] if rare is None else np.where(slow, rare, usual)
    (one,) = marks_of_stalls(logged(slow, heater=row), slow)
    assert (one.what, one.slow) == (what, slow.sum())


def test_what_happens_by_chance_is_not_told(slow):
    """Of 300 flags of all frequencies, none goes with the slow loops by chance."""
    draw = np.random.default_rng(9)
    flags = {f"flag{k}": draw.random(N) < draw.uniform(0.002, 0.3) for k in range(300)}
    flags["often"] = slow | (np.arange(N) % 20 == 3)
    assert marks_of_stalls(logged(slow, **flags), slow) == ()


def test_the_finding_says_what_goes_with_the_stalls(slow):
    """It comes before a stall of which the log does not say where, and leaves cause open."""
    found = summarise(logged(slow, sweeps=np.cumsum(slow))).findings
    assert [f.code for f in found[:2]] == ["signal_at_stalls", "recurring_stall"]
    assert "sweeps rises in 24 of the 24 slow loops and in no other" in found[0].text
    assert found[0].value == pytest.approx(20, abs=0.2)


def test_a_pause_on_another_thread_is_named(tmp_path, slow):
    """A collector holds all for 25 ms in every 83rd loop, and a camera runs whenever it likes."""
    rows, now = [], 0
    for k in range(N):
        rows += [f"main,gyro.read,{now},2000", f"main,belt.write,{now + 2100},7000"]
        if k % 3 == 0:
            rows.append(f"camera,grab,{now + 50},6000")
        if slow[k]:
            rows.append(f"collector,sweep,{now + 2000},{25_000}")
        now += 10_000 + 25_000 * int(slow[k])
    path = tmp_path / "log.csv"
    path.write_text("thread,name,start_us,duration_us\n" + "\n".join(rows), encoding="utf-8")
    found = summarise(looptime.read(path, cache=False)).findings
    told = next(f for f in found if f.code == "signal_at_stalls")
    assert "sweep runs on thread collector in 24 of the 24 slow loops and in no other" in told.text


def test_cells_without_a_value_are_no_change(slow):
    """A heading that is missing in the slow loops' rows moved as ever."""
    heading = np.where(slow, np.nan, 7.0)
    assert marks_of_stalls(logged(slow, heading=heading), slow) == ()


def hundred(slow, calls=(), **values):
    """A hundred loops of 10 ms, those that are slow of 30, with calls of another thread."""
    slow = np.isin(np.arange(100), slow)
    run = make_run(np.where(slow, 30, 10), lambda k: [c for at, c in calls if at == k],
                   signals=values or None)  # fmt: skip
    return marks_of_stalls(run, slow)


@pytest.mark.parametrize(("count", "told"), [(4, 0), (5, 1)])
def test_five_slow_loops_tell(count, told):
    """A flag that is set in each of them and nowhere else."""
    slow = [7, 20, 41, 60, 88][:count]
    flag = np.isin(np.arange(100), slow)
    assert len(hundred(slow, heater=flag)) == told
    assert isinstance(hundred(slow, heater=flag), tuple)


@pytest.mark.parametrize(("elsewhere", "told"), [(5, 1), (6, 0)])
def test_what_happens_in_a_fifth_of_the_loops_may_go_with_them(elsewhere, told):
    """Beside 15 slow loops of 100 in 5 others: 20 are a fifth, 21 more."""
    slow = list(range(0, 90, 6))
    flag = np.isin(np.arange(100), [*slow, *range(91, 91 + elsewhere)])
    assert len(hundred(slow, heater=flag)) == told


def test_a_flag_that_is_set_in_the_first_loop_counts():
    """Of six slow loops the first is the very first of the run."""
    slow = [0, 20, 41, 60, 70, 88]
    (one,) = hundred(slow, heater=np.isin(np.arange(100), slow))
    assert (one.what, one.slow, one.of, one.elsewhere) == ("is 1", 6, 6, 0)


def test_the_most_telling_comes_first():
    """Alone in the slow loops before one that is elsewhere too; of one value the better account."""
    slow = [7, 20, 41, 60, 70, 88]
    found = hundred(
        slow,
        pump=np.isin(np.arange(100), [*slow, 30]),
        heater=np.isin(np.arange(100), slow),
        stage=np.isin(np.arange(100), [*slow, 50, 51]) * 2.0,
    )
    assert [(one.signal, one.elsewhere) for one in found] == [
        ("heater", 0), ("pump", 1), ("stage", 2)
    ]  # fmt: skip


def test_a_call_of_another_thread_lies_where_its_middle_is():
    """Five that begin 4 ms before the slow loops lie in them, one after the run in none."""
    slow = [7, 20, 41, 60, 88]
    calls = [(k - 1, ("sweep", 6.0, 10.0, "collector")) for k in slow]
    late = (99, ("sweep", 40.0, 10.0, "collector"))
    early = (0, ("sweep", -20.0, 10.0, "collector"))
    for more in ([], [late], [early]):
        (one,) = hundred(slow, [*calls, *more])
        assert (one.what, one.slow, one.elsewhere) == ("runs on thread collector", 5, 0)


def test_what_is_in_more_of_the_slow_loops_comes_first():
    """In all eight before in seven of them, neither anywhere else."""
    slow = [7, 13, 20, 41, 52, 60, 70, 88]
    found = hundred(
        slow, vent=np.isin(np.arange(100), slow[1:]), heater=np.isin(np.arange(100), slow)
    )
    assert [(one.signal, one.slow) for one in found] == [("heater", 8), ("vent", 7)]


def test_a_call_of_another_thread_in_the_first_loop_counts():
    """The very first loop is one of five slow ones, and holds the call as they all do."""
    slow = [0, 20, 41, 60, 88]
    (one,) = hundred(slow, [(k, ("sweep", 4.0, 10.0, "collector")) for k in slow])
    assert (one.slow, one.elsewhere) == (5, 0)
