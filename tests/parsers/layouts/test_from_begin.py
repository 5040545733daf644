"""Calls whose instants count from the begin of their loop, under headers that nobody knows."""

import json

import numpy as np
import pytest

from looptime.errors import LogError
from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.from_begin import begin_of, counted
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

#: Calls of a loop with their instants in it and lengths [ms]; a rare one comes every fourth loop.
CALLS = [("gyro", 0.0, 2.5), ("enc", 2.6, 1.2), ("drive", 3.9, 3.1)]
RARE = ("charge", 7.1, 6.0)
LOOPS = 48


def rows(rare=False):
    """Number and begin of the loop, name, instant and length of each call [ms].

    A loop lasts for 8 ms and, where the rare call is made, for 14.
    """
    made, begin = [], 0.0
    for loop in range(LOOPS):
        often = rare and loop % 4 == 3
        for name, at, long in [*CALLS, RARE][: 4 if often else 3]:
            made.append((loop, begin, name, at and at + loop % 3 / 100, long + loop % 5 / 100))
        begin += 14.0 if often else 8.0
    return made


def check(run, rare=False):
    """Periods of 8 and 14 ms, and what the calls take of them."""
    assert run.layout in ("calls", "values")
    want = [14.0 if rare and loop % 4 == 3 else 8.0 for loop in range(LOOPS - 1)]
    assert periods_ms(run) == pytest.approx(want)
    own = self_ms(run)
    assert own["enc"] == pytest.approx([1.2 + loop % 5 / 100 for loop in range(LOOPS - 1)])
    if rare:
        assert sum(own["charge"]) == pytest.approx(sum(6 + k % 5 / 100 for k in range(3, 47, 4)))


@pytest.mark.parametrize("rare", [False, True])
@pytest.mark.parametrize(
    "header", ["cycle;step;offset_ms;took_ms;cycle_start_ms", "runde;was;versatz_ms;ms;beginn_ms",
               "loop;call;elapsed_ms;took_ms;t_ms", "tour;sensor;decalage;duree;debut"],
)  # fmt: skip
def test_instants_in_the_loop_and_its_begin(tmp_path, header, rare):
    """Together they are the starts of the calls, whatever the headers say of each."""
    text = "".join(f"{k};{name};{at:.3f};{long:.3f};{begin:.3f}\n"
                   for k, begin, name, at, long in rows(rare))  # fmt: skip
    check(read(tmp_path, f"{header}\n{text}"), rare)


def test_each_column_in_a_unit_of_its_own(tmp_path):
    """Begins in seconds or as dates, instants in us, in another order; ends in place of lengths."""
    text = "".join(f"{begin / 1e3:.6f},{name},{1e3 * at:.0f},{k},{1e3 * (at + long):.0f}\n"
                   for k, begin, name, at, long in rows())  # fmt: skip
    check(read(tmp_path, f"inicio_s,que,desde_us,vuelta,hasta_us\n{text}"))
    text = "".join(f"2026-05-03T10:00:{begin / 1e3:09.6f},{name},{1e3 * at:.0f},{long:.3f}\n"
                   for _, begin, name, at, long in rows())  # fmt: skip
    check(read(tmp_path, f"loop start,action,since start (us),time (ms)\n{text}"))


def test_lines_that_name_their_values(tmp_path):
    """The same from objects and from pairs, without a unit."""
    lines = [{"lap": k, "began": begin, "sensor": n, "after": at, "lasted": long}
             for k, begin, n, at, long in rows()]  # fmt: skip
    check(read(tmp_path, "\n".join(map(json.dumps, lines)) + "\n", unit="ms"))
    pairs = (" ".join(f"{key}={value}" for key, value in line.items()) for line in lines)
    check(read(tmp_path, "\n".join(pairs) + "\n", unit="ms"))


