"""Logs of a duration for each part of a loop."""

import numpy as np
import pytest

import looptime
from looptime.analysers.pacing import pacing
from looptime.errors import LogError
from looptime.parsers.columns.inside import enclosing
from tests.parsers.build import balance, periods_ms, read, self_ms, unattributed_ms

GYRO, DRIVE, LOG = [1, 2, 3, 1, 2], [4, 3, 5, 6, 4], [5, 5, 6, 5, 7]


def text(header, *columns):
    """Columns as a log."""
    rows = zip(*columns, strict=True)
    return header + "".join(",".join(map(str, row)) + "\n" for row in rows)


def test_parts_beside_a_clock(tmp_path):
    """The clock gives the periods; parts are laid one after another in column order."""
    log = text("time_ms,gyro_ms,drive_ms,battery\n", [0, 20, 41, 60, 80], GYRO, DRIVE, [12] * 5)
    run = read(tmp_path, log)
    assert run.layout == "costs"
    assert periods_ms(run) == [20.0, 21.0, 19.0, 20.0]
    assert self_ms(run) == {"gyro": [1.0, 2.0, 3.0, 1.0], "drive": [4.0, 3.0, 5.0, 6.0]}
    assert unattributed_ms(run) == [15.0, 16.0, 11.0, 13.0]
    assert run.clock.starts_from == "column order"
    assert run.call_columns.start_ns.tolist()[:4] == [0, 1_000_000, 20_000_000, 22_000_000]
    assert run.signals.values["battery_v"].tolist() == [12.0] * 4
    assert run.set_aside.counts == {"unfinished last loop": 1}


def test_total_and_end_to_end_without_a_clock(tmp_path):
    """Without a clock the end-to-end time is the period and the total the work in it."""
    total = [a + b for a, b in zip(GYRO, DRIVE, strict=True)]
    whole = [t + 2 for t in total]
    log = text("index,a_ms,b_ms,total_ms,end_to_end_ms\n", range(5), GYRO, DRIVE, total, whole)
    run = read(tmp_path, log)
    assert periods_ms(run) == [7.0, 7.0, 10.0, 9.0, 8.0]
    assert run.loop_columns.body_ns.tolist() == [t * 1_000_000 for t in total]
    assert unattributed_ms(run) == [2.0] * 5
    assert run.set_aside.counts == {}
    assert run.signals is None
    assert "no clock" in run.clock.notes[0]


@pytest.mark.parametrize(("total", "left"), [(88, [83.0, 83.0, 80.0, 81.0, 82.0]),
                                             (4, [-1.0, -1.0, -4.0, -3.0, -2.0])])  # fmt: skip
def test_parts_that_do_not_add_up_to_the_total(tmp_path, total, left):
    """What is missing is unattributed, what is too much is unattributed below zero."""
    run = read(tmp_path, text("gyro_ms,drive_ms,total_ms\n", GYRO, DRIVE, [total] * 5))
    assert periods_ms(run) == [float(total)] * 5
    assert unattributed_ms(run) == left
    ends = run.loop_columns.start_ns + run.loop_columns.period_ns
    assert (run.call_columns.start_ns < ends[run.call_columns.loop]).all()


def test_parts_alone(tmp_path):
    """Without clock and total a period is the sum of its parts, and that is said."""
    run = read(tmp_path, text("gyro_ms,drive_ms\n", GYRO, DRIVE))
    assert periods_ms(run) == [5.0, 5.0, 8.0, 7.0, 6.0]
    assert unattributed_ms(run) == [0.0] * 5
    assert any("sum of the parts" in note for note in run.clock.notes)


def test_part_that_is_the_sum_of_others_is_not_counted_twice(tmp_path):
    """A timer around two others keeps what is its own; the two lie in it."""
    both = [a + b for a, b in zip(GYRO, DRIVE, strict=True)]
    log = text(
        "time_ms,update_ms,gyro_ms,drive_ms,log_ms\n", range(0, 100, 20), both, GYRO, DRIVE, LOG
    )
    run = read(tmp_path, log)
    assert self_ms(run)["update"] == [0.0] * 4
    assert unattributed_ms(run) == [10.0, 10.0, 6.0, 8.0]
    assert run.call_columns.depth.tolist()[:4] == [0, 1, 1, 0]


def test_column_around_all_others_is_the_loop(tmp_path):
    """Where one column equals the sum of all others it is the total, whatever it is called."""
    both = [a + b for a, b in zip(GYRO, DRIVE, strict=True)]
    run = read(tmp_path, text("gyro_ms,drive_ms,robot_ms\n", GYRO, DRIVE, both))
    assert sorted(self_ms(run)) == ["drive", "gyro"]
    assert periods_ms(run) == [float(b) for b in both]


