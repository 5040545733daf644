"""A measured value that stands still while the output moves: from there on it tells nothing."""

import math

import numpy as np

from looptime.controlling.at_limit import newest_at
from looptime.run import Run
from looptime.stats.arrays import HUGE
from looptime.words import number

__all__ = ["standing"]

#: Fewest values that are the same, and the share of all that they are.
LEAST_VALUES, LEAST_SHARE = 20, 0.1
#: Share of its span that the output moves over meanwhile, and the times that it changes: one that
#: rests, or trembles within what friction holds, moves nothing.
MOVES, CHANGES = 0.25, 5


def standing(run: Run, output: str, measured: str, origin_ns: int | None = None) -> str | None:
    """Since when a measured value is the same to the last digit while its output moves, in words.

    None where it is not, or too shortly to matter. A reading that no longer comes is logged as the
    last one that did; a mechanism at its stop stands, too: neither goes by the output.

    Parameters
    ----------
    run : Run
        With both signals.
    output, measured : str
        Their names.
    origin_ns : int, optional [ns]
        Start of the whole recording, if `run` is a part of it: seconds count from there, as those
        of ``--from`` and ``--to`` do.
    """
    signals = run.signals
    if signals is None or not len(run):
        return None
    time, value, out = signals.time_ns, signals.values[measured], signals.values[output]
    seen = np.abs(value) < HUGE
    when, value = time[seen], value[seen]
    edges = np.flatnonzero(np.diff(value, prepend=np.nan, append=np.nan) != 0)
    if len(edges) < 3:  # it never moves at all: the fit says so
        return None
    longest = int(np.argmax(np.diff(edges)))
    first, after = int(edges[longest]), int(edges[longest + 1])
    if after - first < max(LEAST_VALUES, LEAST_SHARE * len(value)):
        return None
    given = np.abs(out) < HUGE
    beside = newest_at(time / 1e9, out, when[first:after] / 1e9)
    moves = np.ptp(beside) >= MOVES * np.ptp(out[given]) > 0
    if not moves or np.count_nonzero(np.diff(beside)) < CHANGES:
        return None
    begin = int(run.loop_columns.start_ns[0]) if origin_ns is None else origin_ns
    since, until = ((int(when[at]) - begin) / 1e9 for at in (first, after - 1))
    stands = (
        f"{measured} stands still at {float(value[first]):.4g} from {number(since)} s"
        f"{' on' if after == len(value) else f' to {number(until)} s'}, "
        f"{100 * (after - first) / len(value):.0f} % of its values, while {output} moves: its "
        "reading no longer comes there, or the mechanism is at a stop: not used"
    )
    # parts that hold enough to be looked at, to a tenth of a second that lies within them
    before = f"--to {_tenths(math.floor(since * 10))}" if first >= LEAST_VALUES else ""
    behind = f"--from {_tenths(math.ceil(until * 10))}"
    behind = behind if len(value) - after >= LEAST_VALUES else ""
    rest = " or ".join(filter(None, (before, behind)))
    return f"{stands}; fit the rest of the run with {rest}" if rest else stands


def _tenths(count: int) -> str:
    """So many tenths of a second as an option takes them.

    Examples
    --------
    >>> _tenths(1234567), _tenths(200)
    ('123456.7', '20')
    """
    return f"{count / 10:.1f}".removesuffix(".0")