def test_without_the_begins_loops_are_laid_one_after_another(tmp_path):
    """A loop lasts until its last call ends, and that is said."""
    text = "".join(f"{name};{at:.3f};{k};{long:.3f}\n" for k, _, name, at, long in rows())
    run = read(tmp_path, f"schritt;versatz_ms;runde;dauer_ms\n{text}")
    ends = [7.0 + loop % 3 / 100 + loop % 5 / 100 for loop in range(LOOPS - 1)]
    assert periods_ms(run) == pytest.approx(ends)
    assert "no clock in the log" in " ".join(run.clock.limits)


def test_rows_of_one_number_are_no_loops(tmp_path):
    """Where nothing says when calls began, or in a few rows, they are refused with what helps."""
    text = "".join(f"{k};{name};{long:.3f};{begin:.3f}\n" for k, begin, name, _, long in rows())
    with pytest.raises(LogError, match=r'--columns "loop,name,duration_ms,skip"'):
        read(tmp_path, f"runde;schritt;dauer_ms;beginn_ms\n{text}")
    run = read(tmp_path, f"loop;name;duration_ms;skip\n{text}")
    assert periods_ms(run)[:2] == pytest.approx([6.8, 6.83])  # three calls, 0.01 ms more each
    few = "".join(f"{k};{name};{at:.3f};{long:.3f};{begin:.3f}\n"
                  for k, begin, name, at, long in rows()[:18])  # fmt: skip
    with pytest.raises(LogError, match="such rows are calls of one loop and no loops"):
        read(tmp_path, f"cycle;step;offset_ms;took_ms;cycle_start_ms\n{few}")


def test_senders_that_count_alike_are_read_each_by_itself(tmp_path):
    """Two boards in even turns are no loop of twice the rate; a state beside loops parts none."""
    text = "".join(f"{k},{name},{20 * k + at},{6 + k % 4 / 10}\n"
                   for k in range(60) for name, at in (("left", 0), ("right", 10)))  # fmt: skip
    with pytest.raises(LogError, match="--by board"):
        read(tmp_path, f"seq,board,t_ms,work_ms\n{text}")
    text = "".join(f"{k},{'idle' if k % 20 < 10 else 'grip'},{20 * k},{2 + k % 4 / 10},5\n"
                   for k in range(60))  # fmt: skip
    assert set(periods_ms(read(tmp_path, f"cycle,step,t_ms,read_ms,drive_ms\n{text}"))) == {20.0}


def table(**columns):
    """Heads and dialect of a table."""
    lines = zip(*(column.tolist() for column in columns.values()), strict=True)
    text = "".join(",".join(map(str, line)) + "\n" for line in lines)
    like = sniff(f"{','.join(columns)}\n{text}", "a.csv")
    return heads(like.header), like


def test_what_begins_anew():
    """Near nought with every loop, thirty times at least; a wrapped or a falling column does not.

    Begins without a unit are in the one in which a loop lasts until its last call at least.
    """
    inside, begin = np.resize([0, 3, 7], 120), np.repeat(10 * np.arange(40), 3)
    found, like = table(a_us=1000 * inside, b=begin)
    (one,) = counted(found, like)
    assert (one.head.text, one.base.text, one.base.unit) == ("a_us", "b", "ms")
    assert (one.laid(one.at)[:4] == [0, 3000, 7000, 10_000]).all()
    assert counted(*table(a=inside[:60], b=begin[:60])) == []  # 19 falls
    assert counted(*table(a=inside + 4, b=begin)) == []
    assert counted(*table(a=7 - inside, b=begin)) == []
    found, like = table(a=inside, b=begin // 10)
    assert begin_of(found[0], found[1:], like) is None  # it numbers the loops


def test_rows_that_only_say_when_each_call_ended_ask_for_more(tmp_path):
    """No names of columns would make lengths of them: none is offered."""
    ends = [(k, name, 20 * k + at) for k in range(30) for name, at in (("imu", 2), ("drive", 7))]
    rows = "".join(f"{k},{name},{at}\n" for k, name, at in ends)
    with pytest.raises(LogError, match="nothing says how long each takes") as caught:
        read(tmp_path, "lap,what,end_ms\n" + rows)
    assert "--" not in str(caught.value)
