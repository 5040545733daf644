"""A run of a log that has a row a loop."""

from types import SimpleNamespace

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.assemble.run_of_loops import _whole
from looptime.parsers.layouts.contract import LoopRows, Outcast
from looptime.schema import REASONS
from tests.parsers.assemble.build import write
from tests.parsers.build import balance, read


def test_stamps(tmp_path):
    """One stamp a row: periods are the steps, the last row begins a loop that never ended."""
    run = looptime.read(write(tmp_path, "time_ms,heading\n0,1\n10,2\n25,3\n"))
    assert run.loop_columns.period_ns.tolist() == [10_000_000, 15_000_000]
    assert run.signals.values["heading_deg"].tolist() == [1.0, 2.0]
    assert run.set_aside.counts == {"unfinished last loop": 1}
    balance(run)


@pytest.mark.parametrize(
    ("header", "row", "step"),
    [("seq,time_us,imu_us", "{number},{us},2100", 1), ("t_us\tloop", "{us}\t{number}", 1),
     ("iteration;zeit_us;lenken_us", "{number};{us};2100", 10)],
)  # fmt: skip
def test_loops_missing_by_the_numbers_of_the_others(tmp_path, header, row, step):
    """Of 400 numbered loops 20 are not in the log and one row is damaged: 20 are missing."""
    chance = np.random.default_rng(3)
    time = np.cumsum(chance.normal(16_000, 60, 400)).astype(int)
    gone = set((20 + 19 * np.arange(20)).tolist())
    lines = [row.format(number=7 + step * k, us=us) for k, us in enumerate(time) if k not in gone]
    lines[5] = lines[5].replace(str(time[5]), "?")
    run = read(tmp_path, header + "\n" + "\n".join(lines) + "\n")
    assert run.clock.missing is not None
    assert run.clock.missing["count"] == 20
    assert max(run.loop_columns.period_ns) < 17_000_000


def test_loops_that_skip_no_number_are_all_there(tmp_path):
    """Nothing is missing where numbers go on, or begin anew with each recording."""
    text = "loop,time_us\n" + "".join(f"{k},{16_000 * k + k % 7}\n" for k in range(100))
    assert read(tmp_path, text).clock.missing is None


def test_a_damaged_number_passes_over_no_loops(tmp_path):
    """Of 400 loops 20 are not in the log: one number far too high for its place adds none."""
    lines = [f"{300 if k == 100 else k},{16_000 * k + k % 7},2100"
             for k in range(400) if k % 20 != 7]  # fmt: skip
    run = read(tmp_path, "seq,time_us,imu_us\n" + "\n".join(lines) + "\n")
    assert run.clock.missing is not None
    assert run.clock.missing["count"] == 20


@pytest.mark.parametrize(
    ("header", "row"),
    [("seq,time_us,imu_us", "{number},{us},2100"), ("t_us\tloop", "{us}\t{number}")],
)
def test_loops_missing_across_a_wrap_of_their_numbers(tmp_path, header, row):
    """Of 700 loops with an 8-bit number 12 are lost, 6 of them where it wraps: all are counted."""
    time = np.cumsum(np.random.default_rng(5).normal(16_000, 60, 700)).astype(int)
    gone = {*range(253, 259), 40, 41, 300, *range(600, 603)}
    lines = [row.format(number=k % 256, us=us) for k, us in enumerate(time) if k not in gone]
    run = read(tmp_path, header + "\n" + "\n".join(lines) + "\n")
    assert run.clock.missing is not None
    assert run.clock.missing["count"] == 12
    assert max(run.loop_columns.period_ns) < 17_000_000


@pytest.mark.parametrize(
    ("scan", "made"),
    [
        ([0.0, 3.1, 0.0, 0.0, 3.3, 0.0] * 20, 40),  # nothing or long: made in a third of the loops
        ([0.0, 0.3, 1.2, 2.4, 3.3, 0.1] * 20, 120),  # lengths down to nothing: 0 is a short one
        ([0.0, 0.6, 3.0, 3.0, 3.0, 0.0] * 20, 80),  # just a fifth of its usual length
        ([0.0, 0.59, 3.0, 3.0, 3.0, 0.0] * 20, 120),
        ([0.0, 0.02, 0.02, 0.02, 0.02, 0.0] * 20, 80),  # just twenty steps of the log
        ([0.0, 0.019, 0.019, 0.019, 0.019, 0.0] * 20, 120),
        ([0.0, 0.0, 0.0, 0.001, 0.001, 0.0] * 20, 120),  # one step of the log: 0 may be rounded
    ],
)
def test_a_part_of_no_length_was_not_made_where_it_is_long_in_other_loops(scan, made, tmp_path):
    """A column beside a gyro of 2 ms: how many calls it is, while the books balance as before."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{20 * k},{2 + k % 7 / 1000:.3f},{ms:.3f}\n" for k, ms in enumerate(scan))
    path.write_text("time_ms,gyro_ms,camera_ms\n" + rows, encoding="utf-8")
    run = looptime.read(path, cache=False)
    counts = dict(zip([n.name for n in run.names], np.bincount(run.call_columns.name), strict=True))
    assert counts["gyro"] == 119
    assert counts["camera"] == made - (scan[-1] > 0 or made == 120)
    assert run.call_columns.self_ns.sum() == round(1e6 * sum(scan[:-1])) + sum(
        2_000_000 + k % 7 * 1000 for k in range(119)
    )


@pytest.mark.parametrize(
    ("ended", "kept", "start", "aside"),
    [
        (False, [0, 3], [0, 20], {1: "rows lost around it", 2: "corrupt stamp",
                                  4: "unfinished last loop"}),
        (True, [1, 4], [0, 20], {0: "before first loop", 2: "rows lost around it",
                                 3: "corrupt stamp"}),
    ],
)  # fmt: skip
def test_only_loops_whose_length_is_known_are_kept(ended, kept, start, aside):
    """Stamps at 0, 10, 25, 20 and 30 ns, and rows missing after the second of them."""
    rows = LoopRows(np.arange(5), np.array([0, 10, 25, 20, 30]), ended=ended,
                    lost=np.arange(5) == 1)  # fmt: skip
    outcast = Outcast()
    made = _whole(SimpleNamespace(outcast=outcast), rows)
    assert made.row.tolist() == kept
    assert made.start.tolist() == start
    assert made.period.tolist() == [10, 10]
    reasons = zip(np.concatenate(outcast.row), np.concatenate(outcast.reason), strict=True)
    assert {int(row): REASONS[why] for row, why in reasons} == aside


@pytest.mark.parametrize(("rows", "said"), [("0,5\n", "holds a single loop"),
                                            ("0,5\n7,6\n", "holds a single loop")])  # fmt: skip
def test_one_length_is_no_run(tmp_path, rows, said):
    """One row, and two bare stamps, which are one length between them."""
    with pytest.raises(LogError, match=said):
        read(tmp_path, "time_ms,heading\n" + rows)
