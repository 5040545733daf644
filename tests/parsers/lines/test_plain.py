"""What stands between lines of values, and text that holds none."""

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import PERIODS, lines


def test_text_between_the_lines_is_set_aside(tmp_path):
    """A banner, a message with numbers of its own and a blank line; the lines keep their number."""
    text = "=== board v3.2, 8 nodes ===\n" + lines("{t} imu={imu}ms drive={drive}ms")
    text = text.replace("150 ", "WARN: retry 3 of 5\n\n150 ")
    run = read(tmp_path, text)
    assert periods_ms(run) == PERIODS
    assert run.rows_read == 6
    assert run.set_aside.line.tolist() == [1, 4, 7]
    assert run.set_aside.counts == {"not a row": 2, "unfinished last loop": 1}


@pytest.mark.parametrize(
    "text",
    [
        "The robot ran 12 loops on 3 March.\nAfter 20 minutes it stood 4 times.\nSee page 9.\n",
        "Notes\nbattery 12.1 V at start\nloops seemed slow (50 ms?)\nTODO 2 things\n",
        '{"name": "carrier",\n "loops": 3,\n "mean_ms": 20.1\n}\n',
    ],
)
def test_prose_is_no_log(tmp_path, text):
    """A sentence now and then with a number in it is refused."""
    with pytest.raises(LogError):
        read(tmp_path, text)


def test_a_terminal_s_colours_are_no_numbers(tmp_path):
    """Codes for bold and green around the tag: the numbers are the line's own."""
    lines = [
        f"\x1b[32m[robot]\x1b[0m pass {k}: loop {20 + k % 3} ms, imu {2 + k % 2} ms"
        for k in range(40)
    ]
    run = read(tmp_path, "\x1b[1mtray carrier\x1b[0m\n" + "\n".join(lines) + "\n", "console.txt")
    assert periods_ms(run) == [20 + k % 3 for k in range(40)]
    assert self_ms(run)["imu"] == [2 + k % 2 for k in range(40)]


def test_means_of_many_loops_are_told(tmp_path):
    """An average beside the worst of fifty loops is no part of a loop, and nor is the worst."""
    lines = [f"50 passes, avg {19 + k % 3 / 10} ms, worst {25 + k % 7} ms" for k in range(40)]
    with pytest.raises(LogError, match="each row sums up many loops"):
        read(tmp_path, "\n".join(lines) + "\n", "console.txt")


@pytest.mark.parametrize(
    "sender", ["Mar 04 {h} carrier control[412]: ", "<30>Mai  7 {h} wagen7 ctl: ",
               "29 Feb {h} bench ctl[9]: "],
)  # fmt: skip
def test_lines_of_a_journal_without_a_year(tmp_path, sender):
    """Begins and ends behind day and sender are those of calls, past midnight as well."""
    rng = np.random.default_rng(6)
    start = np.cumsum(rng.integers(14_000, 17_000, 300))  # us
    steer, scan = rng.integers(2000, 3000, 300), rng.integers(1000, 2000, 300)
    first = 86_400 * 10**6 - 2 * 10**6

    def line(at, text):
        us = (first + at) % (86_400 * 10**6)
        s = us // 10**6
        return (
            sender.format(h=f"{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02}.{us % 10**6:06}") + text
        )

    lines = []
    for t, a, b in zip(start.tolist(), steer.tolist(), scan.tolist(), strict=True):
        lines += [line(t, "begin pass"), line(t + 5, "begin steer"), line(t + 5 + a, "end steer"),
                  line(t + 9 + a, "begin scan"), line(t + 9 + a + b, "end scan"),
                  line(t + 12 + a + b, "end pass")]  # fmt: skip
    run = read(tmp_path, "\n".join(lines) + "\n", "journal.txt")
    assert periods_ms(run) == pytest.approx(np.diff(start) / 1e3, abs=1e-9)
    found = self_ms(run)
    assert found["steer"] == pytest.approx(steer[:299] / 1e3, abs=1e-9)
    assert found["scan"] == pytest.approx(scan[:299] / 1e3, abs=1e-9)


@pytest.mark.parametrize("bar", "│║")
def test_a_table_that_was_drawn_on_a_terminal(tmp_path, bar):
    """Frames of lines and corners are no cells: 60 loops of 20 ms with two parts."""
    rows = "".join(f"{bar} {k:4} {bar} {20 * k:7} {bar} {2 + k % 3}.00 {bar} {8 + k % 2}.50 {bar}\n"
                   for k in range(60))  # fmt: skip
    head = f"{bar} loop {bar} time_ms {bar} imu_ms {bar} drive_ms {bar}\n"
    text = f"┌──────┬─────────┬──────┬──────┐\n{head}├──────┼─────────┼──────┼──────┤\n{rows}"
    run = read(tmp_path, f"{text}└──────┴─────────┴──────┴──────┘\n")
    assert set(periods_ms(run)) == {20.0}
    assert self_ms(run)["imu"][:3] == [2.0, 3.0, 4.0]
    assert self_ms(run)["drive"][:3] == [8.5, 9.5, 8.5]


@pytest.mark.parametrize(
    "line", ["loop {k} {us} us", "cycle {k} {ms:.3f} ms", "main loop {k} - {ms:.3f} ms"]
)
def test_a_word_a_number_and_a_length_are_a_loop(tmp_path, line):
    """Each line tells the number of a loop and how long it took: 18 to 22 ms."""
    ms = np.random.default_rng(2).uniform(18, 22, 80).round(3)
    text = "\n".join(line.format(k=3000 + k, us=round(1000 * m), ms=m) for k, m in enumerate(ms))
    run = read(tmp_path, text, name="log.log")
    assert periods_ms(run) == pytest.approx(ms[: len(run)])
    assert len(run) >= 79


def test_a_unit_at_the_root_is_that_of_each_loops_time(tmp_path):
    """A time of a loop under any of its names; nothing is inferred then."""
    rows = "".join(
        f'  <loop t="{20 * k}" gyro="{3 + k % 4}" arm="{6 - k % 3}"/>\n' for k in range(60)
    )
    run = read(tmp_path, f'<log time_unit="ms">\n{rows}</log>\n', "log.xml")
    assert (run.clock.unit, run.clock.unit_from) == ("ms", "log")


@pytest.mark.parametrize("word", ["seg", "sek", "sekunde", "segundo", "min", "ab"])
def test_a_word_before_a_number_is_its_name(tmp_path, word):
    """Which of the bench's segments is passed is no second of the path."""
    text = "".join(f"loop {k} path {k % 9} {word} {k % 4} imu {2 + k % 2} ms arm {4 + k % 3} ms\n"
                   for k in range(40))  # fmt: skip
    run = read(tmp_path, text, "console.txt")
    assert periods_ms(run) == [6 + k % 2 + k % 3 for k in range(40)]
