"""One log in every layout, as a table whose columns can be put in any order."""


def table(header, rows):
    """Rows as a log."""
    return ",".join(header) + "\n" + "".join(",".join(map(str, row)) + "\n" for row in rows)


LOGS = {
    "calls": (
        ("name", "start_us", "duration_us"),
        [r for k in range(4) for r in (("a.read", k * 1000, 300), ("b.write", k * 1000 + 500, 90))],
    ),
    "edges": (
        ("time_us", "name", "edge"),
        [
            (k * 1000 + t, "a.read", edge)
            for k in range(4)
            for t, edge in ((0, "begin"), (300, "end"))
        ],
    ),
    "stages": (
        ("loop_start_ms", "gyro_end_ms", "drive_end_ms"),
        [(k * 20, k * 20 + 3 + k % 2, k * 20 + 9) for k in range(6)],
    ),
    "costs": (
        ("time_ms", "gyro_ms", "drive_ms"),
        [(k * 20, 3 + k % 2, 5 + k % 3) for k in range(6)],
    ),
    "sections": (
        ("section", "duration_ms"),
        [r for k in range(5) for r in (("gyro", 3 + k % 2), ("drive", 5))],
    ),
    "stamps": (("time_ms", "heading", "phase"), [(k * 20, 90 - k, "standby") for k in range(6)]),
}
