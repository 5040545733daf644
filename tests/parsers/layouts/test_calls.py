"""Layout `calls`: rows stamped at the ends of their calls, and the counters of small boards."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.calls import (
    _check_instants,
    _filled,
    _lay_in_turn,
    _rounding,
    _said,
    _stamped_at_end,
    _with_parents,
    _with_waits,
    by_header,
    fit,
)
from looptime.parsers.layouts.calls import judged as _judged
from looptime.parsers.layouts.contract import SECOND, CallRows
from looptime.parsers.text.dialect import Dialect
from tests.parsers.build import balance, periods_ms, read, self_ms

CALLS = [("drive", 1, 9), ("imu", 2, 3), ("arm", 10, 6)]  # name, start and length [ms]


def log(at, header, scale=1, loops=60):
    """Calls of loops of 20 ms in the order of their ends, stamped at the instant asked for."""
    rows = [(20 * k + start + length, 20 * k + at(start, length), name, length)
            for k in range(loops) for name, start, length in CALLS]  # fmt: skip
    return f"{header}\n" + "".join(
        f"{t * scale},{name},{length * scale}\n" for _, t, name, length in sorted(rows)
    )


@pytest.mark.parametrize("stamped", [None, "end"])
def test_rows_stamped_at_the_ends_of_their_calls(tmp_path, stamped):
    """Calls that cut across each other unless their stamps are their ends: told, and as asked."""
    text = log(lambda start, length: start + length, "time_ms,name,duration_ms")
    run = read(tmp_path, text, stamped=stamped)
    found = self_ms(run)
    assert (set(found["drive"]), set(found["imu"]), set(found["arm"])) == ({6.0}, {3.0}, {6.0})
    assert len(run) == 59
    assert "stamped at the end" in " ".join(run.clock.notes)


def test_rows_in_the_order_of_their_ends_may_be_stamped_at_their_starts(tmp_path):
    """Calls that lie within each other by their starts are left there."""
    run = read(tmp_path, log(lambda start, length: start, "time_ms,name,duration_ms"))
    assert set(self_ms(run)["drive"]) == {6.0}
    assert not run.clock.notes


def test_a_counter_of_micros_is_the_clock(tmp_path):
    """A column called micros holds the starts of calls: time between them is not lost."""
    run = read(tmp_path, log(lambda start, length: start, "micros,name,took_us", 1000))
    assert run.layout == "calls"
    assert set(periods_ms(run)) == {20.0}


def test_a_column_called_start_is_believed(tmp_path):
    """Calls that run on into the next loop cut across it, whatever their ends would look like."""
    text = log(lambda start, length: start + length, "start_ms,name,duration_ms")
    assert not read(tmp_path, text).clock.notes


@pytest.mark.parametrize(
    ("header", "whole"),
    [("loop,name,start_us,duration_us", True), ("name,end_us,took_us", True),
     ("name,start_us", False), ("a,b,c,d", False)],
)  # fmt: skip
def test_a_header_alone_tells_a_table_of_calls(header, whole):
    """A name, an instant and a length, or two instants, are all that calls must have."""
    assert by_header(heads(header.split(",")))[1] is whole


def test_ends_and_lengths_rounded_each(tmp_path):
    """A call that began with the one around it stays in it where its start is a rounding early."""
    rows, at = [], 0.0
    for k in range(60):
        inner = 3 + k * 0.3717 % 1
        outer = inner + 2 + k * 0.7341 % 1
        for name, since, ms in (("enc", 0, inner), ("drive", 0, outer), ("loop", -1, outer + 2)):
            rows.append(f"{at + since + ms:.1f},{name},{ms:.1f}\n")
        at += outer + 2.0373
    run = read(tmp_path, "finished_ms,name,took_ms\n" + "".join(rows))
    # the rest of `drive` is 2 ms and what varies, each rounded to a tenth and taken once
    rest = [2 + k * 0.7341 % 1 for k in range(59)]
    assert self_ms(run)["drive"][:59] == pytest.approx(rest, abs=0.16)


@pytest.mark.parametrize(("start_ns", "length_ns"), [(1000, 100), (1000, 100_000), (100_000, 1000)])
def test_calls_that_overlap_by_their_rounding_are_used(tmp_path, start_ns, length_ns):
    """Starts and lengths rounded unlike each other: no call is set aside, sums stay right."""
    chance, at, rows = np.random.default_rng(5), 35_386_529_151_377, []
    for name, usual in (("imu", 2e6), ("can", 3e6), ("plan", 1.9e6)) * 300:
        took = int(chance.normal(usual, 0.05 * usual))
        rows.append((name, at, took))
        at += took + (int(chance.uniform(1e5, 9e5)) if name == "plan" else 0)
    run = read(tmp_path, "name,start_us,duration_us\n" + "".join(
        f"{name},{round(t / start_ns) * start_ns / 1e3:.1f},"
        f"{round(took / length_ns) * length_ns / 1e3:.1f}\n" for name, t, took in rows
    ))  # fmt: skip
    assert len(run.set_aside) <= 3
    for name, loops in self_ms(run).items():
        true = np.mean([took for which, _, took in rows if which == name]) / 1e6
        assert np.mean(loops) == pytest.approx(true, abs=(start_ns + length_ns) / 1e6)


def test_a_clock_that_cannot_tell_loops_apart_is_refused(tmp_path):
    """Loops of 5 ms by a clock of 100 ms: a rate of 10 a second would be wrong by twenty times."""
    rows = "".join(f"{n},{5 * k // 100 * 100},{700 + k * 37 % 90}\n"
                   for k in range(400) for n in ("gyro", "drive"))  # fmt: skip
    with pytest.raises(LogError, match=r"95 % of the calls of .* by 100 ms cannot tell loops"):
        read(tmp_path, "name,start_ms,duration_us\n" + rows)


@pytest.mark.parametrize("word", ["subsystem", "device", "component", "part", "step"])
def test_calls_named_by_what_they_are_of(tmp_path, word):
    """Where no other column names the calls, that of the subsystem does."""
    rows = "".join(
        f"{k},{name},{20_000 * k + at},{took}\n"
        for k in range(40) for name, at, took in (("drive", 0, 3000 + k), ("lift", 5000, 1500))
    )  # fmt: skip
    run = read(tmp_path, f"loop,{word},start_us,duration_us\n{rows}")
    assert [one.name for one in run.names] == ["drive", "lift"]
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


@pytest.mark.parametrize("apart", [True, False])
def test_waiting_and_running_told_apart_are_one_call(tmp_path, apart):
    """A read that waits 12 ms in every tenth loop: with its run where it does not hold the wait."""
    rows, now, took = [], 0, []
    for k in range(200):
        for name, wait, run in (("gyro", 12_000 if k % 10 == 3 else 5, 900), ("belt", 3, 2500)):
            rows.append(f"{now},{name},{wait},{run if apart else wait + run}\n")
            took.append(1000 * (wait + run))
            now += wait + run + 20
        now = max(now, 20_000 * (k + 1))
    run = read(tmp_path, "t_us,call,wait_us,run_us\n" + "".join(rows))
    assert run.call_columns.duration_ns.tolist() == took[: len(run.call_columns.duration_ns)]


@pytest.mark.parametrize("numbered", [True, False])
def test_calls_that_count_from_the_start_of_their_loop(tmp_path, numbered):
    """Each row has its loop's start, and where in the loop its call began and ended."""
    draw = np.random.default_rng(3)
    begin, rows, now = [], [], 5000
    for k in range(120):
        begin.append(now)
        gyro, belt = draw.integers(800, 1200), draw.integers(2000, 2400)
        for name, at, took in (("gyro", 7, gyro), ("belt", gyro + 12, belt)):
            cells = [now, name, at, at + took]
            rows.append(",".join(map(str, [k, *cells] if numbered else cells)))
        now += int(gyro + belt + draw.integers(900, 1100))
    header = (
        "loop,loop_start_us,name,enter_us,exit_us" if numbered else "top_us,name,enter_us,exit_us"
    )
    run = read(tmp_path, header + "\n" + "\n".join(rows))
    assert run.loop_columns.period_ns.tolist() == (1000 * np.diff(begin)).tolist()
    assert [one.name for one in run.names] == ["gyro", "belt"]
    balance(run)


