"""By which rule a loop is paced, from its waits, else its periods, and how that shows."""

import numpy as np

from looptime.analysers.beat_wait import (
    CUT,
    answers,
    filled_tick,
    grain_of,
    slope,
    spread,
    varied_by,
)
from looptime.analysers.kept_grid import (
    ON_GRID,
    SPAN,
    kept_between,
    on_grid,
    surely_on_grid,
    variance_ratio,
)
from looptime.analysers.late_ticks import FEWEST
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Bool, Float
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = ["by_periods", "by_waits", "moment", "with_unnamed"]

#: Periods so close together, as a share of them, keep to a tick where the clock is finer.
_EVEN = 0.004
#: Share of the period that work must vary by from loop to loop before it tells of a wait.
_VARIED = 0.005
#: Share of the period from which on what no call covers is large, and of how much it may vary.
_LARGE, _STILL = 0.1, 0.05
#: What a sleep ends late in the most punctual quarter of the loops, as a share of it; the slope on
#: what calls take from which on down it makes up for them.
_FLOOR, _FALLS = 0.03, -0.3
#: Slope of the periods on the calls below which they do not follow them, surely by so many standard
#: errors.
_FOLLOWS, _SURE_Z = 0.5, 4.0
#: Standard errors from which on neighbours surely vary against each other.
_SURELY = 3.0
#: Slope that is left then of a wait that makes up for work.
_FELL = 0.2
#: From which share of what one slower board makes of both it grows with the calls.
_GROWS = 0.3
#: Shorter sleeps [ms], as a share of the period too, look like what it takes to begin again.
_SHORTEST_MS, _OVERHEAD = 1.0, 0.05
#: How far from the usual one a period may be cut that is as long [steps of the clock].
_ONE_STEP = 1.5
#: By how much more starts lie off over long stretches that keep to no grid; what free loops differ
#: by at least, as a share of one; from which share of a period on a step of the clock is coarse.
_FURTHER, _EVENEST, _COARSE = 3.0, 0.005, 0.2
_NO_GRID = (
    "the periods keep to no grid; a sleep of fixed length would look the same without its row"
)
_CLOCK_S_GRID = (
    "starts keep to a grid as those of any even loop do that are cut to steps of the clock: more "
    "loops, or a finer clock, would tell"
)
#: How even loops are where something holds them.
_HELD_WITHIN = 0.01
#: Loops of a turn, how alike those of one place in it are, and from which share of independent
#: ones on turns add up.
_LONGEST_TURN, _IN_TURNS, _APART = 8, 0.7, 0.4
_HELD = (
    "the starts keep to a grid though calls cover the whole period: one of them waits for a tick "
    "or for its device's own beat, and all else is too even to tell which"
)
_HEDGE = "; a sleep in the part that no call covers would look the same"
_ANEW = (
    "the periods keep within half a percent, but each counts from the one before: a wait that "
    "begins anew each time, or work as even as that; time the wait under a name of its own"
)
_TOO_FEW = (
    "the periods keep within half a percent: with more loops a tick could be told from a wait that "
    "begins anew each time, or work as even as that"
)
_GRID = "the starts keep to a grid: a long period is made up by short ones"
_BEGUN_ANEW = "the starts keep to a grid that each late loop begins anew"
_TOO_EVEN = "work is too even, beside late wakes, to tell a sleep from a tick: log a busier stretch"
_EITHER = "a sleep after the work, or work without a row; time it under a name of its own"


