"""Logs of slow loops alone that say so."""

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms

#: Loops of about 25 ms, some of the 10 ms ones of a minute: number, ms and how long.
SLOW = [(20 * k + k * k % 13, 210 * k + 10 * (k * k % 13), 24 + k % 5) for k in range(1, 60)]


@pytest.mark.parametrize(
    "line",
    ["SLOW loop {n} at {t} ms: took {d} ms (imu 1.{x}, arm 2{x}.4)",
     "WARN late loop #{n} at {t} ms: took {d} ms (imu 1.{x}, arm 2{x}.4)",
     "overlong cycle {n} at {t} ms: took {d} ms (imu 1.{x}, arm 2{x}.4)"],
)  # fmt: skip
def test_numbers_of_slow_loops_whatever_word_stands_before(tmp_path, line):
    """The numbers tell how many loops there are in between."""
    rows = [line.format(n=n, t=t, d=d, x=d % 7) for n, t, d in SLOW]
    with pytest.raises(LogError, match="where only slow loops are logged: a loop takes 10"):
        read(tmp_path, "\n".join(["only loops over 15 ms are printed", *rows]))


def test_a_loop_that_is_called_something_and_logged_whole(tmp_path):
    """Where each number follows upon the last one, all loops are there."""
    rows = [f"arm loop {k} at {20 * k} ms: took {9 + k % 3} ms" for k in range(60)]
    assert set(periods_ms(read(tmp_path, "\n".join(rows)))) == {20.0}


@pytest.mark.parametrize(
    "said",
    ["# only loops over 15 ms are printed", "# only slow loops", "# nur langsame Schleifen",
     "# seulement les boucles de plus de 15 ms", "# just cycles longer than 15 ms",
     "# only loops that were too slow", "# solo bucles lentos", "# only cycles over the deadline",
     "# nur Schleifen \N{LATIN SMALL LETTER U WITH DIAERESIS}ber 15 ms", "# only loops >= 15 ms"],
)  # fmt: skip
def test_a_title_that_says_that_slow_loops_alone_are_there(tmp_path, said):
    """Without numbers of the loops nothing but the title tells; without it the rows are loops."""
    rows = [f"{t},{d},1.{d % 7}" for _, t, d in SLOW]
    apart = f"{np.median(np.diff([t for _, t, _ in SLOW])):.4g} ms apart as a rule, of some 26 ms"
    with pytest.raises(LogError, match="holds slow loops only, as it says") as refused:
        read(tmp_path, "\n".join([said, "t_ms,total_ms,imu_ms", *rows]))
    assert apart in str(refused.value)


@pytest.mark.parametrize("said", ["# only the long corridor", "# only loops over 15 ms are marked"])
def test_a_title_over_rows_that_adjoin(tmp_path, said):
    """Loops of 20 ms one after another are all there, whatever is marked."""
    rows = [f"{20 * k},{15 + k % 4},{1 + k % 2}" for k in range(60)]
    run = read(tmp_path, "\n".join([said, "t_ms,total_ms,imu_ms", *rows]))
    assert set(periods_ms(run)) == {20.0}


@pytest.mark.parametrize(
    "said",
    ["# only the main loop, for a long match", "# just the arm loop over the whole match",
     "# only one loop, logged over 3 matches", "# only frames from the long corridor",
     "# nur die Schleife des Arms, lange Fahrt"],
)  # fmt: skip
def test_a_title_that_calls_something_else_long(tmp_path, said):
    """Short parts in loops of 20 ms say that there is a wait, and not that rows are missing."""
    rows = [f"{20 * k},{2700 + k % 7},{1600 + k % 5}" for k in range(60)]
    run = read(tmp_path, "\n".join([said, "t_ms,imu_us,arm_us", *rows]))
    assert set(periods_ms(run)) == {20.0}


@pytest.mark.parametrize("what", ["lost frame", "camera frame", "missed loop", "arm cycle"])
def test_a_count_that_does_not_go_with_the_clock_is_no_loops_number(tmp_path, what):
    """It rises by one or two from one loop of 20 ms to the next: no loop is missing."""
    rows = [f"[{20 * k} ms] imu {30 + k % 3}00 us, arm {40 + k % 5}00 us, {what} "
            f"{k + k * k % 7 // 4 + k // 2}" for k in range(60)]  # fmt: skip
    run = read(tmp_path, "\n".join(rows))
    assert list(periods_ms(run)) == 59 * [20.0]
    assert set(self_ms(run)) == {"imu", "arm"}


def test_slow_loops_a_second_apart_are_no_index(tmp_path):
    """A clock of whole seconds that happens to count the rows; other columns tell nothing."""
    rows = [f"{k},{24 + k % 5},,{11 + k % 2}" for k in range(60)]
    with pytest.raises(LogError, match="1000 ms apart as a rule, of some 26 ms"):
        read(tmp_path, "\n".join(["# only slow loops", "t_s,total_ms,spare_ms,trays", *rows]))


@pytest.mark.parametrize(
    ("header", "row"),
    [("t_ms,battery_v", "{t},12.{x}"), ("total_us,imu_us", "2{x},1{x}")],
)
def test_where_clock_or_lengths_are_missing_a_title_tells_nothing(tmp_path, header, row):
    """How far rows are apart in lengths of their loops is not known."""
    draw = np.random.default_rng(3)
    rows = [row.format(t=20 * k + k % 3, x=draw.integers(100, 999)) for k in range(60)]
    assert len(read(tmp_path, "\n".join(["# only slow loops", header, *rows]))) in (59, 60)
