"""A clock put right: runs cut where it begins anew, rows sorted, copies left out."""

import numpy as np
import pytest

import looptime
from looptime.parsers.read import read_log
from tests.parsers.build import read
from tests.parsers.stamped import call_log, check_calls, logs, periods, two_threads, write


def test_restart_begins_a_new_run(tmp_path):
    """A clock that begins anew makes a second run; each has its own rows."""
    times = [*range(500, 900, 10), *range(503, 803, 10)]
    log = logs(tmp_path, times)
    assert [len(run) for run in log.runs] == [39, 29]
    assert log.runs[0].clock.restarts == (2 + 40,)
    assert [run.rows_read for run in log.runs] == [40, 30]
    with pytest.raises(looptime.parsers.read.LogError, match="2 runs"):
        looptime.read(write(tmp_path, times))


def test_forward_jump_cuts_the_run(tmp_path):
    """A clock set ahead by an hour at the usual pace: both halves are kept, none spans the jump."""
    times = [*range(0, 500, 10), *range(3_600_000, 3_600_400, 10)]
    log = logs(tmp_path, times)
    assert [len(run) for run in log.runs] == [49, 39]
    jump = log.runs[0].clock.jumps[0]
    assert (jump["line"], jump["size_ns"]) == (52, 3_600_000 * 10**6 - 490 * 10**6)
    assert "usual pace" in jump["note"]
    assert max(max(periods(run)) for run in log.runs) == 10


@pytest.mark.parametrize("wrong", [9, 130, 9_990_000])
def test_one_corrupt_stamp(tmp_path, wrong):
    """A stamp that lost or won digits is set aside, and the loop before it with it."""
    times = list(range(370_000, 371_000, 10))
    times[40] = wrong
    run = logs(tmp_path, times).runs[0]
    assert run.set_aside.counts == {
        "corrupt stamp": 1, "rows lost around it": 1, "unfinished last loop": 1,
    }  # fmt: skip
    assert 2 + 40 in run.set_aside.line
    assert run.clock.jumps[0]["size_ns"] == (wrong - times[39]) * 10**6
    assert set(periods(run)) == {10.0}
    assert run.clock.restarts == ()


def test_rows_out_of_order_are_sorted(tmp_path):
    """Two rows that stand the wrong way round are put in order, and that is told."""
    times = list(range(0, 600, 10))
    times[30], times[31] = times[31], times[30]
    run = logs(tmp_path, times).runs[0]
    assert periods(run) == [10.0] * 59
    assert any("out of order" in note for note in run.clock.notes)