def by_waits(
    period: Float, wait: Float, tick: float | None, grain: float, *, named: bool = True
) -> tuple[str, str]:
    """From the periods and what the loop waits in each [ms]: one of `MODES`, and why.

    Where the log does not name the wait it may be none: then it is not enough that even work and
    what follows it come to even periods.

    Examples
    --------
    >>> work = np.random.default_rng(1).uniform(6, 9, 200)
    >>> by_waits(np.full(200, 10.0), 10 - work, None, 0.0)
    ('fixed rate', 'periods are even although the work is not')
    >>> by_waits(work + 3, np.full(200, 3.0), None, 0.0)
    ('sleep after work', 'the wait stays the same however long the work takes')
    """
    work = period - wait
    waited = wait > 0.01 * median(period)
    if waited.mean() < 0.05:
        return "free-running", "it hardly ever waits"
    told = max(varied_by(grain), _VARIED * median(period))
    by_loop = named or tick is not None or answers(wait, work, told)
    full = work > median(work) + 0.9 * median(wait)  # work as long as it and a usual sleep
    if by_loop and full.sum() >= 3 and wait[full].mean() < 0.1 * median(wait):
        return "fixed rate", "there is no wait where the work takes a whole period"
    if tick is not None:
        return "fixed rate", "periods are whole multiples of one although the work is not"
    falls = slope(wait[waited], work[waited])
    if falls is None or spread(work) <= 0.002 * median(period):
        # even work: both look alike, unless late loops were followed by whole slots
        even = spread(period) <= 0.01 * median(period)
        if even and (named or _by_grid(period, grain)[0] == "fixed rate"):
            return "fixed rate", "periods are even; work is too even to tell a sleep from a tick"
        if on_grid(period, grain) and np.var(work) < 0.5 * np.var(period):
            return "fixed rate", "a wait that is too short is made up by the next"
        return "sleep after work", "work is even but the period is not"
    if by_loop and spread(period) < 0.5 * spread(work):
        return "fixed rate", "periods are even although the work is not"
    error = _error(falls, wait[waited], work[waited])
    surely = falls + _SURELY * error < -_FELL or on_grid(period, grain)
    if by_loop and falls < -0.5 and surely:
        return "fixed rate", "the wait shrinks as the work grows"
    if surely_on_grid(period, grain) and not on_grid(work, grain):
        return "fixed rate", _GRID  # the wait may be that for the next loop: it leads its own
    if falls - _SURELY * error < -1.0:
        return "can't tell", _TOO_EVEN
    return "sleep after work", "the wait stays the same however long the work takes"


def _error(falls: float, wait: Float, work: Float) -> float:
    """Standard error of a slope of waits on work: late wakes hide it where the work is even."""
    varied = spread(work) * len(work) ** 0.5
    return spread(wait - falls * work) / varied if varied > 0 else float("inf")


def by_periods(
    run: Run, period: Float, rest: Float, table: SelfTable, tick: float | None, grain: float,
    waiting: int | None,
) -> tuple[str, str]:  # fmt: skip
    """From the periods, the part of each that no call covers [ms], and a call that waits."""
    called = bool(run.on_loop_thread.any())
    if called:
        covered = period - rest
        if tick is not None:
            return "fixed rate", "periods are whole multiples of one although the calls are not"
        if waiting is not None:
            waiting_name = run.names[waiting].name
            return "fixed rate", f"{waiting_name} shrinks as the rest of the loop grows: a wait"
        if rest.mean() < 0.05 * period.mean():
            if any(call.kind == "pacing" for call in run.names):
                return "free-running", "it hardly ever waits"
            even = spread(period) <= _HELD_WITHIN * median(period)
            if (even and surely_on_grid(period, grain)) or kept_between(period, grain):
                return "fixed rate", _HELD
            return "free-running", "calls cover the whole period and none of them is a wait"
        cut = varied_by(grain_of(run, run.call_columns.duration_ns))
        if _makes_up(period, rest, cut) and _makes_up(period, rest, cut, _same_calls(table)):
            return "fixed rate", "the part that no call covers shrinks as the calls grow"
        if (filled := filled_tick(period, rest, grain)) is not None:
            return "fixed rate", f"what no call covers fills the loops up to {filled:.4g} ms"
        if spread(covered) > 0.005 * median(period):
            if _unmoved(period, covered, grain):
                mode, why = _by_starts(period, grain)
                return mode, f"{why}; they do not move with what the calls take"
            if _always_as_long(rest, covered, period):
                return "can't tell", (
                    f"what no call covers takes {median(rest):.3g} ms however long the calls take: "
                    f"{_EITHER}"
                )
            if surely_on_grid(period, grain) and not on_grid(covered, cut):
                return "fixed rate", _GRID
            if kept_between(period, grain) and not kept_between(covered, cut):
                return "fixed rate", _BEGUN_ANEW
            return (
                "free-running",
                f"no pacing wait is logged and the period follows the calls{_HEDGE}",
            )
    mode, why = _by_grid(period, grain)
    length = median(rest)
    steady = spread(rest) < _STILL * length and length > _LARGE * median(period)
    if called and mode == "free-running" and steady:
        mode, why = "can't tell", f"no call covers {length:.3g} ms of each loop: {_EITHER}"
    return mode, why


