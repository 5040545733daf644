"""Lines that are written twice each, as by a logger that was given two places to write to."""

from collections.abc import Sequence
from itertools import groupby

from looptime.parsers.lines.grid import is_text

__all__ = ["once"]

#: Share of the lines that must stand as often in a row as most of them do.
_MOST = 0.9


def once(lines: Sequence[str]) -> tuple[list[str], list[int]]:
    """Lines with those emptied that say again what the one before said, and which these are.

    A value may well be logged twice alike; so this is done only where nearly every line stands
    there so often in a row, and never again later.

    Examples
    --------
    >>> once(["0 imu=9", "0 imu=9", "20 imu=8", "20 imu=8"])
    (['0 imu=9', '', '20 imu=8', ''], [1, 3])
    >>> once(["imu=9", "imu=9", "imu=8", "imu=8", "imu=9"])[1]
    []
    """
    rows = [k for k, line in enumerate(lines) if is_text(line)]
    runs = [list(run) for _, run in groupby(rows, key=lambda k: lines[k])]
    lengths = [len(run) for run in runs]
    usual = max(set(lengths), key=lengths.count, default=1)
    alike = sum(n == usual for n in lengths) >= _MOST * len(runs)
    if usual < 2 or not alike or len({lines[run[0]] for run in runs}) < len(runs):
        return list(lines), []
    again = [k for run in runs for k in run[1:]]
    left = list(lines)
    for k in again:
        left[k] = ""
    return left, again
