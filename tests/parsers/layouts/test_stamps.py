"""Logs of one instant, or one interval, a loop."""

from datetime import UTC, datetime

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read


def test_interval_beside_the_clock(tmp_path):
    """Where rows are loops the clock gives the periods."""
    text = "time_ms,dt_ms\n" + "".join(f"{k * 20},20\n" for k in range(5))
    run = read(tmp_path, text)
    assert periods_ms(run) == [20.0] * 4
    assert run.clock.notes == ()


def test_rows_further_apart_than_loops(tmp_path):
    """An index that counts log lines: rows 50 ms apart of a 10 ms loop hold its own periods."""
    text = "index,time_ms,dt_ms\n" + "".join(f"{k},{k * 50},{10 + k % 2}\n" for k in range(6))
    run = read(tmp_path, text)
    assert periods_ms(run) == [10.0, 11.0] * 3
    assert run.loop_columns.start_ns.tolist() == [k * 50_000_000 for k in range(6)]
    assert "50 ms apart" in run.clock.notes[0]
    assert run.signals is None


def test_loop_time_beside_the_clock_is_the_work(tmp_path):
    """A loop time shorter than the step of the clock is the length of the work."""
    text = "time_s,loop_ms,heading\n" + "".join(f"{k * 0.02:.2f},{8 + k},1\n" for k in range(5))
    run = read(tmp_path, text)
    assert periods_ms(run) == [20.0] * 4
    assert run.loop_columns.body_ns.tolist() == [8_000_000 + k * 1_000_000 for k in range(4)]


def test_first_interval(tmp_path):
    """The first interval of a logger that starts from nothing is no loop."""
    for first in ("86400000", "0"):
        run = read(tmp_path, f"dt_ms\n{first}\n" + "10\n11\n10\n12\n")
        assert periods_ms(run) == [10.0, 11.0, 10.0, 12.0]
        assert run.set_aside.counts == {"first interval": 1}


def test_long_first_loop_is_a_loop(tmp_path):
    """A first loop of two seconds, as when code is loaded, stays."""
    run = read(tmp_path, "dt_ms\n2000\n" + "10\n11\n10\n12\n")
    assert periods_ms(run)[0] == 2000.0


def test_first_row_of_zeros(tmp_path):
    """A row of zeros before the clock's first value is set aside."""
    rows = "".join(f"{100_000 + k * 10},{k}\n" for k in range(5))
    run = read(tmp_path, "time_ms,heading\n0,0\n" + rows)
    assert periods_ms(run) == [10.0] * 4
    assert run.set_aside.counts == {"first interval": 1, "unfinished last loop": 1}


def test_clock_that_starts_at_zero(tmp_path):
    """A first stamp of zero is one like any other."""
    assert periods_ms(read(tmp_path, "time_ms,heading\n0,0\n10,1\n20,2\n30,2\n")) == [10.0] * 3


@pytest.mark.parametrize("name", ["loop", "loop_no", "Loop Nr", "cycleIndex", "iter_idx"])
def test_loop_numbers_that_were_passed_over(tmp_path, name):
    """A hole in the loop numbers makes no long period."""
    text = f"{name},time_ms\n" + "".join(f"{k},{k * 10}\n" for k in (0, 1, 2, 3, 8, 9))
    run = read(tmp_path, text)
    assert run.loop_columns.loop.tolist() == [0, 1, 2, 8]
    assert set(periods_ms(run)) == {10.0}
    assert run.set_aside.counts == {"rows lost around it": 1, "unfinished last loop": 1}


def test_same_stamp_twice(tmp_path):
    """A coarse clock gives loops without length; they stay."""
    run = read(tmp_path, "time_ms,x,y\n" + "".join(f"{k // 2 * 15},{k},{-k}\n" for k in range(8)))
    assert periods_ms(run) == [0.0, 15.0, 0.0, 15.0, 0.0, 15.0, 0.0]


