"""Lines that name their values, each against figures worked out by hand."""

import json

import numpy as np
import pytest

import looptime
from looptime.errors import LogError, UsageError
from looptime.parsers.lines.keyed import read_keyed
from looptime.parsers.lines.shapes import Shapes
from tests.parsers.build import balance, periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, LONG, PERIODS, ROWS, lines


def check(run):
    """The four loops of `ROWS`, the last of them unfinished."""
    assert run.layout == "values"
    assert periods_ms(run) == PERIODS
    words = {name: set(name.split(".")) for name in self_ms(run)}
    found = {name: ms for key, ms in self_ms(run).items() for name in COSTS if name in words[key]}
    assert found == COSTS
    assert run.rows_read == len(ROWS)
    assert run.set_aside.counts == {"unfinished last loop": 1}


@pytest.mark.parametrize(
    "pattern",
    [
        "{t} imu={imu}ms drive={drive}ms",
        "t_ms={t}, imu_ms={imu}, drive_ms={drive}",
        "[{s:.3f}] imu: {imu} ms | drive: {drive} ms",
        "I ({t}) main: imu={imu}ms drive={drive}ms",
        "2026-03-14 10:00:00.{t} INFO main: imu={imu}ms; drive={drive}ms; mode=auto",
        "drive={drive}.0ms imu={imu}000us t={t}ms",
        "t={s:.3f}s; imu={imu},0ms; drive={drive},0ms".replace("{s:.3f}", "0,{t}"),
        "[carrier] {t} ms: imu took {imu} ms, drive took {drive} ms",
        "{t} ms: {imu} ms in imu, {drive} ms in drive",
        '{{"t_ms": {t}, "imu_ms": {imu}, "drive_ms": {drive}}}',
        '{{"time":{s},"imu":{{"us":{imu}000}},"drive":{{"us":{drive}000}},"mode":"auto"}}',
        "10:00:00.{t} -> {t} imu={imu}ms drive={drive}ms",
        "D/Carrier ( 1234): t_ms={t} imuMs={imu} driveMs={drive}",
        "loop {k}: imu {imu} ms, drive {drive} ms ({t} ms)",
        '{{"t_ms": {t}, "p": [{{"key": "imu", "ms": {imu}}}, {{"key": "drive", "ms": {drive}}}]}}',
    ],
)
def test_one_line_a_loop(tmp_path, pattern):
    """Pairs, sentences and objects in any order, under any prefix and in any unit are one log."""
    run = read(tmp_path, lines(pattern), name="log.txt")
    check(run)


@pytest.mark.parametrize(
    "said", ["{name}: took {ms} ms", "{name} : took {ms} ms", "robot.{name}: lasted {ms}ms"]
)
def test_a_colon_before_what_a_call_took(tmp_path, said):
    """A line a call, stamped at its end: three calls make a loop, with a stamp every 20 ms."""
    text, now = "", 0
    for _ in range(60):
        for name, ms in (("gyro", 2), ("lidar", 9), ("motors", 5)):
            now += ms + (4 if name == "gyro" else 0)
            text += f"[09:00:{now / 1000:06.3f}] INFO {said.format(name=name, ms=ms)}\n"
    run = read(tmp_path, text, name="log.txt")
    assert set(periods_ms(run)) == {20.0}
    found = {name.removeprefix("robot."): set(ms) for name, ms in self_ms(run).items()}
    assert found == {"gyro": {2.0}, "lidar": {9.0}, "motors": {5.0}}


def test_a_value_that_is_sometimes_there(tmp_path):
    """A key that first comes in the last line costs no other line anything."""
    text = lines("{t} imu={imu}ms drive={drive}ms").replace("150 ", "150 vision=4ms ")
    assert self_ms(read(tmp_path, text))["vision"] == [0.0, 0.0, 4.0]


def test_a_damaged_value_costs_its_loop(tmp_path):
    """A number that is none sets the lines of its row aside, and no other row's."""
    rows = [f"{t},{key}_ms,{value}" for _, t, key, value in LONG]
    rows[4] = rows[4].replace(",9", ",9x")
    run = read(tmp_path, "time_ms,key,value\n" + "\n".join(rows))
    assert run.rows_read == 12
    assert run.rows_used + len(run.set_aside) == 12


