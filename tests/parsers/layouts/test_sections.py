"""Long rows of a name and a duration, without any clock."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.layouts.sections import in_turn_by_value
from tests.parsers.build import periods_ms, read, self_ms, unattributed_ms
from tests.parsers.layouts.section_rows import CYCLES, DRIVE, GYRO, flat, text


def test_the_duration_may_stand_first(tmp_path):
    """Headerless rows are told by what is a word and what a number."""
    rows = [",".join(reversed(row.split(","))) for row in flat(CYCLES)]
    assert periods_ms(read(tmp_path, text(rows, ""))) == [5.0, 5.0, 8.0, 7.0, 6.0]


def test_long_rare_section_is_part_of_its_loop(tmp_path):
    """One stall in the middle is no total of the run."""
    rows = [*flat(CYCLES * 10), *CYCLES[0], "camera.open,120", *flat(CYCLES * 10)]
    run = read(tmp_path, text(rows))
    assert run.set_aside.counts == {}
    assert max(periods_ms(run)) == 125.0


@pytest.mark.parametrize("place", ["first", "last"])
def test_row_that_is_the_whole_loop(tmp_path, place):
    """A section called total is the period, before or after its parts; the rest is unattributed."""
    rows = []
    for a, b in zip(GYRO, DRIVE, strict=True):
        total, parts = [f"total,{a + b + 2}"], [f"gyro,{a}", f"drive,{b}"]
        rows += total + parts if place == "first" else parts + total
    run = read(tmp_path, text(rows))
    assert periods_ms(run) == [7.0, 7.0, 10.0, 9.0, 8.0]
    assert unattributed_ms(run) == [2.0] * 5
    assert sorted(self_ms(run)) == ["drive", "gyro"]


def test_total_below_its_parts(tmp_path):
    """A given total smaller than the sum of the parts leaves a negative rest, not a lie."""
    rows = [r for a, b in zip(GYRO, DRIVE, strict=True)
            for r in (f"gyro,{a}", f"drive,{b}", f"total,{a + b - 1}")]  # fmt: skip
    assert unattributed_ms(read(tmp_path, text(rows))) == [-1.0] * 5


def test_section_that_is_the_sum_of_others(tmp_path):
    """A timer around two others is not counted twice."""
    rows = []
    for k, (a, b) in enumerate(zip(GYRO, DRIVE, strict=True)):
        rows += [f"gyro,{a}", f"drive,{b}", f"update,{a + b}", f"log,{k + 1}"]
    run = read(tmp_path, text(rows))
    assert self_ms(run)["update"] == [0.0] * 5
    assert periods_ms(run) == [6.0, 7.0, 11.0, 11.0, 11.0]
    assert unattributed_ms(run) == [0.0] * 5


def test_section_timed_twice_in_a_loop(tmp_path):
    """Both rows count in their loop."""
    rows = flat([(a, b, "gyro2,1", "gyro2,1") for a, b in CYCLES])
    run = read(tmp_path, text(rows))
    assert self_ms(run)["gyro2"] == [2.0] * 5
    assert len(run) == 5


def test_what_the_timer_of_a_whole_run_says(tmp_path):
    """One timer of the whole run over its loops is how long each took, waits and all."""
    run = read(tmp_path, text([*["update,4", "update,5"] * 60, "main_loop,2400"]))
    assert len(run) == 120
    assert any("2.4 s for 120 loops are 20 ms a loop" in note for note in run.clock.notes)


@pytest.mark.parametrize(
    ("header", "options"), [("thread", {}), ("thread", {"loop_call": "gyro"}), ("who", {})]
)
def test_sections_of_other_threads_take_nothing_of_the_loop(tmp_path, header, options):
    """Two sections a loop, and a thread that polls now and then: it is set aside and said."""
    rows = [f"{header},section,duration_ms"]
    for k in range(30):
        rows += ["main,gyro,3", *["imu,poll,50"] * (k % 3), "main,drive,5"]
    run = read(tmp_path, "\n".join(rows) + "\n", **options)
    assert periods_ms(run) == [8] * 30
    assert run.set_aside.counts == {"other thread": 30}
    assert any("30 rows of other threads (imu)" in note for note in run.clock.notes)
    one, other = looptime.read_log(tmp_path / "log.csv", by=header).runs
    assert sorted([periods_ms(one)[0], periods_ms(other)[0]]) == [8, 50]


@pytest.mark.parametrize("order", ["back", "any"])
def test_instants_in_no_order_are_no_lengths(tmp_path, order):
    """Names that come in turn once rows are sorted by time have instants, not lengths."""
    rows = [f"{20 * k + at},{name}" for k in range(30)
            for at, name in ((0, "loop"), (2, "imu done"), (3, "drive done"))]  # fmt: skip
    rows = (
        rows[::-1]
        if order == "back"
        else [rows[k] for k in np.random.default_rng(1).permutation(90)]
    )
    with pytest.raises(LogError, match=r"is a clock|its times|does not go on"):
        read(tmp_path, "time_ms,event\n" + "\n".join(rows))


@pytest.mark.parametrize("names", [2, 3, 5])
def test_lengths_come_in_turn_by_chance_hardly_ever(names):
    """Of 1,000 logs of 10 to 40 random lengths a name at most 2 are taken for instants."""
    draw = np.random.default_rng(names)
    found = sum(
        in_turn_by_value(np.tile([str(k) for k in range(names)], count), draw.random(names * count))
        for count in (10, 20, 39, 40)
        for _ in range(250)
    )
    assert found <= 2


def test_times_that_run_on_within_a_loop_are_instants_since_its_start(tmp_path):
    """A stopwatch read after each section, set back once a loop: the last is the loop."""
    took = np.random.default_rng(6).uniform(0.4, 1.6, (200, 4)).round(3)
    took[9::50, 2] += 8
    names = ("imu", "odometry", "lift", "send")
    log = "section,ms\n" + "".join(
        f"{name},{at:.3f}\n"
        for row in np.cumsum(took, axis=1)
        for name, at in zip(names, row, strict=True)
    )
    run = read(tmp_path, log)
    assert periods_ms(run) == pytest.approx(took.sum(axis=1).tolist()[: len(periods_ms(run))])
    assert len(periods_ms(run)) >= 199
    for at, name in enumerate(names):
        assert self_ms(run)[name] == pytest.approx(took[: len(periods_ms(run)), at].tolist())
    assert any("run on within every loop" in note for note in run.clock.notes)


def test_sections_that_are_longer_from_one_to_the_next_are_lengths(tmp_path):
    """Each is longer than the one before and goes its own way: the loop is their sum."""
    took = (np.random.default_rng(7).uniform(1, 1.4, (200, 4)) * [0.5, 1, 2, 4]).round(3)
    log = "section,ms\n" + "".join(
        f"{name},{ms:.3f}\n" for row in took for name, ms in zip("abcd", row, strict=True)
    )
    assert sum(periods_ms(read(tmp_path, log))) == pytest.approx(took.sum(), rel=0.01)


@pytest.mark.parametrize("whole", ["ciclo", "tour", "alles"])
def test_a_row_that_holds_all_others_of_its_loop_is_the_loop_under_any_word(tmp_path, whole):
    """Three parts and 0.2 ms of rest, by hand; a fourth part as long as the others is none."""
    draw = np.random.default_rng(3)
    parts = (np.array([2.0, 3.0, 5.0]) + 0.2 * draw.standard_normal((60, 3))).round(2)
    rests = (0.2 + 0.01 * draw.standard_normal(60)).round(2)
    rows, own = [], []
    for three, rest in zip(parts, rests, strict=True):
        rows += [f"{name},{took:.2f}" for name, took in zip("abc", three, strict=True)]
        rows.append(f"{whole},{three.sum() + rest:.2f}")
        own.append(f"{whole},{10.2 + 0.2 * draw.standard_normal():.2f}")
    run = read(tmp_path, "what,took_ms\n" + "\n".join(rows) + "\n")
    assert periods_ms(run) == pytest.approx(parts.sum(axis=1) + rests)
    other = [own[k // 4] if k % 4 == 3 else row for k, row in enumerate(rows)]
    run = read(tmp_path, "what,took_ms\n" + "\n".join(other) + "\n")
    assert np.mean(periods_ms(run)) == pytest.approx(parts.sum(axis=1).mean() + 10.2, abs=0.1)


@pytest.mark.parametrize("header", ["loop,section,us", "section,us"])
def test_two_logs_line_by_line_are_told(tmp_path, header):
    """Each section stands twice in turn; where only one does, it is called twice."""
    numbered = header.startswith("loop")

    def log(times):
        rows = [
            (k, name, took - (k * k) % 197 - i)
            for k in range(60)
            for name, took in (("gyro", 2000), ("belt", 900), ("drive", 3100))
            for i in range(times[name])
        ]
        cells = [row if numbered else row[1:] for row in rows]
        return read(tmp_path, header + "\n" + "\n".join(",".join(map(str, c)) for c in cells))

    told = "each section stands 2 times in turn: as many logs may be merged line by line"
    assert told in log({"gyro": 2, "belt": 2, "drive": 2}).clock.notes
    assert told not in log({"gyro": 2, "belt": 1, "drive": 1}).clock.notes


def test_a_rate_beside_the_length_is_no_second_one(tmp_path):
    """Bytes, and kilobytes a second, of each call."""
    rows = [f"{k},{name},{took + k % 3},96,{96e3 / took:.1f}" for k in range(30)
            for name, took in (("belt", 2200), ("gyro", 700))]  # fmt: skip
    run = read(tmp_path, "loop,call,us,bytes,kB_per_s\n" + "\n".join(rows))
    assert self_ms(run)["belt"][:3] == [2.2, 2.201, 2.202]
