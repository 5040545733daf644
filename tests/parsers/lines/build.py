"""Three loops and the begin of a fourth, from which lines of every kind are made."""

# three loops of 20, 30 and 20 ms, and the begin of a fourth: imu, drive [ms]
ROWS = [(100, 2, 7), (120, 3, 9), (150, 2, 6), (170, 2, 7)]


# a value a line: each loop's parts, then its length
LONG = [(k, t + at, key, value) for k, (t, imu, drive) in enumerate(ROWS) for at, key, value in
        ((imu, "imu", imu), (imu + drive, "drive", drive), (imu + drive, "loop", imu + drive))
        ]  # fmt: skip
PERIODS = [20.0, 30.0, 20.0]


COSTS = {"imu": [2.0, 3.0, 2.0], "drive": [7.0, 9.0, 6.0]}


def lines(pattern):
    """One line a loop."""
    return "".join(
        pattern.format(t=t, s=t / 1000, imu=imu, drive=drive, k=k) + "\n"
        for k, (t, imu, drive) in enumerate(ROWS)
    )