def test_without_units_a_total_gives_them(tmp_path):
    """Columns without units are durations if one is the total; the unit is inferred from it."""
    total = [a + b + 1 for a, b in zip(GYRO, DRIVE, strict=True)]
    run = read(tmp_path, text("gyro,drive,total\n", GYRO, DRIVE, total))
    assert run.layout == "costs"
    assert run.clock.unit == "ms"
    assert run.clock.unit_from.startswith("inferred")
    assert unattributed_ms(run) == [1.0] * 5


def test_units_may_differ(tmp_path):
    """Every part is read in its own unit."""
    run = read(tmp_path, "time_s,gyro_us,drive_ms\n0,1500,4\n0.02,1500,4\n0.04,1500,4\n")
    assert self_ms(run) == {"gyro": [1.5] * 2, "drive": [4.0] * 2}
    assert periods_ms(run) == [20.0] * 2


def test_part_that_was_not_taken(tmp_path):
    """An empty or nan part is no call; beside a clock the row stays."""
    run = read(tmp_path, "time_ms,gyro_ms,drive_ms\n0,1,4\n20,nan,4\n40,,4\n60,1,4\n")
    assert self_ms(run) == {"gyro": [1.0, 0.0, 0.0], "drive": [4.0] * 3}
    assert len(run.call_columns) == 4


def test_a_total_below_zero_is_set_aside_once(tmp_path):
    """It is less than its parts, too: 24 rows are 23 that are used and this one."""
    rows = [f"1500,2000,{-9000 if k == 20 else 3600}\n" for k in range(24)]
    run = read(tmp_path, "gyro_us,drive_us,total_us\n" + "".join(rows))
    assert dict(run.set_aside.counts) == {"negative duration": 1}
    assert periods_ms(run) == [3.6] * 23


def test_duration_out_of_all_bounds(tmp_path):
    """A duration that no number of nanoseconds holds takes its row and the loop before it along."""
    rows = [f"{20 * k},1.5,{'1e308' if k == 3 else 2}\n" for k in range(8)]
    run = read(tmp_path, "time_ms,gyro_ms,drive_ms\n" + "".join(rows))
    assert self_ms(run)["drive"] == [2, 2, 2, 2, 2]
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert set(periods_ms(run)) == {20.0}


def test_damaged_row_takes_the_loop_before_it_along(tmp_path):
    """Beside a clock, the loop before a damaged row has no known length."""
    run = read(tmp_path, "time_ms,gyro_ms,drive_ms\n0,1,4\n20,1,4\n40,1\n60,1,4\n80,1,4\n")
    assert periods_ms(run) == [20.0, 20.0]
    assert run.set_aside.counts == {
        "unfinished last loop": 1,
        "wrong number of fields": 1,
        "rows lost around it": 1,
    }


def test_first_interval_since_the_board_was_switched_on(tmp_path):
    """A first period of a day is no loop."""
    log = "dt_ms,gyro_ms\n86000000,1\n" + "20,1\n" * 4
    run = read(tmp_path, log)
    assert run.set_aside.counts == {"first interval": 1}
    assert periods_ms(run) == [20.0] * 4


FIRST = ((0, 2150, 2148), (2150, 20, 18), (2170, 20, 18), (2190, 20, 18), (2210, 20, 18))


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("t_ms,camera_ms", "{0},{2}"),
        ("t_ms,loop_ms,camera_ms", "{0},{1},{2}"),
        ("loop [ms];camera [ms]", "{1};{2}"),
        ("", "t={0} ms camera={2} ms"),
    ],
)
def test_a_first_loop_that_its_own_calls_fill(tmp_path, head, row):
    """A camera that takes two seconds to open makes a loop, also on a clock that begins at 0."""
    rows = [row.format(*each) for each in FIRST + tuple((k, 20, 18) for k in range(2230, 2400, 20))]
    run = read(tmp_path, "\n".join([head, *rows] if head else rows) + "\n")
    assert "first interval" not in run.set_aside.counts
    assert periods_ms(run)[:3] == [2150.0, 20.0, 20.0]
    assert self_ms(run)["camera"][0] == 2148


def test_a_first_loop_as_long_as_its_calls_before_the_first_stamp(tmp_path):
    """Rows stamped at their ends: the first loop began when its calls did, 2 ms aside as always."""
    lengths = [2148] + [16 + k % 5 for k in range(40)]
    ends = np.cumsum([one + 2 for one in lengths])
    rows = "".join(f"{end},{one}\n" for end, one in zip(ends, lengths, strict=True))
    run = read(tmp_path, "end_ms,camera_ms\n" + rows)
    assert periods_ms(run)[:2] == [2150.0, 18.0]
    assert not run.set_aside.counts