def test_duplicate_row(tmp_path):
    """The same row twice is one loop."""
    times = [*range(0, 300, 10), 290, *range(300, 600, 10)]
    values = [t // 10 for t in times]
    run = logs(tmp_path, times, values=values).runs[0]
    assert run.set_aside.counts == {"duplicate row": 1, "unfinished last loop": 1}
    assert periods(run) == [10.0] * 59


def test_run_pasted_again(tmp_path):
    """A run pasted three times is kept once."""
    times = (500 + np.cumsum(np.random.default_rng(20).integers(8, 13, 80))).tolist()
    log = logs(tmp_path, times * 3, values=list(range(80)) * 3)
    assert len(log.runs) == 1
    run = log.runs[0]
    assert len(run) == 79
    assert run.set_aside.counts == {"pasted again": 160, "unfinished last loop": 1}
    assert run.clock.restarts == ()
    assert any("again from line 82" in note for note in run.clock.notes)


def test_short_run_pasted_again(tmp_path):
    """A run of thirty even rows pasted three times is kept once, and is no disorder."""
    times = list(range(0, 600, 20))
    log = logs(tmp_path, times * 3, values=[t * 7 % 50 for t in times] * 3)
    assert [periods(run) for run in log.runs] == [[20.0] * 29]
    assert log.runs[0].set_aside.counts == {"pasted again": 60, "unfinished last loop": 1}


def test_short_runs_half_a_step_apart(tmp_path):
    """Short runs whose stamps lie between those of the first are runs, not rows out of order."""
    log = logs(tmp_path, [*range(100, 700, 20), *range(10, 610, 20), *range(13, 613, 20)])
    assert [periods(run) for run in log.runs] == [[20.0] * 29] * 3
    assert log.runs[0].clock.restarts == (2 + 30, 2 + 60)


def test_block_of_rows_written_late(tmp_path):
    """A block of rows that comes after the next block is put where it belongs."""
    times = [*range(0, 400, 20), *range(800, 1200, 20), *range(400, 800, 20),
             *range(1200, 1600, 20)]  # fmt: skip
    run = logs(tmp_path, times).runs[0]
    assert periods(run) == [20.0] * 79
    assert any("out of order" in note for note in run.clock.notes)


def test_part_of_a_run_pasted_before_the_whole(tmp_path):
    """Where a log was saved half way and again at its end, the longer copy is kept."""
    times = (500 + np.cumsum(np.random.default_rng(20).integers(8, 13, 80))).tolist()
    log = logs(tmp_path, times[:30] + times, values=[*range(30), *range(80)])
    assert [len(run) for run in log.runs] == [79]
    assert log.runs[0].set_aside.counts["pasted again"] == 30


def test_calls_after_a_restart(tmp_path):
    """Timed calls whose clock begins anew make a second run, cut at one row for all threads."""
    log = call_log(tmp_path, two_threads(5000) + two_threads(4000, loops=30))
    assert [len(run) for run in log.runs] == [39, 29]
    check_calls(log.runs[0])
    check_calls(log.runs[1], 30)
    assert log.runs[0].clock.restarts == (2 + 160,)
    assert sum(run.rows_read for run in log.runs) == 280


def test_calls_pasted_again(tmp_path):
    """A log of calls pasted twice is one run."""
    log = call_log(tmp_path, two_threads() * 2)
    assert len(log.runs) == 1
    check_calls(log.runs[0])
    assert log.runs[0].set_aside.counts["pasted again"] == 160


def test_duplicate_call_row(tmp_path):
    """A row that a link sent twice is one call."""
    rows = two_threads()
    log = call_log(tmp_path, [*rows[:41], rows[40], *rows[41:]])
    check_calls(log.runs[0])
    assert log.runs[0].set_aside.counts["duplicate row"] == 1


def test_corrupt_start_of_one_call(tmp_path):
    """One call whose start lost its leading digits is set aside."""
    rows = two_threads(7_000_000)
    rows[60] = (*rows[60][:3], 12, 3000)
    log = call_log(tmp_path, rows)
    assert len(log.runs) == 1
    assert log.runs[0].set_aside.counts["corrupt stamp"] == 1
    assert log.runs[0].clock.restarts == ()


@pytest.mark.parametrize("width", [7, 12])
def test_saw_tooth_is_no_clock(tmp_path, width):
    """A column that steps back thousands of times is refused at once, as no run's clock."""
    path = tmp_path / "log.csv"
    rows = [f"{k % width * 1000},{k}\n" for k in range(40_000)]
    path.write_text("time_us,x\n" + "".join(rows), encoding="utf-8")
    with pytest.raises(looptime.parsers.read.LogError, match="no clock does"):
        read_log(path)


def test_calls_that_begin_anew_without_end(tmp_path):
    """The same holds for timed calls, on one thread or on two."""
    for threads in (1, 2):
        rows = [
            f"{k % threads},f{k // threads % 3},{k // threads % 18 * 100_000},{5 + k % 9001}\n"
            for k in range(40_000)
        ]
        path = tmp_path / "log.csv"
        path.write_text("thread,name,start_us,duration_us\n" + "".join(rows), encoding="utf-8")
        with pytest.raises(looptime.parsers.read.LogError, match="no clock does"):
            read_log(path)


def test_numbers_that_stop_counting_are_told(tmp_path):
    """From line 32 on the column of the loop's number holds lengths."""
    rows = [f"{k if k < 30 else 100 + 37 * k % 90},{20 * k + k % 3}" for k in range(70)]
    notes = read(tmp_path, "loop,time_ms\n" + "\n".join(rows) + "\n").clock.notes
    assert "after line 31 the numbers of loops no longer count: another column?" in notes


def test_two_logs_sorted_by_time_are_told_by_their_numbers(tmp_path):
    """Loops of 7 and of 11 ms among each other, each with its own numbers."""
    rows = [(step * k + k % 2, k) for step in (7000, 11_000) for k in range(60)]
    log = "loop,time_us\n" + "".join(f"{k},{t}\n" for t, k in sorted(rows))
    assert any("two logs may stand" in note for note in read(tmp_path, log).clock.notes)


def test_a_grid_is_no_clock(tmp_path):
    """Every row 10,000 us after the one before, to the last digit; one jitters by a microsecond."""
    even = "time_us,turn\n" + "".join(f"{10_000 * k},{k % 7}\n" for k in range(40))
    run, live = read(tmp_path, even), read(tmp_path, even.replace("200000,", "200001,"))
    assert any("to the last digit" in note for note in run.clock.notes)
    assert not any("to the last digit" in note for note in live.clock.notes)


@pytest.mark.parametrize(("late_us", "said"), [(3000, True), (-4000, True), (3456, False)])
def test_one_digit_or_a_late_loop(tmp_path, late_us, said):
    """Loops of 8 ms with 20 us of scatter, one stamp of which is off: told if a digit would do."""
    time = np.cumsum(8000 + np.random.default_rng(3).integers(-20, 20, 200))
    time[100] += late_us
    run = read(tmp_path, "time_us\n" + "".join(f"{at}\n" for at in time.tolist()))
    notes = [note for note in run.clock.notes if "one wrong digit" in note]
    assert [note.startswith("line 102: ") for note in notes] == [True] * said


def test_loops_that_are_always_made_up_for_are_told_by_no_digit(tmp_path):
    """A robot that catches up after each late loop does so often."""
    time = np.cumsum(8000 + np.random.default_rng(3).integers(-20, 20, 200))
    time[10::20] += 3000
    run = read(tmp_path, "time_us\n" + "".join(f"{at}\n" for at in time.tolist()))
    assert not any("one wrong digit" in note for note in run.clock.notes)


def _two_robots(pace_ms):
    """Rows of two loops that are each numbered, sorted by time; the second has this pace."""
    rng = np.random.default_rng(5)
    one = np.cumsum(rng.integers(3300, 3700, 300))
    two = 400 + np.cumsum(rng.integers(990 * pace_ms, 1010 * pace_ms, 60))
    rows = sorted([*zip(one, range(300), strict=True), *zip(two, range(60), strict=True)])
    return "".join(f"{number},{at},{at % 97}\n" for at, number in rows)


@pytest.mark.parametrize("pace_ms", [7, 15])
def test_two_robots_each_with_numbers_of_its_own(tmp_path, pace_ms):
    """Numbers that count in two lanes are numbers, and no lengths: their falls tell of two logs."""
    run = read(tmp_path, "loop,time_us,heading\n" + _two_robots(pace_ms))
    assert any("two logs may stand among each other" in note for note in run.clock.notes)
    assert "loop" not in [name.name for name in run.names]


@pytest.mark.parametrize(("first", "said"), [(300, True), (256, False), (1000, False)])
def test_numbers_that_begin_anew_without_a_rest(tmp_path, first, said):
    """A recording behind another one at the same pace; a counter that was full says nothing."""
    times = [1000 + 4000 * k + k * k % 37 for k in range(first + 100)]
    rows = "".join(f"{k % first},{at},{at % 89}\n" for k, at in enumerate(times))
    notes = read(tmp_path, "loop,time_us,heading\n" + rows).clock.notes
    anew = [note for note in notes if "numbers of loops begin anew" in note]
    assert bool(anew) is said
    if said:
        assert anew[0].startswith("line 302:")


def test_a_blank_line_between_two_parts_loses_no_row(tmp_path):
    """Behind a rest of 4 s in loops of 20 ms the log goes on: nothing was lost there."""
    stamps = [20 * k + 4000 * (k >= 80) for k in range(160)]
    rows = [f"{at},{2 + at % 3}" for at in stamps]
    text = "\n".join(["t_ms,imu_ms", *rows[:80], "", *rows[80:]]) + "\n"
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    notes = [note for run in looptime.read_log(path).runs for note in run.clock.notes]
    assert not [note for note in notes if "blank" in note]


@pytest.mark.parametrize(("lost", "said"), [(1, True), (0, False)])
def test_a_blank_line_in_place_of_a_row(tmp_path, lost, said):
    """Where the clock passes over a row at a blank line one was lost; a blank line is nothing."""
    rows = [f"{4000 * k + k * k % 37},{k % 7}\n" for k in range(200)]
    rows[80 : 80 + lost] = ["\n"]
    notes = read(tmp_path, "time_us,heading\n" + "".join(rows)).clock.notes
    assert bool([note for note in notes if note.startswith("line 82: blank")]) is said


@pytest.mark.parametrize(
    ("lost", "empty", "said"),
    [(15, [80], 1), (0, [80], 0), (15, [], 0), (15, range(0, 180, 2), 0)],
)
def test_an_empty_cell_before_a_late_row(tmp_path, lost, empty, said):
    """Lost bytes take a row's last cell and the rows behind it; a slow signal says nothing."""
    rows = [f"{4000 * k + k * k % 37},{k % 7}" for k in range(200)]
    for at in empty:
        rows[at] = rows[at].split(",")[0] + ","
    rows[81 : 81 + lost] = []
    text = "time_us,heading\n" + "\n".join(rows) + "\n"
    notes = read(tmp_path, text).clock.notes
    told = [note for note in notes if note.startswith("line 82: a cell is empty")]
    assert len(told) == said


def test_parts_of_rows_stamped_at_their_end_fit_the_loops_before_them(tmp_path):
    """Loops of 4 ms and slow ones of 20, written when over: none is too short for its parts."""
    work = np.where(np.arange(300) % 60 == 30, 20_000, 3800) + np.arange(300) ** 2 % 37
    rest = 150 + np.arange(300) * 37 % 89
    ends = np.cumsum(work + rest)
    rows = "".join(
        f"{at},{part // 3},{part - part // 3}\n" for at, part in zip(ends, work, strict=True)
    )
    notes = read(tmp_path, "time_us,gyro_us,drive_us\n" + rows).clock.notes
    assert any("at the end of their loops" in note for note in notes)
    assert not any("shorter than the parts" in note for note in notes)


@pytest.mark.parametrize(("logs_", "word"), [(2, "twice"), (3, "three times"), (4, "four times")])
def test_logs_line_by_line_without_a_clock(tmp_path, logs_, word):
    """Each number of a loop stands there as often as there are logs."""
    rows = "".join(
        f"{k},{2000 + 900 * one + k * 37 % 89},{3000 + k * 41 % 97}\n"
        for k in range(100)
        for one in range(logs_)
    )
    notes = read(tmp_path, "loop,gyro_us,drive_us\n" + rows).clock.notes
    assert any(note.startswith(f"every loop number stands {word}") for note in notes)


def test_a_loop_made_up_for_by_chance_is_told_by_no_digit(tmp_path):
    """Where every third loop is long, one that comes early before such a loop tells nothing."""
    step = 8000 + np.random.default_rng(3).integers(-20, 20, 400)
    step[2::3] += 3000
    step[97] -= 3000
    rows = "".join(f"{at}\n" for at in np.cumsum(step).tolist())
    notes = read(tmp_path, "time_us\n" + rows).clock.notes
    assert not any("one wrong digit" in note for note in notes)


@pytest.mark.parametrize(
    ("leap_s", "camera_goes_on", "told"),
    [(3600, False, True), (30, False, True), (30, True, False), (0.5, False, False)],
)
def test_a_clock_that_leaps_while_a_call_is_open_is_told(tmp_path, leap_s, camera_goes_on, told):
    """Half a second may be a stall, and so is what another thread lived through; else it is told.

    Loops of 20 ms read for 4 ms; in the fifty-first the clock goes ahead in the middle of that.
    """
    leap = round(leap_s * 1000)
    rows = []
    for k in range(100):
        at, late = 20 * k, leap * (k > 50)
        rows += [(at + late, "main,gyro.read,begin"),
                 (at + 4 + late + leap * (k == 50), "main,gyro.read,end")]  # fmt: skip
        if k % 2:
            rows += [(at + late + 5, "camera,grab,begin"), (at + late + 14, "camera,grab,end")]
    for at in range(1040, 1000 + leap * camera_goes_on, 40):
        rows += [(at, "camera,grab,begin"), (at + 9, "camera,grab,end")]
    text = "time_ms,thread,name,edge\n" + "".join(f"{at},{row}\n" for at, row in sorted(rows))
    run = read(tmp_path, text)
    said = [note for note in run.clock.notes if "while gyro.read runs" in note]
    assert len(said) == told
    assert max(run.loop_columns.period_ns) / 1e6 == 20 + leap


@pytest.mark.parametrize(("leap_s", "told"), [(2, True), (0.5, False)])
def test_a_leap_that_calls_of_two_threads_are_open_through_is_told(tmp_path, leap_s, told):
    """In the fifty-first loop of 20 ms both the gyro and the camera take the leap longer."""
    leap, rows = round(leap_s * 1000), []
    for k in range(100):
        at, late = 20 * k, leap * (k > 50)
        inside = late + leap * (k == 50)
        begins, ends = at + late, at + inside
        rows += [(begins, "main,gyro.read,begin"), (ends + 4, "main,gyro.read,end"),
                 (begins + 1, "camera,grab,begin"), (ends + 9, "camera,grab,end")]  # fmt: skip
    text = "time_ms,thread,name,edge\n" + "".join(f"{at},{row}\n" for at, row in sorted(rows))
    notes = read(tmp_path, text).clock.notes
    assert any("goes ahead by" in note and "grab runs" in note for note in notes) == told


@pytest.mark.parametrize(("again", "said"), [(0, False), (3, False), (20, True)])
def test_rows_written_again_one_by_one_without_a_clock(tmp_path, again, said):
    """Five lengths in microseconds are never all alike by chance; three rows may be a mishap."""
    draw = np.random.default_rng(7)
    rows = [",".join(map(str, row)) for row in draw.integers(500, 800, (400, 5)).tolist()]
    for at in sorted(draw.choice(np.arange(50, 350), again, replace=False).tolist(), reverse=True):
        rows.insert(at + 9, rows[at])
    run = read(
        tmp_path, "gyro_us,wheels_us,lift_us,trays_us,odometry_us\n" + "\n".join(rows) + "\n"
    )
    told = [note for note in run.clock.notes if note.startswith("20 rows hold what a row before")]
    assert bool(told) == said


def test_rows_of_a_robot_at_rest_are_alike_without_being_written_again(tmp_path):
    """A third of the log holds the same five lengths, as a board at rest reports them."""
    draw = np.random.default_rng(7)
    rows = draw.integers(500, 800, (600, 5))
    rows[draw.random(600) < 0.3] = (510, 620, 530, 700, 540)
    text = "\n".join(",".join(map(str, row)) for row in rows.tolist())
    notes = read(tmp_path, f"gyro_us,wheels_us,lift_us,trays_us,odometry_us\n{text}\n").clock.notes
    assert not any("hold what a row before" in note for note in notes)
