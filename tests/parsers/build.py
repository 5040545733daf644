"""What the tests of the parsers share: writing a log, reading it, and its books."""

import numpy as np

import looptime


def read(tmp_path, text, name="log.csv", **options):
    """Write a text as a log and read its one run; the books are checked each time."""
    path = tmp_path / name
    data = text if isinstance(text, bytes) else text.encode()
    path.write_bytes(data)
    run = looptime.read(path, **options)
    balance(run)
    return run


def balance(run):
    """Self times and unattributed equal every period; rows read are used or set aside."""
    pieces = run.self_pieces()
    total = np.zeros(len(run), np.int64)
    np.add.at(total, pieces.loop, pieces.self_ns)
    assert (total + run.unattributed_ns() == run.loop_columns.period_ns).all()
    assert run.rows_used + len(run.set_aside) == run.rows_read
    assert (run.loop_columns.period_ns >= 0).all()
    assert (np.diff(run.loop_columns.start_ns) >= 0).all()


def self_ms(run):
    """Self time [ms] in each loop, by name."""
    return self_times(run, 1e6)


def self_times(run, unit_ns):
    """Self time [unit] in each loop, by name."""
    pieces = run.self_pieces()
    table = {}
    for code, name in enumerate(run.names):
        mine = pieces.name == code
        ns = np.bincount(pieces.loop[mine], weights=pieces.self_ns[mine], minlength=len(run))
        table[name.name] = (ns / unit_ns).tolist()
    return table


def periods_ms(run):
    """Periods [ms]."""
    return (run.loop_columns.period_ns / 1e6).tolist()


def unattributed_ms(run):
    """Unattributed time of every loop [ms]."""
    return (run.unattributed_ns() / 1e6).tolist()
