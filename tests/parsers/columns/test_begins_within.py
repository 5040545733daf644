"""Columns that say when in the loop a part began."""

import numpy as np
import pytest

from looptime.parsers.columns.begins_within import begins_within
from looptime.parsers.columns.headers import heads
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

#: Lengths of three parts one after another in loops of 10 ms [us], with 4 us before each.
MEANS = {"imu": 900, "drive": 2600, "radio": 750}


def log(header, row):
    """200 loops; `row` makes cells of a start of the loop, begins and lengths [us]."""
    draw = np.random.default_rng(8)
    lines, sums = [header], dict.fromkeys(MEANS, 0)
    for k in range(200):
        lengths = [round(m * (1 + 0.07 * draw.standard_normal())) for m in MEANS.values()]
        begins = [4, 8 + lengths[0], 12 + lengths[0] + lengths[1]]
        lines.append(",".join(map(str, row(500_000 + 10_000 * k + k % 7, begins, lengths))))
        for name, took in zip(MEANS, lengths, strict=True):
            sums[name] += took if k < 199 else 0
    return "\n".join(lines), {name: total / 199 / 1000 for name, total in sums.items()}


def pairs(start, begins, lengths):
    """A begin before each length."""
    return start, *(cell for pair in zip(begins, lengths, strict=True) for cell in pair)


def beside(start, begins, lengths):
    """All lengths, then all begins."""
    return start, *lengths, *begins


def in_ms(start, begins, lengths):
    """Begins in ms beside lengths in us."""
    return pairs(start, [begin / 1000 for begin in begins], lengths)