def test_phases_and_signals(tmp_path):
    """Words are phases, numbers are signals under the names that the models know."""
    text = "time_ms,mode,Yaw,battery,speed\n" + "".join(
        f"{k * 10},{'standby' if k < 2 else 'operator'},{k},12,{k / 2}\n" for k in range(4)
    )
    run = read(tmp_path, text)
    assert run.loops.phase.tolist() == ["standby", "standby", "operator"]
    assert list(run.signals.values) == ["heading_deg", "battery_v", "speed"]


def test_unit_of_a_length_beside_the_clock(tmp_path):
    """A loop time without a unit is read in the one that goes with the steps of the clock."""
    text = "time_s,loop_time\n" + "".join(f"{k * 0.02:.2f},{12 + k}\n" for k in range(5))
    run = read(tmp_path, text)
    assert run.loop_columns.body_ns.tolist() == [12_000_000 + k * 1_000_000 for k in range(4)]


def test_a_clock_that_mostly_stands_still(tmp_path):
    """A clock that shows one step up and one back has no scatter to tell of; it is no crash."""
    log = "name,time_us,time_us,time_us\n" + "".join(
        f"{k * k % 5},{t},0,0\n" for k, t in enumerate((0, 4295, 4295, 0, 0))
    )  # fmt: skip
    assert len(read(tmp_path, log, layout="stamps", unit="ms")) == 3


def test_zones_are_taken_off(tmp_path):
    """12:00 two hours east of Greenwich is 10:00 there; five hours west it is 17:00."""
    stamps = ["12:00:00+02:00", "10:00:00.02Z", "05:00:00.04-05:00", "12:00:00.06+0200"]
    run = read(tmp_path, "time\n" + "".join(f"2026-03-01T{stamp}\n" for stamp in stamps))
    assert periods_ms(run) == [20.0] * 3
    ten = datetime(2026, 3, 1, 10, tzinfo=UTC)
    assert run.loop_columns.start_ns[0] == int(ten.timestamp()) * 10**9


def test_a_day_that_no_calendar_has(tmp_path):
    """February has 28 days in 2026 and 29 in 2024: the day after them is unreadable."""
    for year, last in ((2026, 28), (2024, 29)):
        rows = [f"{year}-02-{last}T23:59:{59 + k / 50:.2f}\n" for k in range(4)]
        rows.insert(2, f"{year}-02-{last + 1}T00:00:00\n")
        run = read(tmp_path, "time,heading\n" + "".join(r.replace("\n", ",1\n") for r in rows))
        assert run.set_aside.counts["unreadable number"] == 1


def even(n=120):
    """Instants of loops of 20 to 26 ms, of which each 40th takes 60 ms more."""
    rng = np.random.default_rng(3)
    return np.cumsum(rng.uniform(20, 26, n) + 60 * (np.arange(n) % 40 == 39))


@pytest.mark.parametrize("counter", [False, True])
def test_a_foreign_line_loses_no_loop(tmp_path, counter):
    """A warning between rows is set aside alone: the clock, or the number, leaves no room."""
    lines = [f"{k},{t:.3f}," if counter else f"{t:.3f}," for k, t in enumerate(even())]
    for at in (90, 60, 8):
        lines.insert(at, "camera,sees,nothing,here")
    run = read(tmp_path, f"{'loop,' * counter}time_ms,mode\n" + "\n".join(lines) + "\n")
    assert len(run) == 119
    assert "rows lost around it" not in run.set_aside.counts


@pytest.mark.parametrize("counter", [False, True])
def test_a_damaged_row_loses_its_loop(tmp_path, counter):
    """Where a row is torn the step over it is two loops: it is no period."""
    lines = [f"{k},{t:.3f},a" if counter else f"{t:.3f},a" for k, t in enumerate(even())]
    for at in (90, 60, 8):
        lines[at] = "1#7,,,,,"
    run = read(tmp_path, f"{'loop,' * counter}time_ms,mode\n" + "\n".join(lines) + "\n")
    assert len(run) == 113
    assert run.set_aside.counts["rows lost around it"] == 3
    assert sum(ms > 40 for ms in periods_ms(run)) == 3  # into loops 39, 79 and 119


