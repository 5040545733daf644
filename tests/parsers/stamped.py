"""Logs of stamps and of calls whose clock misbehaves, and how they are read."""

import numpy as np

from looptime.parsers.read import read_log


def write(tmp_path, times, header="time_ms,x", values=None, name="log.csv"):
    """A log of stamps; line k + 2 holds stamp k."""
    values = range(len(times)) if values is None else values
    rows = "".join(f"{t},{v}\n" for t, v in zip(times, values, strict=True))
    path = tmp_path / name
    path.write_text(f"{header}\n{rows}", encoding="utf-8")
    return path


def logs(tmp_path, times, **given):
    """The runs of a log of stamps, whose rows must all be accounted for."""
    log = read_log(write(tmp_path, times, **given))
    for run in log.runs:
        assert run.rows_used + len(run.set_aside) == run.rows_read
        assert (np.diff(run.loop_columns.start_ns) >= 0).all()
    assert log.rows_read == len(times)
    return log


def periods(run, unit=1e6):
    return (run.loop_columns.period_ns / unit).tolist()


def call_log(tmp_path, calls, name="calls.csv"):
    """Rows of (thread, seq, name, start_us, duration_us) as a log."""
    path = tmp_path / name
    text = "".join(",".join(map(str, call)) + "\n" for call in calls)
    path.write_text("thread,seq,name,start_us,duration_us\n" + text, encoding="utf-8")
    return read_log(path)


def two_threads(start=0, loops=40, modulus=None):
    """Rows of a loop of 10 ms with two calls, and of a reader every 5 ms, in end order."""
    rows = []
    for k in range(loops):
        at = start + 10_000 * k
        rows.append(("main", 2 * k, "gyro.read", at + 100, 3000))
        rows.append(("main", 2 * k + 1, "drive.write", at + 4000, 500))
        rows += [("reader", 2 * k + j, "lift.read", at + 5000 * j, 900) for j in (0, 1)]
    if modulus:
        rows = [(t, q, n, s % modulus, d) for t, q, n, s, d in rows]
    return rows


def check_calls(run, loops=40):
    """The periods and costs of `two_threads`."""
    assert set(periods(run)) == {10.0}
    assert len(run) == loops - 1
    by_name = run.calls.groupby("name", observed=True)["self_ns"].sum() / 1e3
    assert by_name["gyro.read"] == 3000 * (loops - 1)