@pytest.mark.parametrize("unit", [None, "s"])
def test_lengths_say_nothing_of_a_clock_that_they_do_not_fit(tmp_path, unit):
    """A clock in seconds that does not say so stands beside lengths in us, which keep theirs."""
    rows = [f"{(20 * k + start) / 1000:.4f},{name},{length * 1000}"
            for k in range(60) for name, start, length in CALLS]  # fmt: skip
    run = read(tmp_path, "t,name,dur_us\n" + "\n".join(rows) + "\n", unit=unit)
    assert (run.clock.unit, set(periods_ms(run))) == ("s", {20.0})
    assert {name: set(ms) for name, ms in self_ms(run).items()} == {
        "drive": {6.0}, "imu": {3.0}, "arm": {6.0},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("header", "factor"),
    [
        ("loop,start,step,ms", 1.0),
        ("loop,start,step,dur_us", 1e3),
        ("pass,at,stage,took", 1.0),
        ("nr,kiedy,krok,czas", 1e3),
        ("loop,start_s,name,cost", 1.0),
    ],
)
def test_lengths_in_another_unit_than_a_clock_that_names_none(tmp_path, header, factor):
    """Starts in seconds with lengths in ms or us: two calls, 9 ms and 2 ms, in loops of 20 ms."""
    rows = []
    for k in range(120):
        for name, begin, took in (("imu", 0.0, 9 + 0.01 * (k % 7)), ("drive", 0.01, 2.0)):
            rows.append(f"{k},{5 + 0.02 * k + begin:.6f},{name},{took * factor:.3f}\n")
    run = read(tmp_path, f"{header}\n{''.join(rows)}")
    assert run.layout == "calls"
    assert set(periods_ms(run)) == {20.0}
    found = self_ms(run)
    assert np.median(found["drive"]) == pytest.approx(2)
    assert np.median(found["imu"]) == pytest.approx(9.03)