def overlapping(start, begins, lengths):
    """Parts that are stamped by themselves: each seems to begin before the last is over."""
    early = [0, *(length // 100 for length in lengths[:-1])]
    return pairs(start, [b - e for b, e in zip(begins, early, strict=True)], lengths)


@pytest.mark.parametrize(
    ("header", "row"),
    [("t_us,imu_at,imu_us,drive_at,drive_us,radio_at,radio_us", pairs),
     ("t_us,imu_start,imu_us,drive_start,drive_us,radio_start,radio_us", pairs),
     ("t_us,imu_at_us,imu_us,drive_at_us,drive_us,radio_at_us,radio_us", pairs),
     ("t_us,imu_us,drive_us,radio_us,imu_offset,drive_offset,radio_offset", beside),
     ("t_us,at_imu,imu,at_drive,drive,at_radio,radio", pairs),
     ("t_us,imu_start,imu_took_us,drive_start,drive_took_us,radio_start,radio_took_us", pairs),
     ("t_us,imu_at,imu_us,drive_at,drive_us,radio_at,radio_us", overlapping),
     ("t_us,imu_begin_ms,imu_us,drive_begin_ms,drive_us,radio_begin_ms,radio_us", in_ms)],
)  # fmt: skip
def test_begins_within_the_loop_are_no_parts(tmp_path, header, row):
    """The parts are the lengths beside them, each as long as it was made."""
    text, expected = log(header, row)
    run = read(tmp_path, text)
    assert np.median(periods_ms(run)) == pytest.approx(10.001, abs=0.002)
    took = {name.removesuffix("_took"): np.mean(ms) for name, ms in self_ms(run).items()}
    assert took == pytest.approx(expected)


def test_parts_whose_names_say_at_but_that_are_in_no_order(tmp_path):
    """A length of its own beside another of the same stem stays a part."""
    text, _ = log("t_us,imu_at_us,imu_us,drive_at_us,drive_us,radio_at_us,radio_us",
                  lambda t, begins, took: pairs(t, [700, 300, 500], took))  # fmt: skip
    named = {name.name for name in read(tmp_path, text).names}
    assert {"imu_at", "drive_at", "radio_at"} <= named


@pytest.mark.parametrize("loop_us", [5_000, 14_000])
def test_lengths_without_a_unit_beside_a_clock_in_another(tmp_path, loop_us):
    """In ns everything would fit into a loop that is paced; in us the work fills much of it."""
    text, expected = log("t_ms,at_imu,imu,at_drive,drive,at_radio,radio",
                         lambda t, b, d: pairs(t // 10_000 * loop_us / 1000, b, d))  # fmt: skip
    run = read(tmp_path, text)
    assert np.median(periods_ms(run)) == loop_us / 1000
    assert {name: np.mean(ms) for name, ms in self_ms(run).items()} == pytest.approx(expected)


def test_lengths_of_any_unit_are_none(tmp_path):
    """What takes 4 us or 4 ns of a loop of 200 ms may be either: no part of it is told."""
    text, _ = log("t_ms,at_imu,imu,at_drive,drive,at_radio,radio",
                  lambda t, b, d: pairs(t / 50, b, d))  # fmt: skip
    assert not self_ms(read(tmp_path, text))


def test_begins_in_whole_ms_beside_lengths_in_us(tmp_path):
    """Cut off, so that a part seems to begin up to 1 ms before the last is over."""
    text, expected = log(
        "t_us,imu_at_ms,imu_us,drive_at_ms,drive_us,radio_at_ms,radio_us",
        lambda t, b, d: pairs(t, [2 * x // 1000 for x in b], [2 * x for x in d]),
    )
    took = {name: np.mean(ms) for name, ms in self_ms(read(tmp_path, text)).items()}
    assert took == pytest.approx({name: 2 * ms for name, ms in expected.items()})


@pytest.mark.parametrize(
    "header",
    ["imu_at_us,imu,drive_at_us,drive,radio_at_us,radio",
     "imu_at,imu_us,drive_at,drive_us,radio_at,radio_us"],
)  # fmt: skip
def test_parts_of_little_of_the_loop_whose_unit_is_stated(tmp_path, header):
    """4 ms of loops of 200 ms: headers of the begins, or of the lengths, say the unit."""
    text, expected = log(f"t_ms,{header}", lambda t, b, d: pairs(t / 50, b, d))
    took = {name: np.mean(ms) for name, ms in self_ms(read(tmp_path, text)).items()}
    assert took == pytest.approx(expected)


def told(header, row, *, clock=True, rows=30):
    """Columns that are begins, and units of others; of loops of 10 ms, cells in us."""
    lines = [",".join(map(str, row(k % 2, 3 * (k % 3), k))) for k in range(rows)]
    like = sniff("\n".join([header, *lines]), "log.csv")
    times = np.cumsum(np.full(rows, 1e7)) if clock else None
    begins, units = begins_within(heads(like.header), like, times, 1000 if clock else None)
    return sorted(begins), units


def test_without_a_clock_the_begins_alone_say_the_unit():
    """Lengths are in it where it is stated, and in none where it is not."""
    row = lambda d, e, k: (4 + d, 900 + e, 950 + d + e, 2600)  # noqa: E731
    assert told("imu_at_us,imu,drive_at_us,drive", row, clock=False) == ([0, 2], {1: "us", 3: "us"})
    assert told("imu_at,imu,drive_at,drive", row, clock=False) == ([0, 2], {})


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("imu_at_us,imu_us", lambda d, e, k: (4 + d, 900 + e)),  # one tells nothing
        ("at_us,took_us,start_us,len_us", lambda d, e, k: (4 + d, 900 + e, 950 + e, 800)),
        ("imu_at_us,imu_us,imu_took_us,arm_at_us,arm_us",  # which of the two?
         lambda d, e, k: (4 + d, 900 + e, 700 + e, 950 + e, 800)),
        ("imu_at,imu_us,arm_at,arm_us", lambda d, e, k: ("left", 900 + e, "right", 800)),
        ("imu_at_ms,imu,arm_at_ms,arm", lambda d, e, k: (1 + d, 900 + e, 5 + d, 800)),  # no ms
        ("imu_at,imu_end,arm_at,arm_end",  # instants nearby, in any unit
         lambda d, e, k: (9000 + e, 9002 + e, 9004 + e, 9005 + e)),
        ("imu_at_us,imu_us,arm_at_us,arm_us", lambda d, e, k: (4 + d, 900, 950 + e, 9900)),
        ("imu_from_us,imu_to_us,arm_from_us,arm_to_us",  # it ends before it begins
         lambda d, e, k: (4 + d, 900, 1950 + e, 1200)),
    ],
)  # fmt: skip
def test_what_does_not_lie_one_after_another_within_the_loop_is_none(header, row):
    """In each row something is against it."""
    assert told(header, row) == ([], {})


def test_begins_of_the_run_are_none():
    """Without a clock: they go on from row to row."""
    row = lambda d, e, k: (10_000 * k, 900 + e, 10_000 * k + 950, 2600)  # noqa: E731
    assert told("imu_at_us,imu_us,arm_at_us,arm_us", row, clock=False) == ([], {})


def test_a_few_rows_tell_nothing():
    """The order of five may be chance."""
    row = lambda d, e, k: (4 + d, 900 + e, 950 + e, 2600)  # noqa: E731
    assert told("imu_at_us,imu_us,arm_at_us,arm_us", row, rows=5) == ([], {})
    assert told("imu_at_us,imu_us,arm_at_us,arm_us", row, rows=20) == ([0, 2], {})


def test_ends_tell_begins_beside_them():
    """Whether these are instants, too, is asked elsewhere."""
    row = lambda d, e, k: (4 + d, 904 + e, 950 + e, 3550)  # noqa: E731
    assert told("imu_start_us,imu_end_us,arm_start_us,arm_end_us", row) == ([0, 2], {})