def with_unnamed(gap: Float, period: Float, why: str) -> tuple[str, str]:
    """The same of a loop that keeps to no rate, where time passes after its row [ms]."""
    usual = median(gap)
    if moment(usual, period):
        why = f"{usual:.2g} ms pass after each loop's row: a sleep so short would look the same"
    elif _always_as_long(gap, period - gap, period):
        return "can't tell", f"{usual:.3g} ms pass after each loop's row, however long: {_EITHER}"
    elif "would look the same" not in why:
        why += _HEDGE
    return "free-running", why


def moment(length: float, period: Float) -> bool:
    """Whether a length [ms] is what it takes from one loop to the next anyhow."""
    return length < min(_OVERHEAD * median(period), _SHORTEST_MS)


def _makes_up(period: Float, rest: Float, cut: float, among: Bool | slice = slice(None)) -> bool:
    """Whether the part that no call covers shrinks as calls that vary by more than `cut` grow."""
    period, rest = period[among], rest[among]
    covered = period - rest
    falls = slope(rest, covered)
    even = spread(period) < 0.6 * spread(covered) and spread(covered) > cut
    answered = answers(rest, covered, max(cut, _VARIED * median(period)))
    return falls is not None and falls < -0.6 and even and answered


def _same_calls(table: SelfTable) -> Bool | slice:
    """Loops in which the same calls were logged, those that are most.

    A call that is not logged in each of its loops is part of what no call covers in the others.
    """
    which = np.zeros(table.loops, np.int64)
    for name in range(table.names):
        which ^= (table.series(name) > 0).astype(np.int64) << (name % 62)
    sets, count = np.unique(which, return_counts=True)
    most: Bool = which == sets[count.argmax()]
    return most if most.sum() >= FEWEST else slice(None)


def _always_as_long(rest: Float, covered: Float, period: Float) -> bool:
    """Whether the part that no call covers is large and varies far less than the calls."""
    if median(rest) <= _LARGE * median(period):
        return False
    if spread(rest) < _STILL * min(spread(covered), median(rest)):
        return True
    least, most = percentiles(rest, [2, 25])  # a sleep ends late, and never early
    low, high = percentiles(covered, [2, 25])
    goes = slope(rest, covered) or 0.0
    stretched = median(rest) / max(median(covered), 1e-9)  # as much as both by one slower board
    with_work = goes < _FALLS or goes > _GROWS * stretched
    return not with_work and most - least < min(_FLOOR * least, 0.5 * (high - low))


def _unmoved(period: Float, covered: Float, grain: float = 0.0) -> bool:
    """Whether periods surely follow what calls take by less than half, in the usual loops.

    They follow it one for one where nothing waits: what no call covers knows nothing of the calls.
    A clock of `grain` [ms] cuts equal periods to two of its steps: those of one alone do not move.
    """
    usual = np.abs(period - median(period)) <= max(8 * spread(period), _ONE_STEP * grain)
    usual &= np.abs(covered - median(covered)) <= 8 * spread(covered)
    y, x = period[usual], covered[usual]
    if len(y) < FEWEST or x.std() <= 0:
        return False
    follows = float(((x - x.mean()) * (y - y.mean())).mean()) / float(x.var())
    error = float(y.std()) / float(x.std()) / len(y) ** 0.5
    return follows + _SURE_Z * error < _FOLLOWS


def _by_grid(period: Float, grain: float) -> tuple[str, str]:
    """From the starts alone, unless their grid may be that of the clock."""
    mode, why = _by_starts(period, grain)
    if mode != "fixed rate" or grain <= 0:
        return mode, why
    walks = _walks(period, grain)
    if walks is None and grain > _COARSE * median(period):
        return "can't tell", _CLOCK_S_GRID
    return ("free-running", _NO_GRID) if walks else (mode, why)


