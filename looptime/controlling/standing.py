"""A measured value that stands still while the output moves: from there on it tells nothing."""

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


def standing(run: Run, output: str, measured: str) -> str | None:
    """Since when a measured value is the same to the last digit while its output moves, in words.

    None where it is not, or too shortly to matter. A reading that no longer comes is logged as the
    last one that did; a mechanism at its stop stands, too: neither goes by the output.

    Parameters
    ----------
    run : Run
        With both signals.
    output, measured : str
        Their names.
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
    begin = int(run.loop_columns.start_ns[0])
    since, until = ((int(when[at]) - begin) / 1e9 for at in (first, after - 1))
    return _words(output, measured, float(value[first]), (after - first) / len(value), since,
                  until if after < len(value) else None)  # fmt: skip


def _words(
    output: str, measured: str, value: float, share: float, since: float, until: float | None
) -> str:
    ends = f"from {number(since)} s" + (" on" if until is None else f" to {number(until)} s")
    before = max(np.floor(since * 10) / 10, 0.0)
    cut = f"--to {before:g}" if before else ""
    if until is not None:
        behind = f"--from {np.ceil(until * 10) / 10:g}"
        cut = f"{cut} or {behind}" if cut else behind
    fit = f"; fit the rest of the run with {cut}" if cut else ""
    return (
        f"{measured} stands still at {value:.4g} {ends}, {100 * share:.0f} % of its values, while "
        f"{output} moves: its reading no longer comes there, or the mechanism is at a stop: not "
        f"used{fit}"
    )