@pytest.mark.parametrize("step", ["after", "before"])
@pytest.mark.parametrize("overhead_us", [0, 400])
def test_a_period_finer_than_the_clock_fills_in_between_its_ticks(tmp_path, step, overhead_us):
    """Periods are known to the us behind a clock of ms, unless they leave a part of each loop out.

    What is left out adds up against the clock: then its own steps are the periods.
    """
    draw = np.random.default_rng(7)
    period = draw.integers(11_000, 12_500, 400) + np.where(np.arange(400) % 40 == 9, 9000, 0)
    start = 3_400_000 + np.append(0, np.cumsum(period)[:-1])
    said = (period if step == "after" else np.append(0, period[:-1])) - overhead_us
    rows = "".join(f"{t // 1000},{max(p, 0)},{k % 3}\n"
                   for k, (t, p) in enumerate(zip(start, said, strict=True)))  # fmt: skip
    run = read(tmp_path, "time_ms,period_us,x\n" + rows)
    found = np.array(periods_ms(run))
    true = period[400 - 1 - len(found) : 399] / 1e3
    if overhead_us:
        assert (found == np.rint(found)).all()
        assert np.abs(found - true).max() < 1
    else:
        assert found == pytest.approx(true, abs=1e-9)


def test_rows_that_are_missing_stay_so_behind_a_finer_period(tmp_path):
    """A gap is as long as the clock says; the loops on both sides are as long as their periods."""
    period = 11_000 + np.random.default_rng(8).integers(0, 900, 400)
    start = np.append(0, np.cumsum(period)[:-1])
    kept = [k for k in range(400) if k not in (200, 201, 202)]
    rows = "".join(f"{start[k] // 1000},{period[k]},{k % 3}\n" for k in kept)
    run = read(tmp_path, "time_ms,period_us,x\n" + rows)
    at = run.loop_columns.start_ns
    assert at[-1] - at[0] == pytest.approx((start[398] - start[0]) * 1000, abs=2e6)
    assert periods_ms(run)[:199] == pytest.approx(period[:199] / 1e3, abs=1e-9)


@pytest.mark.parametrize("rounded", [np.rint, np.floor])
def test_a_period_of_a_tenth_of_a_millisecond_beside_a_clock_of_whole_ones(tmp_path, rounded):
    """What rounding adds up to over the rows is followed: periods are known to their last digit."""
    draw = np.random.default_rng(9)
    period = draw.normal(6.26, 0.3, 4000)
    end = np.cumsum(period)
    said = rounded(10 * period) / 10
    rows = "".join(f"{t:.0f},{p:.1f},{k % 3}\n"
                   for k, (t, p) in enumerate(zip(np.floor(end), said, strict=True)))  # fmt: skip
    found = np.array(periods_ms(read(tmp_path, "time_ms,period_ms,x\n" + rows)))
    assert np.abs(found - period[-len(found) - 1 : -1]).max() < 0.12 or (
        np.abs(found - period[-len(found) :]).max() < 0.12
    )
    assert found.mean() == pytest.approx(period.mean(), rel=1e-3)


@pytest.mark.parametrize(
    ("header", "apart_s", "unit"), [("t_s,batt_v", 30, 1), ("Zeit_ms;temp", 60, 1000)]
)
def test_rows_further_apart_than_loops_are_no_loops(tmp_path, header, apart_s, unit):
    """A row each 30 s, or each minute, is what a monitor writes: that is said, and no rate."""
    mark = "," if "," in header else ";"
    rows = [f"{apart_s * unit * k + k % 3 / 10:.1f}{mark}{12 - k % 4}" for k in range(60)]
    with pytest.raises(LogError, match=r"no control loop.*if rows are no loops"):
        read(tmp_path, "\n".join([header, *rows]) + "\n")


