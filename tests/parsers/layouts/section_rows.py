"""Cycles of sections as rows of name and duration."""

GYRO, DRIVE = [1, 2, 3, 1, 2], [4, 3, 5, 6, 4]


CYCLES = [(f"gyro,{a}", f"drive,{b}") for a, b in zip(GYRO, DRIVE, strict=True)]


def text(rows, header="section,duration_ms\n"):
    """Rows as a log."""
    return header + "\n".join(rows) + "\n"


def flat(cycles):
    """Rows of all cycles."""
    return [row for cycle in cycles for row in cycle]