def test_calls_that_do_not_fill_the_first_step(tmp_path):
    """A clock that begins at 0 before it is set: the calls of its rows are as short as all."""
    rows = "".join(f"{100_000 + k * 20},18\n" for k in range(8))
    run = read(tmp_path, "t_ms,camera_ms\n0,18\n" + rows)
    assert run.set_aside.counts["first interval"] == 1
    assert set(periods_ms(run)) == {20.0}


def test_a_clock_under_an_unknown_name(tmp_path):
    """The only column that does nothing but rise is the clock, and that is said."""
    rows = "".join(f"{k * 20},{k % 3 + 1},{k % 4 + 2}\n" for k in range(30))
    run = read(tmp_path, "Zeit_ms,gyro_ms,drive_ms\n" + rows)
    assert periods_ms(run) == [20.0] * 29
    assert list(self_ms(run)) == ["gyro", "drive"]
    assert run.clock.notes == ("'Zeit_ms' is taken for the clock: it alone rises from row to row",)


def test_loop_numbers_that_were_passed_over(tmp_path):
    """Where numbers are missing in the loop column, the loop before them has no known length."""
    log = text("loop,time_ms,gyro_ms\n", [1, 2, 3, 6, 7], [0, 20, 40, 100, 120], GYRO)
    run = read(tmp_path, log)
    assert run.loop_columns.loop.tolist() == [1, 2, 6]
    assert periods_ms(run) == [20.0] * 3


def test_ages_and_second_clocks_are_no_parts(tmp_path):
    """Times that are no share of the loop stay out of its parts."""
    log = "time_ms,device_ms,gyro_ms,gyro_age_ms\n" + "".join(
        f"{k * 20},{7000 + k * 20},{k % 3 + 1},{50 + k}\n" for k in range(6)
    )
    assert list(self_ms(read(tmp_path, log))) == ["gyro"]


def test_two_like_columns_enclose_nothing():
    """A part that happens to equal another beside a trifle is no sum."""
    rng = np.random.default_rng(1)
    a = rng.integers(1_000_000, 9_000_000, 50)
    assert (enclosing(np.stack([a, a, a * 0 + 1], axis=1)) < 0).all()


def test_enclosing_parts_within_enclosing_parts():
    """Sums are found from the inside outwards, each part counted once."""
    rng = np.random.default_rng(2)
    a, b, c = rng.integers(1_000_000, 9_000_000, (3, 50))
    table = np.stack([a + b + c, a + b, a, b, c], axis=1)
    assert enclosing(table).tolist() == [-1, 0, 1, 1, 0]


def test_a_clock_that_begins_anew_beside_periods(tmp_path):
    """Where each row stands for one loop of many, the clock is looked after all the same."""
    stamps = [*range(100_000, 108_000, 500), *range(2300, 8300, 500)]
    rows = "".join(f"{t},20,{3 + t % 4}\n" for t in stamps)
    path = tmp_path / "log.csv"
    path.write_text("time_ms,dt_ms,gyro_ms\n" + rows, encoding="utf-8")
    first, second = looptime.read_log(path).runs
    assert (len(first), len(second)) == (16, 12)
    assert first.clock.restarts == (18,)
    for run in (first, second):
        balance(run)
        assert periods_ms(run) == [20.0] * len(run)
        assert np.diff(run.loop_columns.start_ns).tolist() == [500_000_000] * (len(run) - 1)


def test_calls_of_no_length_that_can_be(tmp_path):
    """Where the loop's thread has no call left, that is said in one line."""
    rows = [f"{k},main,loop,{k},-1\n{k},other,read,{k},1\n" for k in range(40)]
    with pytest.raises(LogError, match="no call that can be used"):
        read(tmp_path, "loop,thread,name,start_ms,duration_ms\n" + "".join(rows))


def stamped_at_the_end(total=False):
    """Forty loops of gyro, drive and 2 ms more, stamped when they are written."""
    gyro, drive = [k * 7 % 5 + 1 for k in range(40)], [k * 3 % 8 + 4 for k in range(40)]
    work = [g + d for g, d in zip(gyro, drive, strict=True)]
    end = np.cumsum(np.add(work, 2)) + 98
    if total:
        return text("time_ms,gyro_ms,drive_ms,total_ms\n", end, gyro, drive, work), gyro
    return text("time_ms,gyro_ms,drive_ms\n", end, gyro, drive), gyro