def called(start, duration, name=None, **more):
    """Rows of timed calls [us]."""
    start, duration = (np.array(values, np.int64) * 1000 for values in (start, duration))
    name = np.zeros(len(start), np.int32) if name is None else np.array(name, np.int32)
    return CallRows(start, duration, name, ["imu", "arm", "lift"], **more)


@pytest.mark.parametrize(
    ("word", "side"),
    [("end", "end"), ("exit", "end"), ("start", "start"), ("enter", "start"), ("time", ""),
     ("micros", ""), ("krok", "")],
)  # fmt: skip
def test_what_a_header_says_of_its_instant(word, side):
    """A time may be of either end of its call."""
    assert _said(word) == side


@pytest.mark.parametrize(
    ("waits", "gap", "thread", "apart"),
    [
        ([9] * 3, 9, None, True),
        ([9] * 2, 9, None, False),
        ([9] * 3, 8, None, False),
        ([2] * 3, 9, None, False),
        ([9] * 20, 9, None, True),
        ([9] * 3, 8, [0, 1], True),
    ],
)
def test_a_wait_that_the_next_call_leaves_room_for_is_told_apart(waits, gap, thread, apart):
    """Runs of 2 ms: three waits of 9 ms, after which the next call of its thread begins.

    Waits no longer than a run tell nothing.
    """
    waited = np.append(waits, np.zeros(24 - len(waits), np.int64))
    ran = np.full(24, 2)
    room = np.where(waited > 2, gap, waited)
    start = np.cumsum(ran + room) - ran - room
    whose = None if thread is None else np.resize(thread, 24)
    found = _with_waits(start, ran, waited, whose)
    assert found.tolist() == (ran + waited if apart else ran).tolist()