def test_the_total_is_what_the_others_add_up_to(tmp_path):
    """A sum whose name no word list knows is the period, and a second one counts nothing twice."""
    text = "".join(
        f"--- {k} ---\nganzes: {imu + drive}.1 ms, teile: {imu + drive}.0 ms\n"
        f"  imu: {imu} ms\n  drive: {drive} ms\n"
        for k, (_, imu, drive) in enumerate(ROWS * 3)
    )
    run = read(tmp_path, text)
    assert periods_ms(run) == [imu + drive + 0.1 for _, imu, drive in ROWS * 3]
    assert set(self_ms(run)) == {"imu", "drive"}


def test_a_unit_for_a_name_is_the_time(tmp_path):
    """A key that says nothing but ``ms``, and climbs, is the clock."""
    text = "".join(json.dumps({"ms": t, "imu_us": 900}) + "\n" for t, _, _ in ROWS)
    assert periods_ms(read(tmp_path, text)) == PERIODS


def test_asked_for_where_nothing_fits(tmp_path):
    """The error says how such lines are written."""
    with pytest.raises(LogError, match="812 imu_ms=9"):
        read(tmp_path, "t_ms,imu\n1,2\n2,3\n", layout="values")


def test_two_sessions_keep_balanced_books(tmp_path):
    """A clock that begins anew makes two runs; every line belongs to one of them."""
    one = [f"{t},{key}_ms,{value}" for _, t, key, value in LONG]
    path = tmp_path / "log.csv"
    path.write_text("time_ms,key,value\n" + "\n".join([*one * 1, *one]))
    log = looptime.read_log(path, cache=False)
    for run in log.runs:
        balance(run)
    assert log.rows_read == 24


def test_thousands_set_off_in_lines(tmp_path):
    """A number with two commas is a whole one, and so are those beside it with one."""
    rows = [f"[{1_234_000 + 20_000 * k:,} us] imu={1500 + 10 * (k % 5):,}us" for k in range(30)]
    run = read(tmp_path, "\n".join(rows))
    assert set(periods_ms(run)) == {20.0}
    assert self_ms(run)["imu"][:3] == [1.5, 1.51, 1.52]


@pytest.mark.parametrize("order", ["back", "any"])
def test_stamps_in_no_order_are_no_lengths(tmp_path, order):
    """A line's stamp that does not rise is refused as a clock, not added to the parts."""
    rows = [f"[{20_000 * k} us] imu={1500 + k % 5}us drive={900 + k % 7}us" for k in range(60)]
    rows = (
        rows[::-1]
        if order == "back"
        else [rows[k] for k in np.random.default_rng(1).permutation(60)]
    )
    with pytest.raises(LogError, match="its times"):
        read(tmp_path, "\n".join(rows))


def test_names_that_follow_their_numbers_in_brackets(tmp_path):
    """(31 gyro / 52 drive): the second number is the drive's, not the gyro's."""
    text = "".join(
        f"loop {k}: {9000 + 10 * (k % 7)} us ({3000 + 10 * (k % 7)} gyro / 5000 drive)\n"
        for k in range(60)
    )
    run = read(tmp_path, text, unit="us")
    assert periods_ms(run) == [9 + (k % 7) / 100 for k in range(60)]
    assert run.names[0].name == "gyro"
    assert self_ms(run)["gyro"] == pytest.approx([3 + (k % 7) / 100 for k in range(60)])


def test_a_second_stamp_is_the_clock_where_the_first_is_none(tmp_path):
    """Two numbers lead each line: one that hangs about with a unit, and one that rises."""
    rows = [f"{3 + k % 5} ms {20 * k} imu={2 + k % 3}ms" for k in range(40)]
    run = read(tmp_path, "\n".join(rows))
    assert len(run) >= 38


@pytest.mark.parametrize("pattern", ["[{h}] T:{t} S:{a} M:{b} L:2", "({h}) t:{t} us:7 s:{a} m:{b}"])
def test_a_key_is_no_unit_of_the_number_before_it(tmp_path, pattern):
    """Behind a host's stamp, keys with colons are names though they are spelt as units are."""
    rng = np.random.default_rng(2)
    long = np.where(np.arange(400) % 40 == 7, 46, 0)
    period = rng.integers(17, 22, 400) + long
    start = 1218 + np.append(0, np.cumsum(period)[:-1])
    made = zip(start, rng.integers(3, 6, 400), rng.integers(10, 12, 400) + long, strict=True)
    lines = [
        pattern.format(h=f"14:22:{t // 1000:02}.{t % 1000:03}", t=t, a=a, b=b) for t, a, b in made
    ]
    run = read(tmp_path, "\n".join(["boot v0.9", "calib ok", *lines, "warn: tray"]) + "\n", "a.txt")
    assert run.clock.unit == "ms"
    assert periods_ms(run) == pytest.approx(period[:399], abs=1e-9)


