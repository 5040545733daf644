"""Rows that stand page by page in another order: instants are never taken for lengths."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError

LOOPS, PERIOD = 400, 12_000


def _rows(order, layout):
    """Loops of 11.6 to 12.4 ms in the order that is given, in one of three layouts."""
    rng = np.random.default_rng(5)
    start = 5000 + np.arange(LOOPS) * PERIOD + rng.integers(-200, 200, LOOPS)
    gyro, drive = rng.integers(2500, 3500, LOOPS), rng.integers(3500, 4500, LOOPS)
    head = {
        "costs": "loop,time_us,gyro_us,drive_us",
        "stamps": "loop,time_us,heading",
        "stages": "loop,loop_start_us,gyro_end_us,drive_end_us",
        "plain": "time_us,gyro_us,drive_us",
        "lines": "",
    }[layout]
    lines = []
    for k in order:
        s, g, d = int(start[k]), int(gyro[k]), int(drive[k])
        lines.append(
            {
                "costs": f"{k},{s},{g},{d}",
                "stamps": f"{k},{s},{90 + k / 10:.1f}",
                "stages": f"{k},{s},{s + g},{s + g + d}",
                "plain": f"{s},{g},{d}",
                "lines": f"[{s} us] gyro={g}us drive={d}us",
            }[layout]
        )
    return "\n".join([head, *lines][layout == "lines" :]) + "\n"


def _read(tmp_path, text):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return looptime.read_log(path, cache=False)


@pytest.mark.parametrize("layout", ["costs", "stamps", "stages", "plain", "lines"])
@pytest.mark.parametrize("size", [3, 5, 9])
def test_newest_first_in_each_page(tmp_path, layout, size):
    """Sorted, or refused in words that say how the rows stand: no loop is 400 times too long."""
    order = [
        k for at in range(0, LOOPS, size) for k in range(min(at + size, LOOPS) - 1, at - 1, -1)
    ]
    with pytest.raises(LogError, match=r"go back|fall|sort|line by line"):
        _read(tmp_path, _rows(order, layout))


@pytest.mark.parametrize("layout", ["costs", "stamps", "stages", "plain", "lines"])
def test_the_same_rows_newest_first_over_and_over(tmp_path, layout):
    """A view of the last five rows that is written out again and again holds five loops."""
    with pytest.raises(LogError, match="keep each once, the oldest first"):
        _read(tmp_path, _rows([4, 3, 2, 1, 0] * 88, layout))


def test_numbers_of_loops_in_another_order_are_no_lengths(tmp_path):
    """Without a clock the parts add up to 7 ms whatever the order; a number is not their total."""
    order = [k for at in range(0, LOOPS, 5) for k in range(at + 4, at - 1, -1)]
    text = "\n".join(
        line if at == 0 else ",".join([line.split(",")[0], *line.split(",")[2:]])
        for at, line in enumerate(_rows(order, "costs").splitlines())
    )
    run = _read(tmp_path, text.replace("time_us,", "")).runs[0]
    assert np.mean(run.loop_columns.period_ns) == pytest.approx(7e6, rel=0.03)


def test_lengths_called_time_stay_lengths(tmp_path):
    """A loop's length under the header of a clock, another in each row, is no clock in disorder."""
    took = np.random.default_rng(3).normal(20, 2, 300)
    run = _read(tmp_path, "time_ms,battery\n" + "".join(f"{t:.3f},12.1\n" for t in took)).runs[0]
    assert np.mean(run.loop_columns.period_ns) / 1e6 == pytest.approx(took.mean(), rel=0.01)


def test_one_in_four_loops_needs_numbers_that_go_on(tmp_path):
    """Every fourth loop is logged; of pages of five, newest first, numbers rise by nine alone."""
    run = _read(tmp_path, _rows(range(0, LOOPS, 4), "costs")).runs[0]
    assert run.averaged
    assert np.mean(run.loop_columns.period_ns) == pytest.approx(PERIOD * 1e3, rel=0.01)


@pytest.mark.parametrize("count", [3, 6, 9])
def test_a_few_rows_newest_first(tmp_path, count):
    """Of a short log, too, the newest row stands first or nothing is said of its loops."""
    with pytest.raises(LogError):
        _read(tmp_path, _rows(range(count)[::-1], "plain"))