@pytest.mark.parametrize(("apart_ms", "said"), [(1000, True), (10_000, True), (40, False)])
def test_rows_a_second_apart_are_read_with_a_caution(tmp_path, apart_ms, said):
    """Whether such rows are loops nobody can tell: every figure rests on it."""
    rows = [f"{apart_ms * k + k % 3},{12 - k % 4}" for k in range(60)]
    run = read(tmp_path, "\n".join(["t_ms,batt_v", *rows]) + "\n")
    assert any("as those of a monitor do" in limit for limit in run.clock.limits) == said


@pytest.mark.parametrize(
    ("header", "late_ms", "said"),
    [
        ("t_ms,batt_v", 0, True),
        ("t_ms,batt_v", 1, False),
        ("t_ms,loop_ok", 0, False),
        ("loop,t_ms", 0, False),
    ],
)
def test_rows_apart_to_the_digit_may_be_a_publishers(tmp_path, header, late_ms, said):
    """Even rows of values that name no loop and no length: their rate may not be the loop's."""
    at = [100 * k + late_ms * (k % 3) for k in range(60)]
    rows = [f"{k},{t}" if header.startswith("loop") else f"{t},{12 - k % 4}"
            for k, t in enumerate(at)]  # fmt: skip
    run = read(tmp_path, "\n".join([header, *rows]) + "\n")
    assert any("publishes" in limit for limit in run.clock.limits) == said


def paced(names, scale=1, share=0.3):
    """Even loops of 20 ms on a clock in us, beside two columns of so many us that vary."""
    rng = np.random.default_rng(6)
    cells = (scale * 20_000 * share * (0.9 + 0.2 * rng.random((80, 2)))).round(3).tolist()
    rows = "".join(f"{20_000 * k + k % 7},{a},{b}\n" for k, (a, b) in enumerate(cells))
    return f"time_us,{','.join(names)}\n{rows}"


@pytest.mark.parametrize(
    ("names", "scale", "share", "told"),
    [
        (("planPath", "writeWheels"), 1, 0.3, True),
        (("planPath", "writeWheels"), 1, 0.001, False),  # a hundredth of the loop and less
        (("planPath", "writeWheels"), 1e-3, 0.3, True),  # in ms
        (("planPath", "apples"), 1, 0.3, True),
        (("pears", "apples"), 1, 0.3, True),
        (("pears", "apples"), 1, 0.8, False),  # together longer than the loop
        (("pears", "apple_temp"), 1, 0.3, False),
    ],
)
def test_columns_that_may_be_lengths_are_told(tmp_path, names, scale, share, told):
    """In a paced loop nothing moves with them: they are told, with what would say it, not used."""
    run = read(tmp_path, paced(names, scale, share))
    assert not len(run.call_columns.name)
    said = [limit for limit in run.clock.limits if "lengths of time" in limit]
    assert said == [f"whether {' and '.join(names)} are lengths of time can't be told: a unit in "
                    "their names (--columns) would say so"] * told  # fmt: skip


def test_columns_of_lines_that_may_be_lengths_are_told(tmp_path):
    """A line that names its values: only the log itself can name their unit."""
    rng = np.random.default_rng(6)
    rows = (f"ms={20 * k} pears={a:.3f} apples={b:.3f}\n"
            for k, (a, b) in enumerate(5 + rng.random((80, 2))))  # fmt: skip
    run = read(tmp_path, "".join(rows))
    assert not len(run.call_columns.name)
    assert "whether pears and apples are lengths of time can't be told: a unit in their names " \
           "would say so" in run.clock.limits  # fmt: skip


K = np.arange(300)