def test_rows_stamped_at_the_end(tmp_path):
    """Parts that go with the step before their row belong to the time before its stamp."""
    log, gyro = stamped_at_the_end()
    run = read(tmp_path, log)
    assert self_ms(run)["gyro"] == gyro[1:]
    assert unattributed_ms(run) == [2.0] * 39
    assert run.set_aside.counts == {"before first loop": 1}
    assert run.loop_columns.start_ns[0] == 105 * 10**6  # 98 and the first loop's 1 + 4 + 2
    assert any("stamped at the end" in note for note in run.clock.notes)


def test_rows_stamped_at_the_end_with_a_total(tmp_path):
    """With a total each loop starts that long before its stamp."""
    log, gyro = stamped_at_the_end(total=True)
    run = read(tmp_path, log)
    assert self_ms(run)["gyro"] == gyro[:-1]
    assert unattributed_ms(run) == [2.0] * 39
    assert run.loop_columns.start_ns[0] == 100 * 10**6
    assert run.set_aside.counts == {"unfinished last loop": 1}


def test_the_caller_says_which_end(tmp_path):
    """What the caller says of the stamps is taken against the values."""
    log, gyro = stamped_at_the_end()
    assert self_ms(read(tmp_path, log, stamped="start"))["gyro"] == gyro[:-1]
    plain = text("time_ms,gyro_ms\n", range(0, 100, 20), GYRO)
    assert self_ms(read(tmp_path, plain, stamped="end"))["gyro"] == GYRO[1:]


def test_damaged_row_of_a_log_stamped_at_the_end(tmp_path):
    """The loop after a damaged row has no known start."""
    log = stamped_at_the_end()[0].splitlines(keepends=True)
    log[20] = "7,8\n"
    run = read(tmp_path, "".join(log))
    assert len(run) == 37
    assert set(unattributed_ms(run)) == {2.0}
    assert run.set_aside.counts["rows lost around it"] == 1


def test_signals_of_a_log_stamped_at_the_end(tmp_path):
    """A value stands at the stamp of its row, not where the loop began."""
    rows = "".join(f"{k * 20},{k % 3 + 1},{90 + k}\n" for k in range(5))
    run = read(tmp_path, "time_ms,gyro_ms,heading\n" + rows, stamped="end")
    assert (run.signals.time_ns / 1e6).tolist() == [20.0, 40.0, 60.0, 80.0]
    assert run.signals.values["heading_deg"].tolist() == [91.0, 92.0, 93.0, 94.0]


def test_parts_that_overlap_are_not_added_up(tmp_path):
    """What is longer than the loop has room for beside its parts is left out of them."""
    draw = np.random.default_rng(4)
    gyro, drive = draw.integers(1, 4, 60), draw.integers(5, 12, 60)
    time = np.append(0, np.cumsum(gyro + drive + 1)[:-1])
    log = text("time_ms,gyro_ms,drive_ms,stream_ms\n", time, gyro, drive, 5 + time % 2)
    run = read(tmp_path, log)
    assert list(self_ms(run)) == ["gyro", "drive"]
    assert unattributed_ms(run) == [1.0] * 59
    assert list(run.signals.values) == ["stream_ms"]


def test_rate_of_a_log_without_a_clock(tmp_path):
    """Given the rate, lengths of work are no periods; without it they are asked about."""
    log = text("execution_time_ms\n", [1, 2, 3, 1, 2])
    with pytest.raises(LogError, match="give its rate with --rate-hz"):
        read(tmp_path, log)
    run = read(tmp_path, log, rate_hz=50)
    assert periods_ms(run) == [20.0] * 5
    assert (run.loop_columns.body_ns / 1e6).tolist() == [1.0, 2.0, 3.0, 1.0, 2.0]


def test_a_total_that_is_less_than_its_parts_is_not_used(tmp_path):
    """Totals rounded down to whole milliseconds would give loops of 0 ms, and parts above 100 %."""
    rows = [f"{k},0.2{k % 7},0.4{k % 5},{k % 9 // 8}\n" for k in range(60)]
    run = read(tmp_path, "index,gyro_ms,drive_ms,total_ms\n" + "".join(rows))
    assert min(periods_ms(run)) == 0.6
    assert any("less than its parts" in note for note in run.clock.notes)
    assert (run.unattributed_ns() == 0).all()