def test_how_much_starts_and_lengths_are_rounded():
    """Starts in steps of 10 us and lengths in 1 us: calls may overlap by 11 us, and no more.

    Lengths that are all alike, or few, say nothing; nor do those that are rounded alike.
    """
    draw = np.random.default_rng(2)
    start, length = 10 * np.cumsum(draw.integers(50, 90, 40)), draw.integers(301, 400, 40)
    assert _rounding(called(start, length), 1000) == 11_000
    assert _rounding(called(start[:29], length[:29]), 1000) == 0
    assert _rounding(called(start[:30], length[:30]), 1000) == 11_000
    assert _rounding(called(start, np.full(40, 303)), 1000) == 0
    assert _rounding(called(start, 10 * (length // 10)), 1000) == 0


def test_an_outer_call_begins_no_later_than_what_lies_within():
    """The inner one was written first, ends no later, and begins half a millisecond earlier.

    Not so where the rounding is less, where it is the other way about, on another thread, or where
    the two do not lie within each other.
    """
    end = [30, 80, 90]
    start = np.array([0, 20, 21]) * 1000

    def made(rounding, start=start, end=end, thread=None):
        rows = called(start / 1000, np.array(end) - start / 1000)
        rows = replace(rows, thread=None if thread is None else np.array(thread))
        return (_with_parents(start, rows, rounding * 1000) / 1000).tolist()

    assert made(1) == [0, 20, 20]
    assert made(0) == [0, 20, 21]
    assert made(1, thread=[0, 0, 1]) == [0, 20, 21]
    assert made(1, thread=[1, 1, 1]) == [0, 20, 20]
    assert made(1, end=[30, 80, 79]) == [0, 20, 21]
    assert made(1, end=[30, 22, 90]) == [0, 20, 21]
    assert made(1, start=np.array([0, 21, 20]) * 1000) == [0, 21, 20]
    deep = np.array([20, 21, 22, 23]) * 1000
    assert made(1, start=deep, end=[80, 81, 82, 83]) == [20, 20, 20, 20]


@pytest.mark.parametrize(
    ("step", "lengths", "refused"),
    [(0, (3, 4), True), (5, (3, 4), False), (0, (3, 3), False), (0, (0, 0), False)],
)
def test_a_clock_that_stands_still_from_call_to_call(step, lengths, refused):
    """Two in three calls begin when the one before did, and last 3 and 4 us: no loop can be told.

    Rows of the same length are the same one, written again.
    """
    at = np.cumsum(np.resize([step, step, 100], 60))
    rows = called(at, np.resize(lengths, 60))
    if refused:
        with pytest.raises(LogError, match="cannot tell loops apart"):
            _check_instants(rows, None, "a.csv")
        _check_instants(called(at[:30], np.resize(lengths, 30)), None, "a.csv")
        thread = np.arange(60) // 40  # the busiest thread is asked
        with pytest.raises(LogError, match="67 % of the calls of 'imu'"):
            _check_instants(rows, thread, "a.csv")
    else:
        _check_instants(rows, None, "a.csv")


@pytest.mark.parametrize(("count", "ends"), [(20, True), (19, False)])
def test_twenty_rows_tell_that_stamps_are_ends(count, ends):
    """Two calls of 8 and 3 ms in turn without a gap, by their ends; starts do not cut across."""
    length = np.resize([8, 3], count)
    at = np.cumsum(length)
    assert _stamped_at_end(at, length, None) == ends
    assert not _stamped_at_end(at - length, length, None)
    whose = np.zeros(count, np.int64)
    assert _stamped_at_end(at, length, whose) == ends


def table(header, *columns):
    """Headers of a table, and how that is written."""
    sample = tuple(zip(*([str(cell) for cell in cells] for cells in columns), strict=True))
    return heads(header), Dialect(",", ".", header, 1, len(header), 2, sample=sample)


def parts(given):
    """Which column plays which part; None where the table is none of calls."""
    return None if given is None else {part: head.text for part, head in given.one.items()}


TIMES, LENGTHS, NAMES = range(0, 600, 10), [3, 4] * 30, ["imu", "arm"] * 30


@pytest.mark.parametrize("asked", [False, True])
def test_names_that_are_all_numbers_are_believed_where_it_is_asked_for(asked):
    """Else the column may hold anything."""
    found, like = table(("start", "name", "duration"), TIMES, [1, 2] * 30, LENGTHS)
    assert (fit(found, like, asked) is not None) == asked
    found, like = table(("start", "name", "duration"), TIMES, NAMES, LENGTHS)
    assert fit(found, like, asked) is not None


def test_a_column_that_only_says_ms_is_the_length_where_none_else_is():
    """Of two such columns neither is, and none where a header names the length or the end."""
    given, whole = by_header(heads(("start", "name", "ms")))
    assert (whole, given["duration"].text) == (True, "ms")
    assert by_header(heads(("start", "name", "ms", "us")))[1] is False
    assert by_header(heads(("start", "name", "took", "ms")))[0]["duration"].text == "took"
    assert by_header(heads(("name", "ms")))[1] is False


def test_the_start_of_the_loop_from_which_calls_count():
    """It goes on just where starts begin anew, in 30 of 60 rows; a number of the loop is none."""
    begin = np.repeat(20_000 * np.arange(32), 2)
    inside = np.resize([100, 5000], 64)
    names = np.resize(["imu", "arm"], 64)
    header = ("begin_of_loop_us", "start_us", "name", "duration_us")

    def told(base, start, name=header[0]):
        found, like = table((name, *header[1:]), base, start, names, np.full(64, 40))
        return parts(fit(found, like)).get("base")

    assert told(begin, inside) == header[0]
    assert told(begin // 20_000, inside, "n") is None
    assert told(begin[:64], np.cumsum(inside)) is None  # starts never fall
    assert told(begin - 3 * (np.arange(64) % 2), inside) is None  # it goes back
    assert told(np.full(64, 7), inside) is None


def test_lengths_fill_a_share_of_the_steps():
    """Of each name from call to call, ten steps at least, on each thread; the largest counts."""
    start = 10 * np.arange(24)
    names = np.resize(["imu", "arm"], 24)
    took = np.resize([4, 16], 24)

    def filled(*columns, header=("start", "name", "duration"), rows=24):
        found, like = table(header, *(np.asarray(column)[:rows] for column in columns))
        return _filled(by_header(found)[0], like)

    assert filled(start, names, took) == pytest.approx(0.8)  # arm: 16 of 20
    assert filled(start, names, took, rows=22) == pytest.approx(0.8)
    assert filled(start, names, took, rows=20) == 0.0
    assert filled(start, names, start + took, header=("start", "name", "end")) == 0.0
    thread = np.resize(["a", "a", "b", "b"], 24)
    header = ("start", "name", "duration", "thread")
    assert filled(start, names, took, thread, header=header) == 0.0  # five steps each


@pytest.mark.parametrize(
    ("apart", "judged"),
    [(lambda length, noise: length + 5, False), (lambda length, noise: noise, True),
     (lambda length, noise: 0.6 * length, True)],
)  # fmt: skip
def test_a_clock_that_tells_when_calls_were_over_is_no_second_one(apart, judged):
    """It lies behind the start by the length, to the half; calls of the commonest name are told."""
    draw = np.random.default_rng(3)
    start, length = 10_000 * np.arange(60), draw.integers(2000, 8000, 60)
    second = start + apart(length, draw.uniform(0, 100, 60))
    name = np.resize([0, 1, 1], 60)
    columns = {"start": start, "duration": length, "name": name, SECOND: second}
    found = _judged(SimpleNamespace(columns=columns))
    assert (found is not None) == judged
    if judged:
        assert found.tolist() == (name == 1).tolist()
    ends = {"start": start, "end": start + length, "name": name, SECOND: second}
    assert (_judged(SimpleNamespace(columns=ends)) is not None) == judged
    assert ends["duration"].tolist() == length.tolist()


@pytest.mark.parametrize(
    ("loops", "calls", "thread", "laid"), [(31, 3, False, True), (30, 3, False, False),
     (31, 3, True, False), (31, 60, False, False)],
)  # fmt: skip
def test_loops_that_are_each_counted_from_their_begin_are_laid_in_turn(loops, calls, thread, laid):
    """Thirty begin anew, a fiftieth of the rows, on one thread: the next behind the last's end."""
    start = np.tile(1_000_000 * np.arange(calls), loops)
    columns = {"start": start, "name": np.tile(np.arange(calls), loops)}
    columns |= {"thread": 0 * start} if thread else {}
    length = np.full(len(start), 400_000)
    assert _lay_in_turn(columns, length) == laid
    if laid:
        assert (np.diff(columns["start"]) > 0).all()
        assert columns["loop"].tolist() == np.repeat(np.arange(loops), calls).tolist()
    else:
        assert columns["start"] is start


@pytest.mark.parametrize("head", ["name,at,took_ms", "call,from,duration_ms"])
@pytest.mark.parametrize("clock", [False, True])
def test_words_under_a_header_of_instants_are_places(tmp_path, head, clock):
    """Where each call was made is no time: without a clock the names come in turn, with one it is.

    Scanning takes 6 ms, lifting 3 and driving 9, one after another.
    """
    calls = [("scan", "bench 3", 6), ("lift", "tray door", 3), ("drive", "aisle", 9)] * 50
    at, rows = 0, []
    for name, place, ms in calls:
        rows.append(f"{name},{place},{ms}" + f",{at}" * clock)
        at += ms
    run = read(tmp_path, "\n".join([head + ",start_ms" * clock, *rows]) + "\n")
    assert run.layout == ("calls" if clock else "sections")
    assert self_ms(run) == {n: pytest.approx([ms] * len(run))
                            for n, ms in (("scan", 6), ("lift", 3), ("drive", 9))}  # fmt: skip
    assert len(run) >= 49


@pytest.mark.parametrize("service", ["run_us", "inside_us", "service (us)"])
def test_beside_a_wait_the_one_other_length_is_the_rest_of_the_call(tmp_path, service):
    """Asked at 0, waits 200 us, runs 3000; loops of 10 ms, and a thread's rows between."""
    rows = [f"op,thread,start_us,waited_us,{service}"]
    for k in range(60):
        at = 10_000 * k
        rows += [
            f"readPods,main,{at},200,3000", f"scan,lidar,{at + 3300},0,1900",
            f"writePods,main,{at + 3210},0,{2500 + 10 * (k % 7)}",
        ]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n")
    run = looptime.read(str(path))
    assert (run.layout, len(run), run.thread_names) == ("calls", 59, ("main", "lidar"))
    assert run.call_columns.duration_ns[0] >= 3_000_000


@pytest.mark.parametrize("clock", ["start_us", "system_time_us", "timestamp", "time_us"])
def test_ends_beside_a_second_clock(tmp_path, clock):
    """Lengths come from ends, whatever the other clock is: loops of 10 ms, reads of 3 ms."""
    rows = "".join(
        f"{k},{name},{10 * k + at},{10 * k + at + took},{(10 * k + at) * 1000 + k % 3}\n"
        for k in range(60)
        for name, at, took in (("loop", 0, 10), ("gyro.read", 1, 3))
    )
    run = read(tmp_path, f"loop,name,start_ms,end_ms,{clock}\n" + rows)
    assert set(periods_ms(run)) == {10.0}
    assert set(self_ms(run)["gyro.read"]) == {3.0}


@pytest.mark.parametrize("header", ["loopNo", "cycle_id", "Iteration Nr", "loop"])
def test_the_number_of_the_loop_by_any_of_its_names(tmp_path, header):
    """Loops as numbered: a call may come twice in one, and in another order in the next."""
    rows = "".join(f"{k},gyro,{20 * k},2\n{k},{'drive' if k % 2 else 'gyro'},{20 * k + 5},3\n"
                   for k in range(40))  # fmt: skip
    run = read(tmp_path, f"{header},name,start_ms,duration_ms\n{rows}")
    assert run.loop_from == "the loop column"
    assert periods_ms(run) == [20.0] * 39


@pytest.mark.parametrize(
    ("header", "mark"),
    [("subsystem|method|began|ended|attempt", "|"), ("core;fn;t_in;t_out;bytes", ";"),
     ("result,action,started,stopped,size", ",")],
)  # fmt: skip
def test_begin_and_end_under_words_of_the_past(tmp_path, header, mark):
    """Two calls a loop of 20 ms, 3 and 5 ms long, in microseconds as their unit says."""
    rows = [
        mark.join(["x", name, str(20000 * k + at), str(20000 * k + at + took + k % 5), "1"])
        for k in range(60)
        for name, at, took in (("gyro.read", 0, 3000), ("drive", 3100, 5000))
    ]
    run = read(tmp_path, "\n".join([header, *rows]), unit="us")
    assert run.layout == "calls"
    found = self_ms(run)
    assert found["gyro.read"][0] == pytest.approx(3.0, abs=0.01)
    assert found["drive"][0] == pytest.approx(5.0, abs=0.01)
    assert set(periods_ms(run)) == {20.0}