def _by_starts(period: Float, grain: float) -> tuple[str, str]:
    middle = median(period)
    wide = spread(period)
    fine = grain <= _EVEN * middle  # else the clock itself makes periods alike
    if wide <= 1e-4 * middle:  # where the clock ticks coarsely half of them may well be
        alike = np.mean(np.abs(period - middle) <= 1e-3 * middle) >= 0.9
        if alike and (fine or (variance_ratio(period, grain) or 0.0) < ON_GRID):
            return "fixed rate", "the periods are all alike"
        low, high = percentiles(period, [5, 95])
        wide = (high - low) / 3.29
    # rare stalls hide the grid of a loop that skips, and are part of that of one that catches up;
    # stalls that come every so many loops keep sums of periods alike without any grid
    stalled = period > middle + 8 * wide
    level = np.where(stalled, middle, np.maximum(period, middle - 8 * wide))
    after = period[1:][stalled[:-1] & ~stalled[1:]]
    made_up = not len(after) or float(after.mean()) < 0.9 * middle
    series = (period, level) if made_up else (level,)
    ratios = [r for x in series if (r := variance_ratio(x, grain)) is not None]
    ratio = min(ratios, default=None)
    multiple = period / middle
    off = np.abs(multiple - np.round(multiple))
    late = multiple > 1.5
    whole = late.sum() >= 3 and bool(np.mean(off[late] < 0.05) > 0.8)
    if ratio is not None and ratio < ON_GRID and not _adds_up_by_turns(level, grain):
        return "fixed rate", _GRID
    if kept_between(period, grain):
        return "fixed rate", _BEGUN_ANEW
    if whole and wide < 0.02 * middle and not _told_by_sums(late):
        return "fixed rate", "late loops take whole multiples of the usual period"
    # a tick is a floor: nothing comes early, and the bulk sits within a percent of it
    if fine and wide < _EVEN * middle and percentiles(period, [1])[0] > 0.98 * middle:
        goes, error = _with_the_last(level, grain), len(level) ** -0.5
        if goes < -_SURELY * error:
            return "fixed rate", "the periods keep within half a percent, a short one after a long"
        return "can't tell", _ANEW if goes > _SURELY * error - 0.5 else _TOO_FEW
    return "free-running", _NO_GRID


def _told_by_sums(late: Bool) -> bool:
    """Whether late loops are many enough for sums to tell a tick of theirs from a second length."""
    return len(late) >= 4 * SPAN and bool(late.sum() >= FEWEST)


def _adds_up_by_turns(period: Float, grain: float) -> bool:
    """Whether long and short loops in turns alone keep sums of periods alike.

    Whole turns are then as independent of each other as loops are that wait for nothing.
    """
    off = period - period.mean()
    power = float(off @ off)
    for every in range(2, _LONGEST_TURN + 1):
        if float(off[every:] @ off[:-every]) < _IN_TURNS * power:
            continue
        whole = len(period) // every * every
        turns = period[:whole].reshape(-1, every).sum(axis=1)
        ratio = variance_ratio(turns, grain, SPAN // every)
        return ratio is not None and ratio > _APART
    return False


def _walks(period: Float, grain: float) -> bool | None:
    """Whether starts leave any grid in the long run; None where the clock's steps hide that.

    Where lengths differ by less than a step of the clock, those steps alone make them up for one
    another: over many periods only as much as a loop differs adds up.
    """
    late = period > median(period) + 8 * spread(period) + 2 * grain
    usual = np.where(late, period[~late].mean(), period)
    start = np.concatenate([[0.0], np.cumsum(usual - usual.mean())])
    span, cut = len(period) // 8, (CUT * grain) ** 2
    if span < FEWEST or float(np.var(usual)) > 2 * cut:
        return False
    near, far = (float(np.var(start[k:] - start[:-k])) for k in (span // 8 + 1, span))
    step = grain**2 / 4
    if far > _FURTHER * max(near, step):
        return True
    return None if span * (_EVENEST * float(usual.mean())) ** 2 < _FURTHER * step else False


def _with_the_last(period: Float, grain: float) -> float:
    """Correlation of a period with the one before, without what cutting stamps to ticks adds.

    It is -1/2 of starts that scatter about a grid, and 0 where each period begins as the last ends.
    """
    off = period - period.mean()
    together = float(off[1:] @ off[:-1]) / (len(off) - 1) + (CUT * grain) ** 2 / 2
    return together / (float(off @ off) / len(off))
