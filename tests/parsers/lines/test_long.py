"""Tables of times, keys and values: what is taken for one, and what is refused."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines.long import find_long
from tests.parsers.build import periods_ms, read, self_ms


@pytest.mark.parametrize("spoilt", ["reversed", "shuffled", "wraps"])
def test_times_that_do_not_go_on_are_refused(tmp_path, spoilt):
    """They would be taken for lengths; who says that they are has them read as such."""
    at = np.repeat(1000 * np.arange(200) / 50, 2)
    at = {
        "reversed": at[::-1], "wraps": at % 65.536,
        "shuffled": np.random.default_rng(2).permutation(at),
    }[spoilt]  # fmt: skip
    rows = [f"{t:.3f},{key},1.5" for t, key in zip(at, ["imu_ms", "drive_ms"] * 200, strict=True)]
    log = tmp_path / "long.csv"
    log.write_text("time_ms,key,value\n" + "\n".join(rows) + "\n")
    with pytest.raises(LogError, match=r"long\.csv: 'time_ms' does not go on from row to row"):
        looptime.read(log)
    assert looptime.read_log(log, layout="sections").runs[0].layout == "sections"


def test_a_long_table_by_the_loop_s_number(tmp_path):
    """Loop, name with a unit and value: the parts of each loop and its total."""
    rows = [
        (k, name, value)
        for k in range(30)
        for name, value in (("imu_ms", 2 + k % 3), ("drive_ms", 5), ("total_ms", 8 + k % 3))
    ]
    run = read(tmp_path, "loop,metric,value\n" + "".join(f"{a},{b},{c}\n" for a, b, c in rows))
    assert periods_ms(run) == [8 + k % 3 for k in range(30)]
    assert self_ms(run) == {"imu": [2 + k % 3 for k in range(30)], "drive": [5] * 30}


@pytest.mark.parametrize("unit", ["key", "unit column"])
@pytest.mark.parametrize("beside", ["battery_v", "comment"])
def test_another_column_beside_the_values_changes_no_figure(tmp_path, unit, beside):
    """A signal that each row holds, or a remark that few do; the unit in the key or in a column."""
    rng = np.random.default_rng(5)
    head, lines, now = ["time_ms", "key", "value"], [], 0.0
    for _ in range(200):
        took = rng.normal((2.0, 5.0, 4.0), 0.1)
        for name, ms in zip(("gyro", "drive", "arm"), took, strict=True):
            key = f"{name}_ms" if unit == "key" else name
            lines.append([f"{now:.2f}", key, f"{ms:.3f}", *(["ms"] if unit != "key" else [])])
        now += took.sum() + 0.5
    head += ["unit"] if unit != "key" else []
    volts = 12.6 - 0.001 * np.arange(600) + rng.normal(0, 0.02, 600)
    more = {
        "battery_v": [f"{v:.2f}" for v in volts],
        "comment": ["tray slipped" if k in (100, 401) else "" for k in range(600)],
    }[beside]
    plain = "\n".join(";".join(cells) for cells in [head, *lines]) + "\n"
    wide = [[*cells, cell] for cells, cell in zip(lines, more, strict=True)]
    text = "\n".join(";".join(cells) for cells in [[*head, beside], *wide]) + "\n"
    bare, run = read(tmp_path, plain), read(tmp_path, text)
    assert periods_ms(run) == periods_ms(bare)
    assert self_ms(run) == self_ms(bare)
    assert len(run) == 199


@pytest.mark.parametrize("beats", [(4.0, 40.0, 252.0), (4.0, 41.3, 257.1)])
def test_tasks_beside_each_other_are_no_values_of_one_loop(beats):
    """Tasks of their own pace, in step or not; the slow ones take longer than the fast rests."""
    rng = np.random.default_rng(3)
    rows = [
        (k * beat / 1e3 + rng.uniform(0, 2e-4), name, took)
        for beat, name, took in zip(beats, ("ctl", "ui", "nav"), (0.7, 1.2, 9.3), strict=True)
        for k in range(int(8000 / beat))
    ]
    cells = [(f"{t:.6f}", name, f"{took:.3f}") for t, name, took in sorted(rows)]
    assert find_long(("t", "job", "busy_ms"), cells) is None


def test_parts_of_some_loops_are_values_of_one_table():
    """What comes in every fifth loop, right after its begin, belongs to that loop."""
    rng = np.random.default_rng(3)
    rows = []
    for k in range(800):
        begin = k * 0.01 + (k + 4) // 5 * 0.012
        rows.append((begin, "drive", 3.0))
        if k % 5 == 0:  # it holds up its loop
            rows.append((begin + 0.003 + rng.uniform(0, 1e-3), "camera", 15.0))
    cells = [(f"{t:.6f}", name, f"{took:.3f}") for t, name, took in rows]
    assert find_long(("t_s", "part", "took_ms"), cells) is not None


@pytest.mark.parametrize("first", [0, 1])
def test_units_beside_the_values_may_change_from_row_to_row(tmp_path, first):
    """2, 3 and 4 ms of a read, in milliseconds and in microseconds by turns."""
    text = "time_ms,key,value,unit\n"
    for k in range(40):
        imu = f"{2 + k % 3},ms" if k % 2 == first else f"{2 + k % 3}000,us"
        text += f"{20 * k},imu,{imu}\n{20 * k},drive,7,ms\n"
    run = read(tmp_path, text)
    assert periods_ms(run) == [20.0] * 39
    assert self_ms(run) == {"imu": [2.0 + k % 3 for k in range(39)], "drive": [7.0] * 39}


@pytest.mark.parametrize("head", ["loop,metric,value,unit", "cycle,quantity,val,units"])
def test_values_by_the_loop_s_number_in_the_unit_of_each_row(tmp_path, head):
    """Reads in us, the camera and the whole in ms, a heading in degrees."""
    values = [(1200 + k * 7 % 11, 5.0 + k % 4, 9.5 + k % 4, 0.3 * k) for k in range(40)]
    log = head + "\n" + "".join(
        f"{k},imu_read,{imu},us\n{k},camera,{cam:.3f},ms\n{k},loop_time,{all_:.3f},ms\n"
        f"{k},heading,{at:.1f},deg\n" for k, (imu, cam, all_, at) in enumerate(values)
    )  # fmt: skip
    run = read(tmp_path, log)
    imu, cam, all_, _ = map(list, zip(*values, strict=True))
    assert periods_ms(run) == all_
    assert self_ms(run) == {"imu_read": [us / 1e3 for us in imu], "camera": cam}