def test_lines_run_into_one_are_none():
    """A line that names its keys twice was two; where every line does, it is written so."""
    lines = [f"[{20 * k} ms] imu={k % 7}us enc={k % 5}us" for k in range(40)]
    lines[20] = lines[20][:14] + lines[21][8:]
    grid = read_keyed(lines)
    assert [at for at, row in enumerate(grid.rows) if row is None] == [20]
    twice = [f"[{20 * k} ms] imu={k % 7}us imu={k % 5}us" for k in range(40)]
    assert None not in read_keyed(twice).rows


@pytest.mark.parametrize("level", ["", "DEBUG "])
def test_words_that_take_turns_say_whose_the_lengths_are(tmp_path, level):
    """Lines differ by the name of a module alone, and by a number that goes up once a loop."""
    costs = [(2 + k % 3, 9 + k % 2) for k in range(40)]
    text = "".join(
        f"00:00:{(20 * k + imu) / 1000:06.3f} {level}loop{{n={k}}}:imu: close busy={imu}.0ms\n"
        f"00:00:{(20 * k + imu + drive) / 1000:06.3f} {level}loop{{n={k}}}:drive: close "
        f"busy={drive}.0ms\n"
        for k, (imu, drive) in enumerate(costs)
    )
    run = read(tmp_path, text)
    found = {name.split()[0]: ms for name, ms in self_ms(run).items()}
    count = len(run)
    assert count >= 38
    first = round(run.loop_columns.loop[0])
    assert found == {
        "imu": [float(imu) for imu, _ in costs[first : first + count]],
        "drive": [float(drive) for _, drive in costs[first : first + count]],
    }


def test_words_that_stay_for_long_say_what_the_robot_does(tmp_path):
    """The same words for many loops, then others: no length has two names for that."""
    text = "".join(f"{20 * k} ms {'waiting' if k < 30 else 'driving'}: imu={2 + k % 3}ms\n"
                   for k in range(60))  # fmt: skip
    run = read(tmp_path, text)
    assert set(periods_ms(run)) == {20.0}
    assert list(self_ms(run)) == ["imu"]


def test_numbers_behind_a_hash_are_the_loops_and_shares_belong_to_what_they_follow(tmp_path):
    """Where every line begins with #7 none is a remark; (14 %) is no length of its own."""
    text = "".join(
        f"#{k:04} {k / 50:.4f}s total=20.00ms | imu={2 + k % 3}.0ms({10 + k % 3}%) "
        f"drive={8 - k % 2}.0ms({40 - k % 2}%)\n"
        for k in range(60)
    )
    run = read(tmp_path, text)
    assert set(periods_ms(run)) == {20.0}
    found = {name: ms[:4] for name, ms in self_ms(run).items()}
    assert found == {"imu": [2.0, 3.0, 4.0, 2.0], "drive": [8.0, 7.0, 8.0, 7.0]}


def test_a_length_behind_a_word_is_named_by_its_key():
    """slowest=drive (9 ms): the length of the slowest call, whichever it is."""
    grid = read_keyed([f"[{k / 50:.3f}] loop={20 + k % 5}ms slowest=drive ({8 + k % 3}.5ms)"
                       for k in range(60)])  # fmt: skip
    assert grid.names == ["time", "loop", "slowest time", "slowest"]
    assert grid.rows[1] == ["0.020", "21", "9.5", "drive"]


@pytest.mark.parametrize(
    "pattern",
    [
        "t={t} call=imu ms={a}.5 call=drive ms={b}.25",
        "t={t} name=imu dur_ms={a}.5; name=drive dur_ms={b}.25",
        '<loop t="{t}"><call name="imu" ms="{a}.5"/><call name="drive" ms="{b}.25"/></loop>',
    ],
)
def test_a_key_that_names_each_call_in_turn(tmp_path, pattern):
    """The length behind call=imu is the gyro's, whichever call stands last in the line."""
    run = read(tmp_path, "".join(pattern.format(t=20 * k, a=2 + k % 3, b=k % 2) + "\n"
                                 for k in range(60)))  # fmt: skip
    assert set(periods_ms(run)) == {20.0}
    found = {word: ms[:3] for name, ms in self_ms(run).items()
             for word in ("imu", "drive") if word in name.split()}  # fmt: skip
    assert found == {"imu": [2.5, 3.5, 4.5], "drive": [0.25, 1.25, 0.25]}


