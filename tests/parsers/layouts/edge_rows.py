"""Two loops as rows of begin and end."""

from tests.parsers.build import periods_ms, self_ms, unattributed_ms

LOOPS = [
    (k * 20_000 + t, name, edge)
    for k in range(4)
    for t, name, edge in (
        (0, "loop", "begin"),
        (100, "gyro.read", "begin"),
        (1500, "gyro.read", "end"),
        (2000, "drive.update", "begin"),
        (2100, "encoder.read", "begin"),
        (2900, "encoder.read", "end"),
        (5000, "drive.update", "end"),
        (19_000, "loop", "end"),
    )
]


def text(rows, header="time_us,name,edge\n"):
    """Rows as a log."""
    return header + "".join(",".join(map(str, row)) + "\n" for row in rows)


def check(run):
    """The four loops of `LOOPS`, the last of them unfinished."""
    assert run.layout == "edges"
    assert periods_ms(run) == [20.0] * 3
    assert self_ms(run) == {
        "gyro.read": [1.4] * 3,
        "drive.update": [2.2] * 3,
        "encoder.read": [0.8] * 3,
    }
    assert unattributed_ms(run) == [15.6] * 3
