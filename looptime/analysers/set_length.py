"""A part at the end of each loop that is as long each time, where all others scatter."""

import numpy as np

from looptime.analysers.kept_grid import spread
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Float
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = ["AS_SET", "set_length_part"]

#: What is said of it.
AS_SET = (
    "{} takes {:.3g} ms at the end of each loop, while all else scatters: it may be a sleep of set "
    "length; say what kind of call it is in looptime.toml"
)

#: Share of the usual loop, and length [ms], from which on a part may be a sleep.
_LARGE, _SHORTEST_MS = 0.05, 1.0
#: By how much it differs from loop to loop, as a share of it; how many times as much others do.
_STILL, _MORE = 0.03, 5.0
#: Share of the loops that it ends.
_MOSTLY = 0.9
#: Kinds of names that do not say what a part does.
_UNTOLD = ("other", "wait")


def set_length_part(run: Run, table: SelfTable) -> tuple[str, float] | None:
    """The part that may be a sleep of set length, and how long it is [ms].

    It ends each loop and does not share what makes all other parts scatter. A name that says what
    the part does is believed: a write of so many bytes to a slow line takes as long each time, too.

    Parameters
    ----------
    run, table
        The recording, or so many of its loops as tell, and their self times.
    """
    usual = median(run.loop_columns.period_ns) / 1e6
    untold = [k for k in range(table.names) if run.names[k].kind in _UNTOLD]
    for code in untold:
        x = table.series(code) / 1e6
        length = median(x)
        if length < max(_LARGE * usual, _SHORTEST_MS):
            continue
        fine = run.clock.tick_ns / 1e6 <= _STILL * length  # else steps of the clock make it even
        own = _scatter(x)
        if not fine or own > _STILL or spread(x) > _STILL * length:
            continue
        if _others_scatter(table, code, usual, _MORE * own) and _ends(run, code) >= _MOSTLY:
            return run.names[code].name, length
    return None


def _others_scatter(table: SelfTable, code: int, usual: float, least: float) -> bool:
    """Whether there are other parts of some length [ms], and all of them scatter so much."""
    others = (table.series(k) / 1e6 for k in range(table.names) if k != code)
    scatter = [_scatter(x) for x in others if median(x) >= 0.5 * _LARGE * usual]
    return bool(scatter) and min(scatter) >= least


def _scatter(x: Float) -> float:
    """By how much a part differs in most loops, as a share of it; late wakes are left out."""
    low, high = percentiles(x, [5, 60])
    return (high - low) / median(x)


def _ends(run: Run, code: int) -> float:
    """In which share of the loops a call is the last to begin."""
    calls, mine = run.call_columns, run.on_loop_thread
    loop, name = calls.loop[mine], calls.name[mine]  # in the order in which they begin
    last = np.full(len(run), -1)
    last[loop] = name
    return float((last == code).mean())