def test_a_key_that_is_a_word_for_how_grave_a_message_is():
    """``log=0.19`` is what the log took; ``INFO 0.19`` has no name."""
    found, _ = Shapes().read("t=0.0053 imu=3.07 log=0.19 e=0.4")
    assert found.names == ("t", "imu", "log", "e")
    assert Shapes().read("INFO 0.19")[0].names == (None,)


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ("blocked {} ms on mutex 'spi' held by <vision>", "blocked on mutex spi held by vision"),
        ("lock can0 acquired after {} ms, was held by logger",
         "lock can0 acquired was held by logger"),
        ("waiting {} ms for semaphore gyro owned by mapper",
         "waiting for semaphore gyro owned by mapper"),
        ("waited {} ms in all", "waited"),
    ],
)  # fmt: skip
def test_a_wait_is_named_with_its_lock_and_holder(tmp_path, line, name):
    """Loops of 10 ms, in every third of which a wait of 3 ms is told."""
    rows = "".join(
        f"{10 * k} ms loop {k} start\n{10 * k + 2} ms odo took 1.5 ms\n"
        + (f"{10 * k + 6} ms {line.format('3.0')}\n" if k % 3 == 0 else "")
        for k in range(90)
    )
    times = self_ms(read(tmp_path, rows))
    assert set(times) == {"odo", name}
    assert sum(times[name]) == pytest.approx(90)


@pytest.mark.parametrize("begun", ["Pass - start {}", "Iteration {} \u2013 begin"])
@pytest.mark.parametrize("took", ["{} - took {} ms", "{}() \u2013 lasted {}ms"])
def test_a_dash_parts_a_name_from_what_is_said_of_it(tmp_path, begun, took):
    """Loops of 25 ms whose calls are logged when they end, 40 ms in every tenth."""
    rows, at = [], 0
    for k in range(60):
        rows.append(f"2026-05-02T09:00:{at / 1000:09.6f}Z INFO [main] {begun.format(k)}\n")
        for ms, name in ((4, "Pose"), (9, "Swerve")):
            rows.append(f"2026-05-02T09:00:{(at + 2 * ms) / 1000:09.6f}Z INFO [main] "
                        f"{took.format(name, ms)}\n")  # fmt: skip
        at += 40 if k % 10 == 4 else 25
    run = read(tmp_path, "".join(rows))
    assert periods_ms(run) == [40 if k % 10 == 4 else 25 for k in range(59)]
    assert self_ms(run) == {"Pose": [4] * 59, "Swerve": [9] * 59}


def test_a_letter_that_calls_a_number_by_its_name():
    """An article before a number calls it nothing; where letters name numbers, "a" is one."""
    assert Shapes().read("20 a 4.01 b 7.00 c 3.00")[0].names == (None, "a", "b", "c")
    assert Shapes().read("t=20, a=4.01ms, v=7.00ms")[0].names == ("t", "a", "v")


def _paced(lines):
    """A loop of 20 ms, a line each, with some lines put in place of two."""
    rows = [f"[{20_000 * k} us] gyro={900 + k}us drive={2000 + k}us send={700 + k}us" for k in
            range(60)]  # fmt: skip
    for at, line in lines.items():
        rows[at : at + 2] = [line]
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    "torn",
    [
        "[600000 us] gyro=930us drive=20uss drive=2031us send=731us",
        "[600000 us] gyro=930us drive=2030us drend=731us",
        "[600000 us] gyro=930us drive=2030us send=730us drend=731us",
        "[600000 us] gyro=930us drive=2030us ive=2031us send=731us",
    ],
)
def test_two_lines_run_into_one_are_no_loop(tmp_path, torn):
    """Bytes are lost within a line: neither it nor the loop before is said to last two periods."""
    path = tmp_path / "log.txt"
    path.write_text(_paced({30: torn}), encoding="utf-8")
    log = looptime.read_log(path, cache=False)
    assert log.rows_by_reason["wrong number of fields"] == 1
    assert set((log.runs[0].loop_columns.period_ns / 1e6).tolist()) == {20.0}