def test_lengths_in_whole_steps_bound_every_cost(tmp_path):
    """A clock of 1 us with work in whole ms says so in the first sentence; one of ms does not."""
    rng = np.random.default_rng(5)
    busy = rng.integers(7, 10, 60)
    rows = "".join(f"{20_000 * k + 13 * (k % 7)},{ms}\n" for k, ms in enumerate(busy))
    limits = read(tmp_path, "time_us,busy_ms\n" + rows).clock.limits
    assert limits == ("lengths are whole 1 ms: no cost and no headroom is known more finely",)
    rows = "".join(f"{20 * k + k % 2},{ms}\n" for k, ms in enumerate(busy))
    assert read(tmp_path, "time_ms,busy_ms\n" + rows).clock.limits == ()


@pytest.mark.parametrize("clock", [False, True])
def test_a_total_cut_off_is_set_aside(tmp_path, clock):
    """The last row's total lost its last digits: it is less than its own parts."""
    rows = [f"{20_000 * k},{5000 + k % 5},{7000 + k % 7},{13_000 + k % 3}" for k in range(30)]
    rows[-1] = rows[-1][:-3]
    head = "time_us,imu_us,drive_us,total_us"
    rows = [head, *rows] if clock else [row.split(",", 1)[1] for row in [head, *rows]]
    run = read(tmp_path, "\n".join(rows))
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert min(periods_ms(run)) >= 13.0


