"""Small logs of every layout, drawn at random, and the books that hold for whatever is read."""

import numpy as np
from hypothesis import strategies as st

from looptime.schema import REASONS

LAYOUTS = ("calls", "edges", "stages", "costs", "sections", "stamps")


@st.composite
def tables(draw, layout=None, least=4):
    """Header and rows of a log; times are whole microseconds that rise from loop to loop."""
    layout = layout or draw(st.sampled_from(LAYOUTS))
    loops = draw(st.integers(least, 12))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    start = np.concatenate([[0], np.cumsum(rng.integers(18_000, 26_000, loops - 1))])
    gyro, drive = rng.integers(500, 4000, (2, loops))
    rows = []
    for k, t in enumerate(start.tolist()):
        g, d = int(gyro[k]), int(drive[k])
        if layout == "calls":
            rows += [("gyro.read", t, g), ("encoder.read", t + g + 50, d // 3),
                     ("drive.update", t + g + 20, d)]  # fmt: skip
        elif layout == "edges":
            rows += [(t, "gyro.read", "begin"), (t + g, "gyro.read", "end"),
                     (t + g + 20, "drive.update", "begin"),
                     (t + g + 20 + d, "drive.update", "end")]  # fmt: skip
        elif layout == "stages":
            rows.append((t, t + g, t + g + d))
        elif layout == "costs":
            rows.append((t, g, d))
        elif layout == "sections":
            rows += [("gyro", g), ("drive", d)]
        else:
            rows.append((t, k * 3 % 7))
    return layout, HEADERS[layout], rows


HEADERS = {
    "calls": ("name", "start_us", "duration_us"),
    "edges": ("time_us", "name", "edge"),
    "stages": ("loop_start_us", "gyro_end_us", "drive_end_us"),
    "costs": ("time_us", "gyro_us", "drive_us"),
    "sections": ("section", "duration_us"),
    "stamps": ("time_us", "heading"),
}
#: Which columns hold instants, which lengths.
INSTANTS = {
    "calls": (1,), "edges": (0,), "stages": (0, 1, 2), "costs": (0,), "sections": (), "stamps": (0,)
}  # fmt: skip
LENGTHS = {"calls": (2,), "costs": (1, 2), "sections": (1,)}


def text(header, rows, delimiter=","):
    """The log as it stands in a file."""
    return "".join(delimiter.join(map(str, row)) + "\n" for row in (header, *rows))


def check_books(log):
    """Rows read are used or set aside, time never falls, self times add up to the period."""
    for run in log.runs:
        assert run.rows_used + len(run.set_aside) == run.rows_read
        assert run.rows_used >= 0
        assert all(0 <= code < len(REASONS) for code in run.set_aside.reason)
        at = run.loop_columns
        assert (np.diff(at.start_ns) >= 0).all()
        assert (at.period_ns >= 0).all()
        calls = run.call_columns
        assert (calls.duration_ns >= 0).all()
        assert (calls.self_ns >= 0).all()
        if run.layout in ("calls", "edges", "stages"):
            # loops may have holes between them, but never reach into the next
            assert (at.start_ns[1:] >= at.start_ns[:-1] + at.period_ns[:-1]).all()
        pieces = run.self_pieces()
        total = np.zeros(len(run), np.int64)
        np.add.at(total, pieces.loop, pieces.self_ns)
        assert (total + run.unattributed_ns() == at.period_ns).all()
        if run.layout in ("calls", "edges"):
            assert (run.unattributed_ns() >= 0).all()
    lines = [line for run in log.runs for line in run.set_aside.line.tolist()]
    assert len(lines) == len(set(lines)), "a row set aside twice"


def figures(log):
    """What any spelling of the same log must give."""
    out = []
    for run in log.runs:
        pieces = run.self_pieces()
        table = np.zeros((len(run), len(run.names)), np.int64)
        np.add.at(table, (pieces.loop, pieces.name), pieces.self_ns)
        names = [name.name for name in run.names]
        out.append(
            (
                run.layout,
                run.loop_columns.period_ns.tolist(),
                {name: table[:, code].tolist() for code, name in enumerate(names)},
                run.unattributed_ns().tolist(),
                run.set_aside.counts,
                run.rows_read,
            )
        )
    return out
