"""Where the warm-up at the start of a run ends."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.arrays import MAD_SCALE, Float, as_pair, mad, median
from looptime.stats.quantiles import percentiles
from looptime.stats.windows import window_medians

__all__ = ["WarmUp", "warm_up"]

BLOCK_S = 0.25
LEAST_LOOPS = 10
LEAST_BLOCKS = 16
#: A start that was once found warm is cut up to here at least: single blocks hide its tail [s].
LEAST_CUT_S = 1.0
#: No warm-up is looked for beyond this time [s] and this share of the run.
LONGEST_S = 15.0
LONGEST_SHARE = 1 / 3
#: Blocks behind the longest warm-up that a start is held against (5 min): what comes long after
#: it, such as a drift or one stall an hour later, says nothing about the start.
_REFERENCE = 1200
_SCALES = (1, 2, 4, 8, 16, 32)
#: Up to this many blocks no later stretch may look the same.
_SHORT = 8
#: Robust standard deviations that a start must stand out by to be found, and then to go on.
_TO_FIND = 3.5
_TO_GO_ON = 2.5
_LEAST_EXCESS = 0.01
#: A start that is faster is told from this share on, one of more than `_LONG_S` from the other.
_LEAST_FASTER, _LEAST_FASTER_LEVEL = 0.05, 0.1
#: A start that is faster ends once and for all: as much of the rest at most is nearer to it.
_COMES_BACK = 0.02
#: Cool blocks in a row that a warm-up may hold, and the part of the warmth before them that must
#: come behind them: chance alone makes single blocks a little warm.
_BRIDGED, _AS_WARM = 1, 0.5
#: A longer cut [s] must decay: a last third with this share of the first third's excess is a level.
_LONG_S = 5.0
_LEVEL = 0.7
_DEEPEST = 2
#: Fewer pauses than these make no warm-up by themselves if so many like them come later, the
#: largest of which is about as large.
_FEW, _COME_AGAIN, _AS_LARGE = 16, 5, 1.2
#: Share of their spread that blocks of a run have left without its growth.
_GROWS = 0.5
#: Robust standard deviations from which on a loop is a pause, and the first one of all.
_PAUSE, _FIRST_PAUSE = 6.0, 4.0
#: A start is slow in shorter blocks too: one may end between a pause and what makes up for it.
_SHORTER = 0.77
#: Those by which the median of ten loops may lie above the usual one (three of its own).
_AS_USUAL = 1.2
#: A start that ends at once stands out by so many, and leaves no more than this share of its
#: excess behind.
_STEP, _LEFT = 3.0, 0.1
#: Loops of which a median is taken at least, and pauses that may be all of a start at most.
_FEWEST = 3


@dataclass(frozen=True)
class WarmUp:
    """The cut between warm-up and the rest."""

    loops: int  #: Loops to leave out at the start; 0 where no warm-up shows
    seconds: float  #: Their duration [s]
    #: Loops of a start that is faster than the rest; 0 where there is none. They are left out, too,
    #: unless one of them is the longest of all or later ones are as short again.
    faster_loops: int = 0
    faster_s: float = 0.0  #: Their duration [s]


class _Limit(NamedTuple):
    """Means of so many blocks above the limit are warm; `level` is the usual one.

    `total` is the blocks' running sum.
    """

    blocks: int
    limit: float
    level: float
    total: Float


def warm_up(x: ArrayLike, start_s: ArrayLike) -> WarmUp:
    """Where the warm-up ends: a scan forward, held against equally long stretches later on.

    The series becomes blocks of 0.25 s, or a 16th of a shorter run, at least 10 loops each, with a
    mean and a median. From the first block on, a block is dropped while, for some h of 1, 2, 4 ..
    32, the mean of the next h blocks lies above that of the stretches of h blocks behind the
    longest cut (a third of the run, at most 15 s): by 3.5 of their robust standard deviations to be
    found and 2.5 to go on, by 1 % of their level (3 % for one block), and for h up to 8 above every
    one of them. Where those grow along a line they are taken as they were without. Means see what
    warms up in a rare call, medians what warms up in every loop. A few pauses such as come later on
    too are no warm-up, nor is what blocks a quarter shorter do not show by 2.5 deviations: one that
    ends between a pause and what makes up for it. Of single loops at the start only these are cut.
    A cut of more than 5 s that does not decay is a level, which change points tell; the warm-up is
    looked for again within it. A cut is at least 1 s long, but for a start that ends at once, from
    one loop to the next, or is slow by up to three pauses alone: it is cut where it, or the last of
    them, ends. The same scan upside down tells a start that is faster. It is cut, also where it is
    a level, if it ends once and for all (no more than 2 % of the later blocks are nearer to it) and
    the longest loop comes after it: what is left out is nothing that speaks against the loop.

    Parameters
    ----------
    x : array_like, shape (n,)
        Periods, or works of a paced loop, in loop order.
    start_s : array_like, shape (n,) [s]
        Start times.

    Raises
    ------
    NotEnoughError
        If the run holds fewer than 16 blocks.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> t = np.arange(6000) * 0.01
    >>> x = 10 * (1 + 0.2 * np.exp(-t / 2)) + rng.normal(0, 0.5, 6000)
    >>> bool(4 < warm_up(x, t).seconds < 12)
    True
    >>> warm_up(rng.normal(10, 0.5, 6000), t).loops
    0
    """
    values, logged = as_pair(x, start_s, 2, "the end of the warm-up")
    times = _usual_first(logged)
    loops = _per_block(times)
    if len(values) < LEAST_BLOCKS * loops:
        raise NotEnoughError(
            f"the end of the warm-up needs at least {LEAST_BLOCKS * loops:,} loops "
            f"({LEAST_BLOCKS} blocks), there are {len(values):,}"
        )
    cut = _settles(values, times)
    if cut and _only_pauses(values, times, cut):
        cut = 0
    if not cut:
        return _faster(values, times)
    first = _first_pauses(values, cut)
    if first and not _slow_behind(values, times, first, median(values[cut:])):
        return WarmUp(first, float(logged[first] - logged[0]))
    if not _scan(values, times, max(round(_SHORTER * loops), 1), _TO_GO_ON):
        return _faster(values, times)
    least_s = min(LEAST_CUT_S, LONGEST_SHARE * float(times[-1] - times[0]))
    cut = max(cut, int(np.searchsorted(times, times[0] + least_s)))
    cut = _last_pause(values, times, cut) or _at_once(values, times, cut)
    return WarmUp(cut, float(logged[cut] - logged[0]))


def _usual_first(t: Float) -> Float:
    """Start times as if the first loop were as long as others, if it is too long for a warm-up.

    A device that takes seconds to open would hide itself in a short recording.
    """
    steps = np.diff(t)
    if steps[0] <= min(LONGEST_S, LONGEST_SHARE * float(t[-1] - t[0])):
        return t
    return np.append(t[0], t[1:] - steps[0] + median(steps))


def _faster(x: Float, t: Float) -> WarmUp:
    """A start that is faster than the rest, and whether it is cut."""
    least, first = _LEAST_FASTER, _settles(-x, t)
    over = _ends_for_good(x, t, first)
    if not over:
        level = _scan(-x, t)
        if over := _ends_for_good(x, t, level):
            least, first = _LEAST_FASTER_LEVEL, level
    if not first or x[:first].sum() > (1 - least) * first * x[first:].mean():
        return WarmUp(0, 0.0)
    seconds = float(t[first] - t[0])
    cut = over and x[:first].max() <= x[first:].max()
    return WarmUp(first if cut else 0, seconds if cut else 0.0, first, seconds)


def _ends_for_good(x: Float, t: Float, first: int) -> bool:
    """Whether hardly any block behind a start is nearer to it than to the others."""
    if not first:
        return False
    blocks = window_medians(x[first:], t[first:], _per_block(t)).medians
    half_way = (median(x[:first]) + median(x[first:])) / 2
    return float((blocks < half_way).mean()) <= _COMES_BACK


def _only_pauses(x: Float, t: Float, cut: int) -> bool:
    """Whether a start is slow by a few pauses alone, such as come later on too."""
    level, wide = _usual(x[cut:])
    pauses = x - level > _PAUSE * wide
    early = x[:cut][pauses[:cut]] - level
    if not 0 < len(early) < _FEW:
        return False
    later = x[cut:][pauses[cut:]] - level
    like = np.count_nonzero(later >= 0.5 * median(early))
    if like < _COME_AGAIN or early.max() > _AS_LARGE * later.max():
        return False
    return not _settles(np.where(pauses, level, x), t)


def _first_pauses(x: Float, cut: int) -> int:
    """How many of the first loops are pauses, those behind which are as the rest; 0 of many."""
    level, wide = _usual(x[cut:])
    first = int(np.argmax(x[: LEAST_LOOPS + 1] - level <= _PAUSE * wide))
    if not first and x[0] - level > _FIRST_PAUSE * wide:
        first = 1
    behind = median(x[first : first + LEAST_LOOPS])
    return first if behind - level <= _AS_USUAL * wide else 0


def _last_pause(x: Float, t: Float, cut: int) -> int:
    """Loops up to the last of a few pauses that are all of a start; 0 where there is more to it."""
    level, wide = _usual(x[cut:])
    pauses = np.flatnonzero(x[:cut] - level > _PAUSE * wide)
    if not 0 < len(pauses) <= _FEWEST:
        return 0
    without = x.copy()
    without[pauses] = level
    return 0 if _settles(without, t) else int(pauses[-1]) + 1


def _at_once(x: Float, t: Float, cut: int) -> int:
    """Where a start ends within a cut, if it does so from one loop to the next; else the cut.

    Its end parts the loops of the cut best in two (least squares), and what is behind it is no
    start: a tenth of a large step may be most of a loop.
    """
    level, wide = _usual(x[cut:])
    part = np.arange(1, cut)
    total = np.cumsum(x[:cut] - level)
    apart = total[:-1] / part - (total[-1] - total[:-1]) / (cut - part)
    end = 1 + int(np.argmax(apart**2 * part * (cut - part)))
    quarter = end // 4
    if min(quarter, cut - end) < _FEWEST:
        return cut
    step = median(x[:end]) - level
    first, last = median(x[:quarter]) - level, median(x[end - quarter : end]) - level
    left = max(median(y) for y in (x[end:cut], x[end : end + LEAST_LOOPS])) - level
    sharp = step > _STEP * wide and last >= _LEVEL * first
    gone = left <= min(_LEFT * step, _AS_USUAL * wide)
    return end if sharp and gone and not _slow_behind(x, t, end, level) else cut


def _usual(rest: Float) -> tuple[float, float]:
    """The level of loops behind a start, and their robust standard deviation."""
    return median(rest), MAD_SCALE * mad(rest)


def _slow_behind(x: Float, t: Float, first: int, level: float) -> bool:
    """Whether a start is slow though its first loops were as usual."""
    return bool(_settles(np.append(np.full(first, level), x[first:]), t))


def _per_block(t: Float) -> int:
    """Loops in a block, by the mean period: a stretch of time, and no more than 1/16 of the run."""
    period = float(t[-1] - t[0]) / (len(t) - 1)
    usual = round(BLOCK_S / period) if period > 0 else LEAST_LOOPS
    return max(LEAST_LOOPS, min(usual, len(t) // LEAST_BLOCKS))


def _settles(x: Float, t: Float, depth: int = 0) -> int:
    """Loops before the end of a slow start."""
    cut = _scan(x, t)
    if cut and t[cut] - t[0] > _LONG_S:
        level, third = float(x[len(x) // 2 :].mean()), cut // 3
        first = float(x[:third].mean()) - level
        last = float(x[cut - third : cut].mean()) - level
        if first <= 0 or last >= _LEVEL * first:
            return _settles(x[:cut], t[:cut], depth + 1) if depth < _DEEPEST else 0
    return cut


def _scan(x: Float, t: Float, loops: int | None = None, to_find: float = _TO_FIND) -> int:
    """Loops of the blocks that are warm, from the first one on."""
    loops = _per_block(t) if loops is None else loops
    count = len(x) // loops
    if count < LEAST_BLOCKS:
        return 0
    longest_s = min(LONGEST_S, LONGEST_SHARE * float(t[-1] - t[0]))
    cap = min(int(np.searchsorted(t, t[0] + longest_s)) // loops, int(LONGEST_SHARE * count))
    means = x[: count * loops].reshape(count, loops).mean(axis=1)
    medians = window_medians(x, t, loops).medians
    means, medians = (_without_growth(y, cap) for y in (means, medians))
    levels = (
        float(means[cap : cap + _REFERENCE].mean()),
        median(medians[cap : cap + _REFERENCE]),
    )

    def limits(deviations: float) -> list[_Limit]:
        return _limits(means, cap, levels[0], deviations) + _limits(
            medians, cap, levels[1], deviations
        )

    if not _warmth(limits(to_find), 0):
        return 0
    going_on, block, last, before = limits(_TO_GO_ON), 0, 0, 0.0
    while block < cap and block - last <= _BRIDGED:
        warmth = _warmth(going_on, block)
        if warmth > (0.0 if block == last else _AS_WARM * before):
            last, before = block + 1, warmth
        block += 1
    return last * loops


def _without_growth(y: Float, cap: int) -> Float:
    """Blocks of a run that grows along a line, as if it stayed as it is behind the longest cut.

    The start is held against what soon follows it. What falls may be the warm-up itself.
    """
    rest = y[cap : cap + _REFERENCE]
    third, at = len(rest) // 3, np.arange(len(rest))
    low, high = median(rest[:third]), median(rest[-third:])
    line = (high - low) / max(len(rest) - third, 1) * (at - (third - 1) / 2)
    if high <= low or mad(rest - line) > _GROWS * mad(rest):
        return y
    level = max(low + float(line[0]), median(rest[: max(_SCALES)]))
    made = y.copy()
    made[cap : cap + _REFERENCE] = rest - low - line + level
    return made


def _limits(y: Float, cap: int, level: float, deviations: float) -> list[_Limit]:
    """From where on the means of 1, 2, 4 .. blocks are warm."""
    rest, made = y[cap : cap + _REFERENCE], []
    total, later = (np.append(0.0, np.cumsum(v)) for v in (y[: cap + _REFERENCE], rest))
    for blocks in _SCALES:
        if len(rest) < 8 * blocks:
            break
        means = (later[blocks:] - later[:-blocks]) / blocks
        middle = median(means)
        spread = max(MAD_SCALE * mad(means), (percentiles(means, [95])[0] - middle) / 1.645)
        least = _LEAST_EXCESS * abs(level) * (3 if blocks == 1 else 1)
        limit = max(middle + deviations * spread, level + least)
        if blocks <= _SHORT:
            limit = max(limit, float(means.max()))
        made.append(_Limit(blocks, limit, level, total))
    return made


def _warmth(limits: list[_Limit], block: int) -> float:
    """How far the stretch from a block on lies above the rest, at the length where it most does.

    0 where it is as slow as others are, at all of the lengths.
    """
    means = (
        ((at.total[block + at.blocks] - at.total[block]) / at.blocks, at)
        for at in limits
        if block + at.blocks < len(at.total)
    )
    return max((float(mean) - at.level for mean, at in means if mean > at.limit), default=0.0)