@pytest.mark.parametrize("header", ["start_us,end_us,a_us,b_us", "von_us,bis_us,a_us,b_us"])
def test_instants_at_which_the_work_ends_are_its_length(tmp_path, header):
    """Starts 20 ms apart and ends 5 to 9 ms after them: the rest of each loop is its wait."""
    draw = np.random.default_rng(8)
    parts = draw.integers(2000, 4000, (300, 2))
    body = parts.sum(axis=1) + draw.integers(50, 90, 300)
    start = 20_000 * np.arange(300) + draw.integers(0, 30, 300)
    rows = [f"{s},{s + w},{a},{b}" for s, w, (a, b) in zip(start, body, parts, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    found = looptime.summarise(looptime.read(path, cache=False))
    assert found.pacing.wait_known
    expected = np.mean(body[:-1]) / 1000
    assert found.basis.judged_ms.mean() == pytest.approx(expected, rel=1e-6)
    assert [c.name for c in found.costs.calls if c.kind != "pacing"] == ["a", "b"]


def test_rows_of_slower_signals_between_the_loops_are_none(tmp_path):
    """Loops of 8 to 9 ms, and a current or a voltage in a row of its own now and then."""
    draw = np.random.default_rng(4)
    period = draw.integers(8000, 9000, 400)
    end = np.cumsum(period)
    lines = [
        (t, f"{t / 1e6:.6f},{g / 1000:.3f},{w / 1000:.3f},{p / 1000:.3f},,")
        for t, g, w, p in zip(
            end, draw.integers(900, 1100, 400), draw.integers(4900, 5100, 400), period, strict=True
        )
    ]
    lines += [(t, f"{t / 1e6:.6f},,,,{k},") for k, t in enumerate(end[5::25] + 3000)]
    lines += [(t, f"{t / 1e6:.6f},,,,,12.{k}") for k, t in enumerate(end[9::40] + 2000)]
    rows = "\n".join(line for _, line in sorted(lines))
    run = read(tmp_path, "t_s,gyro_ms,wheels_ms,loop_period_ms,current_a,battery_v\n" + rows)
    assert np.isin(run.loop_columns.period_ns, 1000 * period).all()
    assert run.set_aside.counts["other thread"] == 16 + 10


@pytest.mark.parametrize("layout", [None, "costs"])
@pytest.mark.parametrize("unit", ["", "_ms"])
def test_start_and_end_of_the_loop_beside_its_parts(tmp_path, layout, unit):
    """They bound the loop and are no stages of it, nor is the end a length."""
    rng = np.random.default_rng(8)
    imu, drive, rest = rng.uniform(2, 3, 80), rng.uniform(7, 9, 80), rng.uniform(0.3, 0.6, 80)
    start = 1000 + np.append(0, np.cumsum(imu + drive + rest)[:-1])
    rows = [f"{k},{a:.3f},{a + i + d:.3f},{i:.3f},{d:.3f}"
            for k, (a, i, d) in enumerate(zip(start, imu, drive, strict=True))]  # fmt: skip
    header = "loop,start,end,imu,drive".replace(",", f"{unit},").replace(f"loop{unit}", "loop")
    run = read(tmp_path, f"{header}{unit}\n" + "\n".join(rows) + "\n", layout=layout)
    assert periods_ms(run) == pytest.approx(np.diff(start), abs=2e-3)
    found = self_ms(run)
    assert set(found) == {"imu", "drive"}
    assert found["imu"] == pytest.approx(imu[:79], abs=6e-4)
    assert found["drive"] == pytest.approx(drive[:79], abs=6e-4)


@pytest.mark.parametrize(
    ("head", "column"),
    [("deadline_us=12000\n", ""), ("// loop budget 12 ms\n", ""), ("", "budget_us")],
)
def test_a_limit_that_the_log_states_is_one_of_the_work_where_the_loop_waits(
    tmp_path, head, column
):
    """Every tenth loop works 13 ms of its 20 ms: 30 of 300 exceed 12 ms, however that is stated."""
    name, cell = (f",{column}", ",12000") if column else ("", "")
    work = [13000 if k % 10 == 5 else 6000 + k % 7 for k in range(301)]
    rows = "".join(f"{20000 * k + k % 3},{ms}{cell}\n" for k, ms in enumerate(work))
    path = tmp_path / "log.csv"
    path.write_text(f"{head}t_us,work_us{name}\n{rows}", encoding="utf-8")
    over = looptime.summarise(looptime.read(path, cache=False)).pace.overruns
    assert (over.budget_ms, over.count) == (12.0, 30)
    assert over.budget_from == "of work, stated in the log"


def test_how_columns_without_names_are_read_is_said(tmp_path):
    """A count, a clock in ms and one length that makes most of its steps vary, no header."""
    rng, at, rows = np.random.default_rng(1), 100.0, ""
    for k in range(200):
        one, other = rng.normal(3, 0.2), rng.normal(7, 0.3)
        rows += f"{k} {at:.0f} {one:.1f} {other:.1f}\n"
        at += one + other + 0.3
    run = read(tmp_path, rows)
    said = "no header: column 2 is read as the clock and column 4 as length"
    assert any(limit.startswith(said) for limit in run.clock.limits)


def test_two_columns_of_one_name_are_two_parts(tmp_path):
    """Each is told with its place, and none is lost."""
    log = text("time_ms,read_ms,read_ms,lift_ms\n", [0, 20, 41, 60, 80], GYRO, DRIVE, LOG)
    found = self_ms(read(tmp_path, log))
    assert found == {"read (column 2)": GYRO[:4], "read (column 3)": DRIVE[:4], "lift": LOG[:4]}


def test_the_longer_of_two_lengths_of_the_loop_holds_the_wait(tmp_path):
    """Without a clock, "cycle" 20 ms and "busy" of 9 to 12: what is left is waited for the tick."""
    draw = np.random.default_rng(3)
    sense, act = draw.uniform(3, 4, 80), draw.uniform(5, 7, 80)
    busy = sense + act + 1
    rows = [np.round(1e3 * x) for x in (np.full(80, 20.0), busy, sense, act)]
    found = looptime.summarise(read(tmp_path, text("cycle,busy,sense,act\n", *rows)))
    assert found.pacing.nominal_hz == 50
    assert found.pace.headroom_ms["p50"].value == pytest.approx(20 - np.median(busy), abs=0.05)


def test_what_names_nothing_lies_in_the_one_length_that_took_all(tmp_path):
    """Without a clock: "took" grows with each of the parts; the loop is it and what was slept."""
    draw = np.random.default_rng(3)
    imu, drive = draw.uniform(1, 2, 80), draw.uniform(5, 7, 80)
    took = imu + drive + 0.4
    rows = [np.round(1e6 * x) for x in (took, imu, drive, 20 - took)]
    found = looptime.summarise(read(tmp_path, text("took_ns,imu,drive,slept_ns\n", *rows)))
    own = {row.name: row.self_ms_per_loop for row in found.costs.rows}
    assert own["took"] == pytest.approx(0.4, abs=1e-5)
    assert own["drive"] == pytest.approx(drive.mean(), abs=1e-5)
    assert found.pace.period_ms.mean.value == pytest.approx(20)


@pytest.mark.parametrize("written", ["at the next begin", "after the work"])
@pytest.mark.parametrize("columns", ["work_ms", "work_ms,imu_ms,drive_ms", "imu_ms,drive_ms"])
def test_a_total_of_the_time_before_its_stamp_is_of_a_loop_that_waits(tmp_path, written, columns):
    """Ticks of 20 ms, work of 3 to 8 and now and then 31: written when it is done, or at the next.

    Either way loops begin at the ticks; only that the first stamp is one is seen in no row.
    """
    work = np.random.default_rng(1).uniform(3, 8, 200)
    work[5::13] = 31.0
    period = np.maximum(work, 20)
    begin = np.append(0, np.cumsum(period))
    at = begin[1:] if written == "at the next begin" else begin[:-1] + work
    share = {"work_ms": 1.0, "imu_ms": 0.4, "drive_ms": 0.6}
    rows = [",".join([f"{t:.3f}", *(f"{share[name] * ms:.3f}" for name in columns.split(","))])
            for t, ms in zip(at, work, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join([f"t_ms,{columns}", *rows]) + "\n")
    found = run.loop_columns.period_ns / 1e6
    first = 1 if written == "at the next begin" else 0
    assert found == pytest.approx(period[first : first + len(found)], abs=0.0021)
    assert len(found) == 199
    if "work" in columns:
        body = run.loop_columns.body_ns / 1e6
        assert body == pytest.approx(work[first : first + 199], abs=0.0011)
    if "imu" in columns:
        assert self_ms(run)["imu"] == pytest.approx(0.4 * work[first : first + 199], abs=0.0011)


@pytest.mark.parametrize("lines", [False, True], ids=["table", "lines"])
def test_a_part_that_runs_now_and_then_without_a_clock(tmp_path, lines):
    """A loop without it is as long as its other parts, and no loop is set aside for it."""
    loops = [(2 + k % 2, 4 + k % 3, 9 if k % 7 == 3 else None) for k in range(210)]
    if lines:
        names = ("imu", "drive", "radio")
        log = "".join(f"{name}: {ms} ms\n" for loop in loops
                      for name, ms in zip(names, loop, strict=True) if ms)  # fmt: skip
    else:
        log = "imu_ms,drive_ms,radio_ms\n"
        log += "".join(f"{imu},{drive},{radio or ''}\n" for imu, drive, radio in loops)
    run = read(tmp_path, log)
    assert run.set_aside.counts == {}
    assert periods_ms(run) == [imu + drive + (radio or 0) for imu, drive, radio in loops]
    assert sum(self_ms(run)["radio"]) == 9 * 30


def test_a_part_that_one_row_lost_without_a_clock(tmp_path):
    """Of a part that every other row holds, nobody knows how long it took: the row is no loop."""
    rows = [f"{2 + k % 2},{4 + k % 3}" for k in range(100)]
    rows[40] = "2,"
    rows[60] = ","
    run = read(tmp_path, "imu_ms,drive_ms\n" + "\n".join(rows) + "\n")
    assert run.set_aside.counts == {"missing value": 2}
    assert len(periods_ms(run)) == 98


@pytest.mark.parametrize(
    ("share", "doubt"),
    [
        (0.75, "nothing but the logged parts is done"),
        (0.1, "each row is stamped as the next loop begins"),
    ],
)
def test_parts_of_some_of_the_work_before_the_stamp_leave_its_rest_in_the_starts(
    tmp_path, share, doubt
):  # fmt: skip
    """Rows written after 4 to 16 ms of work at ticks of 20 ms: most of it is logged, or little."""
    work = np.random.default_rng(4).uniform(4, 16, 300)
    at = 20.0 * np.arange(300) + work
    rows = [f"{t:.3f},{share * ms:.3f}" for t, ms in zip(at, work, strict=True)]
    run = read(tmp_path, "\n".join(["t_ms,imu_ms", *rows]) + "\n")
    left = 1 - share if share > 0.5 else 1.0
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(
        20 + left * np.diff(work)[: len(run)], abs=0.003
    )
    assert run.clock.supposed[0].startswith(doubt)
    mode = pacing(run)
    assert (mode.mode[:10], mode.nominal_ms, mode.wait_known) == ("fixed rate", 20.0, False)


@pytest.mark.parametrize("odd", ['0,0,"', "0,,0", ""])
def test_a_line_without_the_only_length_is_booked_once(tmp_path, odd):
    """Seven rows of loops, and a line that is torn, lacks its length, or is blank."""
    rows = ["0,0,0", "0,0,0", "0,0,0", "0,5,0", odd, "0,30,0", "0,5,0", "0,5,0"]
    run = read(tmp_path, "name,duration_us,section\n" + "\n".join(rows) + "\n")
    assert run.rows_read == 7 + bool(odd)
    counts = run.set_aside.counts
    assert len(run) == 7 - counts.pop("first interval", 0)
    assert sum(counts.values()) == bool(odd)


@pytest.mark.parametrize("head", ["i", "n", "row", "seq", "count"])
def test_a_counter_that_numbers_the_loops_of_a_log_without_a_clock(tmp_path, head):
    """Loops lost under it are told, and rows written up to three times are used once."""
    rng = np.random.default_rng(6)
    lengths = rng.integers(900, 2900, (150, 2)) / 1000
    kept = [k for k in range(150) if k % 7 != 6]
    rows = [f"{k},{lengths[k, 0]:.3f},{lengths[k, 1]:.3f}" for k in kept]
    run = read(tmp_path, "\n".join([f"{head},gyro_ms,drive_ms", *rows]) + "\n")
    assert any("21 loops" in note or "21 numbers" in note for note in run.clock.notes)
    often = rng.integers(1, 4, len(rows))
    again = [row for row, count in zip(rows, often, strict=True) for row in [row] * count]
    run = read(tmp_path, "\n".join([f"{head},gyro_ms,drive_ms", *again]) + "\n")
    assert run.set_aside.counts["duplicate row"] == (often - 1).sum()


@pytest.mark.parametrize("torn", [(), (7,)])
def test_blank_lines_between_rows_that_lack_a_part_are_no_rows(tmp_path, torn):
    """Each of forty rows is a loop, but for a torn one, as long as the cells that it has."""
    cells = [
        ["" if k % 4 == at else f"{10 + (7 * k + 5 * at) % 11}" for at in range(3)]
        for k in range(40)
    ]
    loops = [sum(int(c) for c in row if c) for k, row in enumerate(cells) if k not in torn]
    rows = [",".join(row) + '"' * (k in torn) + "\n" * (k % 9 == 4) for k, row in enumerate(cells)]
    run = read(tmp_path, "\n".join(["imu_ms,wheels_ms,arm_ms", *rows]) + "\n")
    assert (run.rows_read, run.set_aside.line.tolist()) == (40, [k + 3 for k in torn])
    assert periods_ms(run) == loops


def test_a_part_that_begins_long_after_the_first_rows(tmp_path):
    """Rows of 1.25 ms at rest, then of 3.75 ms of which a call takes 2.5: it is all in its rows."""
    idle, work = 6000, 500
    at = 1.25 * np.arange(idle + 1)
    rows = [f"{t:.2f},rest,1,,1.25" for t in at[:-1]]
    rows += [f"{at[-1] + 3.75 * k:.2f},drive,1,2.5,3.75" for k in range(work)]
    run = read(tmp_path, "\n".join(["t_ms,mode,gyro_ms,path_ms,total_ms", *rows]) + "\n")
    path = [call.name for call in run.names].index("path")
    pieces = run.self_pieces()
    mine = pieces.name == path
    assert set(pieces.loop[mine]) == set(range(idle, len(run)))
    assert set(pieces.self_ns[mine]) == {2_500_000}
    assert run.unattributed_ns().max() == 250_000


@pytest.mark.parametrize(("head", "refused"), [("Zeit", True), ("temps", True), ("arm", False)])
def test_two_logs_mixed_under_a_time_of_another_language(tmp_path, head, refused):
    """Instants of two logs, each in its own order, are no lengths; those of an arm may be."""
    rng = np.random.default_rng(3)
    both = iter(1000 + 7.0 * np.arange(200)), iter(9.0 * np.arange(200))
    whose = rng.permutation(np.repeat([0, 1], 200))
    rows = [f"{next(both[k]):.1f},{rng.uniform(2, 3):.2f},{rng.uniform(1, 2):.2f}" for k in whose]
    text = "\n".join([f"{head} [ms],imu [ms],rad [ms]", *rows]) + "\n"
    if refused:
        with pytest.raises(LogError, match="in no order"):
            read(tmp_path, text)
    else:
        assert len(read(tmp_path, text)) == 400


def test_of_which_is_said_of_the_part_before(tmp_path):
    """The motors take longer than the gyro in each row as well, and stand behind it."""
    draw = np.random.default_rng(17)
    sense, solve, move = (
        (mean * (1 + draw.uniform(-0.1, 0.1, 200))).round(2) for mean in (5, 1, 3)
    )
    gyro = (0.36 * sense + draw.uniform(-0.1, 0.1, 200)).round(2)
    rows = "".join(
        f"{77 + 20 * k}.00,{a},{b},{c},{d},{a + c + d + 0.05:.2f}\n"
        for k, (a, b, c, d) in enumerate(zip(sense, gyro, solve, move, strict=True))
    )
    head = "t (ms),capteurs (ms),dont gyro (ms),calcul (ms),moteurs (ms),travail (ms)\n"
    took = self_ms(read(tmp_path, head + rows))
    assert took["capteurs"][:99] == pytest.approx((sense - gyro)[:99])
    assert took["moteurs"][:99] == pytest.approx(move[:99])


@pytest.mark.parametrize("stamped", [None, "start", "end"])
def test_a_single_loop_is_refused_wherever_it_is_stamped(tmp_path, stamped):
    """There is no next row by which to tell how even stamps are."""
    log = text("time_ms,gyro_ms,drive_ms\n", [12.5], [2.1], [3.2])
    with pytest.raises(LogError, match="a single loop"):
        read(tmp_path, log, stamped=stamped)
