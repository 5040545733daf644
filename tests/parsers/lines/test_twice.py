"""Lines that a logger with two places to write to writes twice each."""

import looptime
from looptime.parsers.lines.twice import once

LINES = [f"[{at} us] {name}: {1000 + 7 * k % 90} us"
         for k in range(60) for at, name in ((20_000 * k + 1_500, "gyro"),
                                             (20_000 * k + 9_000, "drive"))]  # fmt: skip


def read(tmp_path, lines):
    """The run of some lines."""
    path = tmp_path / "robot.log"
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    (run,) = looptime.read_log(path, cache=False).runs
    return run


def test_lines_written_twice_make_the_loops_that_they_make_once(tmp_path):
    """The second of each is set aside as a duplicate, and every row is accounted for."""
    run = read(tmp_path, LINES)
    twice = read(tmp_path, [line for line in LINES for _ in "12"])
    assert twice.loop_columns.period_ns.tolist() == run.loop_columns.period_ns.tolist()
    assert twice.set_aside.counts["duplicate row"] == len(LINES)
    assert twice.rows_read == 2 * len(LINES) == twice.rows_used + len(twice.set_aside.line)


def test_a_value_that_is_logged_twice_alike_stays():
    """Few lines in a row alike, or the same line again later, are what the robot did."""
    assert once(["0 a=1", "0 a=1", "1 a=1", "2 a=1"])[1] == []
    assert once([*(["a=1"] * 2), *(["a=2"] * 2), *(["a=1"] * 2)])[1] == []
    assert once([]) == ([], [])


def test_nine_runs_in_ten_are_just_enough():
    """Nine lines that stand twice and one that stands once; with eight of nine it is too few."""
    twice = [f"{k} a=1" for k in range(9) for _ in "12"]
    assert len(once([*twice, "9 a=1"])[1]) == 9
    assert once([*twice[2:], "9 a=1"])[1] == []


def test_nine_in_ten_lines_are_enough():
    """A header stands once, and one line was cut; blank lines and comments count for nothing."""
    lines = ["# robot", "time_us,key,value", *(f"{k // 3},a,1" for k in range(60)), "", "20,a,"]
    left, again = once(lines)
    assert again == [k for k in range(2, 62) if (k - 2) % 3]
    assert [line for line in left if line] == [
        "# robot", "time_us,key,value", *(f"{k},a,1" for k in range(20)), "20,a,",
    ]  # fmt: skip
    assert once([*lines, *(f"{k},b,1" for k in range(9))])[1] == []