@pytest.mark.parametrize(
    "values",
    [
        (5 + np.sin(K / 40), 6 + np.cos(K / 50)),  # temperatures
        (3 + K // 60 % 3, 5 + K // 40 % 2),  # set-points
        (1 + K // 60, 2 + K // 80),  # counts of what is done
        (4 + np.cumsum(np.where(K * 7919 % 13 > 6, 0.01, -0.01)), 3 + K / 500),  # positions
        (40 + K * 7919 % 13, 55 + K * 104729 % 17),  # percentages, longer than a loop in ms
        (5 + 0.001 * (K * 7919 % 13), 7 + 0.001 * (K * 104729 % 17)),  # a voltage's noise
    ],
    ids=["temperatures", "set-points", "counts", "positions", "percentages", "voltages"],
)
def test_readings_are_no_lengths(tmp_path, values):
    """Values that go on from row to row, hold still or have no room are neither calls nor asked."""
    rows = "".join(f"{20 * k},{a},{b}\n" for k, a, b in zip(K, *values, strict=True))
    run = read(tmp_path, "time_ms,pears,apples\n" + rows)
    assert not len(run.call_columns.name)
    assert not any("lengths of time" in limit for limit in run.clock.limits)


def test_a_unit_in_their_names_makes_them_parts(tmp_path):
    """What the sentence advises: the same cells with a unit are parts, and nothing is asked."""
    run = read(tmp_path, paced(("planPath_us", "writeWheels_us")))
    assert [name.name for name in run.names] == ["planPath", "writeWheels"]
    assert not any("lengths of time" in limit for limit in run.clock.limits)


def _trays(work, tick):
    """When loops begin that wait for the next tick, each as soon as it can be."""
    begin, free = np.zeros(len(work)), 0.0
    for k, ms in enumerate(work):
        begin[k] = max(k * tick, free)
        free = begin[k] + ms
    return begin


@pytest.mark.parametrize("stamped", ["after the work", "as it begins"])
@pytest.mark.parametrize("scale", [1, 1000])
def test_a_length_named_as_a_period_is_the_work_of_a_loop_that_waits(tmp_path, stamped, scale):
    """Ticks of 20 ms and work of 6 to 14, now and then 33: the steps are even, `dt` is not."""
    work = np.round(np.random.default_rng(7).uniform(6, 14, 400), 3)
    work[50::90] = 33.0
    begin = _trays(work, 20.0)
    at = begin + work if stamped == "after the work" else begin
    unit = "us" if scale == 1000 else "ms"
    rows = [f"{t * scale:.3f},{ms * scale:.3f}" for t, ms in zip(at, work, strict=True)]
    run = read(tmp_path, "\n".join([f"t_{unit},dt_{unit}", *rows]) + "\n")
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(np.diff(begin), abs=0.0021)
    assert run.loop_columns.body_ns / 1e6 == pytest.approx(work[:-1], abs=0.0011)
    assert run.clock.supposed == ()


@pytest.mark.parametrize("paced", [True, False])
def test_every_second_loop_with_its_period_is_one_of_two(tmp_path, paced):
    """The periods of others lie between: the steps are no more even than what the rows give."""
    rng = np.random.default_rng(8)
    at = 20 * np.arange(800) + rng.exponential(0.4, 800)
    if not paced:
        at = np.cumsum(rng.uniform(6, 14, 800))
    period = np.diff(at, prepend=at[0] - 10)
    rows = [f"{t:.3f},{ms:.3f}" for t, ms in zip(at[::2], period[::2], strict=True)]
    run = read(tmp_path, "\n".join(["t_ms,dt_ms", *rows]) + "\n")
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(period[::2], abs=0.001)


def test_uneven_stamps_about_even_ticks_may_hold_the_work(tmp_path):
    """Written after 6 to 14 ms of work at each tick, or 0.05 ms after it; or at no tick at all."""
    rng = np.random.default_rng(9)
    work, ticks = rng.uniform(6, 14, 400), 20.0 * np.arange(400)
    doubt = "each row is stamped as its loop begins, not after work that varies"
    for at, supposed in (
        (ticks + work, (doubt,)), (ticks + rng.exponential(0.05, 400), ()), (np.cumsum(work), ()),
    ):  # fmt: skip
        run = read(tmp_path, "t_ms\n" + "".join(f"{t:.3f}\n" for t in at))
        assert run.clock.supposed == supposed
    run = read(tmp_path, "loop_start_ms\n" + "".join(f"{t:.3f}\n" for t in ticks + work))
    assert run.clock.supposed == ()
