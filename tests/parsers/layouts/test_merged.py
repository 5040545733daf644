"""A lost or garbled row of the call that begins a loop makes no slow loop."""

import pytest

import looptime

NAMES = ("gyro.read", "drive.encoders.read", "drive.motors.write")
N, AT = 200, 300


def _rows(n=N):
    return [
        [str(20_000 * k + 4_000 * j), name, str(2_500 + 10 * j)]
        for k in range(n)
        for j, name in enumerate(NAMES)
    ]


def _read(tmp_path, rows, head="start_us,name,duration_us"):
    path = tmp_path / "log.csv"
    lines = [row if isinstance(row, str) else ",".join(row) for row in rows]
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return looptime.read(path, cache=False)


@pytest.mark.parametrize(
    ("column", "cell"), [(0, "6x00"), (0, "20000"), (1, ""), (1, "gy~o"), (2, "25#1"), (2, "9" * 9)]
)
def test_a_garbled_row_of_the_loops_call(tmp_path, column, cell):
    """Every loop lasts 20 ms; the two around the row are left out, and it is said."""
    rows = _rows()
    rows[AT][column] = cell
    run = _read(tmp_path, rows)
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert len(run) == N - 3  # the last loop has no end, two more are left out
    assert run.rows_read == run.rows_used + len(run.set_aside)


@pytest.mark.parametrize("what", ["torn", "lost"])
def test_a_torn_or_lost_row_of_the_loops_call(tmp_path, what):
    """The same where the row broke off, or is not there at all."""
    rows = _rows()
    rows[AT : AT + 1] = ["60"] if what == "torn" else []
    run = _read(tmp_path, rows)
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


def test_a_loop_that_is_slow_stays(tmp_path):
    """A loop that waits for a bus, or makes one of its calls again, is one loop, twice as long."""
    waits, again = _rows(), _rows()
    for rows in (waits, again):
        for row in rows[AT + 3 :]:
            row[0] = str(int(row[0]) + 20_000)
    again.insert(AT + 3, [str(20_000 * 101), NAMES[1], "2500"])
    for rows in (waits, again):
        periods = _read(tmp_path, rows).loop_columns.period_ns
        assert periods[100] == 40_000_000
        assert len(periods) == N - 1


def test_a_program_that_often_goes_round_twice_is_left_alone(tmp_path):
    """A call made in four of five loops begins none by mistake of the log: nothing is left out."""
    kept = [row for k, row in enumerate(_rows()) if k % 3 or (k // 3) % 5]
    run = _read(tmp_path, kept, "start_us,name,duration_us")
    asked = looptime.read(tmp_path / "log.csv", loop_call="gyro.read", cache=False)
    assert len(run) == N - 1
    assert (asked.loop_columns.period_ns == 40_000_000).sum() == N // 5 - 1


def test_numbered_loops_do_not_need_the_row(tmp_path):
    """Where the log numbers its loops the next call of the loop tells its start."""
    rows = [[str(k // 3), *row] for k, row in enumerate(_rows())]
    rows[AT][2] = ""
    run = _read(tmp_path, rows, "loop,start_us,name,duration_us")
    assert len(run) == N - 1
    assert run.loop_columns.period_ns.max() == 24_000_000


def test_it_is_said(tmp_path):
    """The words on how loops were found tell how many are left out."""
    rows = _rows()
    del rows[AT], rows[30]
    said = _read(tmp_path, rows).loop_from
    assert "2 times 2 loops are left out between which the row of that call is missing" in said