def test_a_call_that_is_made_once_is_no_damage(tmp_path):
    """A line with one part more, which no other has, is a loop in which something else was done."""
    path = tmp_path / "log.txt"
    more = "[600000 us] gyro=930us drive=2030us send=730us vision=34000us"
    path.write_text(_paced({30: more}), encoding="utf-8")
    log = looptime.read_log(path, cache=False)
    assert log.rows_by_reason == {"unfinished last loop": 1}
    assert (log.runs[0].loop_columns.period_ns / 1e6).max() == 40.0


@pytest.mark.parametrize(
    ("title", "head"),
    [
        ("tray carrier, times in ms", "=== loop {k} at {t:.2f}"),
        ("tray carrier", "=== loop {k} at {t:.2f} ms"),
        ("tray carrier", "-- Runde {k}: {t:.2f}"),
        ("tray carrier", "{k} Takte, {t:.2f}"),
        ("tray carrier", "[{t:.2f}] tour {k}"),
    ],
)
def test_blocks_of_lines_below_a_head_that_counts_loops(tmp_path, title, head):
    """A head needs no unit of its own; a send in one loop of ten is one, and trays are no loops."""
    draw = np.random.default_rng(11)
    gyro, wheels = draw.normal(1.8, 0.05, 200), draw.normal(6.8, 0.2, 200)
    send, rows, t = np.where(np.arange(200) % 10 == 7, 14.0, 0.0), [title], 100.0
    for k in range(200):
        rows += [head.format(k=k, t=t), f"  gyro took {gyro[k]:.2f} ms"]
        rows += [f"  wheels took {wheels[k]:.2f} ms"]
        rows += [f"  send took {send[k]:.2f} ms"] if send[k] else []
        rows += [f"tray {k // 25} set down at {t:.2f}"] if k % 25 == 24 else []
        t += round(gyro[k], 2) + round(wheels[k], 2) + send[k] + 0.3
    run = read(tmp_path, "\n".join(rows) + "\n", name="log.txt")
    assert len(run) == 199
    assert self_ms(run)["send"] == pytest.approx(send[:-1].tolist())
    assert sum(periods_ms(run)) == pytest.approx(
        float((gyro + wheels + send + 0.3)[:-1].sum()), 0.01
    )


def test_columns_given_by_the_caller_name_the_values_of_each_line_in_turn(tmp_path):
    """Of ``n=0 at=0 a=2500 b=900 us`` one is left out; the unit that a line names stays."""
    text = "".join(f"n={k} at={6000 * k} a={2500 + k % 9} b={900 + k % 7} us\n" for k in range(60))
    run = read(tmp_path, text, "log.txt", columns="loop,start_us,skip,arm")
    assert set(periods_ms(run)) == {6.0}
    assert self_ms(run)["arm"][:3] == pytest.approx([0.9, 0.901, 0.902])
    with pytest.raises(UsageError, match=r"names 2 columns.*called n, "):
        read(tmp_path, text, "log.txt", columns="loop,start_us")


@pytest.mark.parametrize("clock", ["t: {:.3f} s", "time = {:.3f} s", "t={:.3f}"])
def test_a_time_that_stands_alone_on_a_line_of_its_loop(tmp_path, clock):
    """A key a line: the time is one of them, and tells what lies outside the parts."""
    lines = [
        line
        for k in range(60)
        for line in (f"- loop: {k}", clock.format(0.02 * k), f"gyro: {2 + k % 3} ms", "arm: 9 ms")
    ]
    run = read(tmp_path, "\n".join(lines) + "\n", "log.txt")
    assert set(periods_ms(run)) == {20.0}
    assert run.unattributed_ns().tolist()[:3] == [9_000_000, 8_000_000, 7_000_000]


def test_units_that_change_from_line_to_line_are_brought_to_one(tmp_path):
    """Of 2, 3, 2 ms every other one is written in microseconds, whichever comes first."""
    for first in (0, 1):
        text = ""
        for k, (t, imu, drive) in enumerate(ROWS):
            unit, times = ("ms", 1) if k % 2 == first else ("us", 1000)
            text += f"{t} imu={imu * times}{unit} drive={drive}ms\n"
        check(read(tmp_path, text, name=f"log{first}.txt"))
