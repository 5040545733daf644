"""By which rule something recurs that is checked once a loop: told from its own gaps."""

import numpy as np

from looptime.array_types import Bool, Int
from looptime.records import dataclass
from looptime.stats.arrays import Float, median

__all__ = ["FEWEST", "Mechanism", "Rule", "mechanism"]

#: Occurrences from which on a rule is looked for; fewer than `_USUAL` only where they are rare.
FEWEST = 4
_USUAL = 6
#: Share of the gaps that a rule must explain.
_EXPLAINED = 0.97
#: Gaps from which on a single one may break a rule: a pause of the program may fall anywhere.
_FEW = 10
#: A rule with this many exceptions more than the best, and this many times as many, is out.
_MORE = 3
_TIMES = 5
#: Share of the gaps of N loops from which on a few of 2 N and more are turns left out.
_TURNS_MADE = 0.8
#: Occurrences that a timetable is fitted to.
_MOST = 2000
_TRIED = 61
#: A glance at wider steps, before those are tried.
_GLANCED = 9
#: A timetable is held against the first occurrences before all of them.
_FIRST = 192
#: A timetable that fits by chance as often as this is not taken for one.
_BY_CHANCE = 1e-3


@dataclass(frozen=True)
class Rule:
    """A rule held against the gaps."""

    name: str  #: As in `Mechanism`
    #: Its number of loops or interval, and the stretch in which that lies.
    value: float
    low: float
    high: float
    broken: int = 0  #: How many gaps break it
    share: float = 1.0  #: How likely it is among those that explain the gaps


@dataclass(frozen=True)
class Mechanism:
    """A rule by which something recurs."""

    #: ``loops``, ``since start``, ``since end`` or ``timetable``; ``unknown`` where several rules
    #: explain the gaps equally well; empty where none does, or too little is seen.
    name: str = ""
    #: Loops from one to the next, or the interval [unit of the instants]; of the first of
    #: `could_be` where the rule is unknown. 0 where there is none.
    value: float = 0.0
    explained: float = 0.0  #: Share of the gaps that the rule explains
    #: The rules that explain the gaps; the one rule where it is known.
    could_be: tuple[Rule, ...] = ()


def mechanism(
    check: Float, made: Int, end: Float, tolerance: float, joined: Bool | None = None
) -> Mechanism:
    """The rule by which something recurs that is checked once a loop.

    Whatever rule is kept, each gap bounds its value. What is made at the first check D after it
    last began was not made at the check before: D lies between the time from the last start to
    that check and the time to the next start. The same holds from the last end, and for the
    instants of a timetable, of which one lies between the two checks. The value that most gaps
    allow is taken for each rule, and rules that are broken clearly more often are out.

    Parameters
    ----------
    check : float array, shape (n,)
        Instant in each loop at which it was checked, rising; where it was made, its start.
    made : int array, shape (k,)
        Loops in which it was made, rising.
    end : float array, shape (k,)
        When it ended there.
    tolerance : float
        Uncertainty of an instant [same unit].
    joined : bool array, shape (n - 1,), optional
        Whether a loop and the next adjoin; gaps across a joint say nothing.

    Returns
    -------
    Mechanism
        Without a name where fewer than 6 are seen, or 4 if they are so rare that their gaps agree
        by chance in less than one case of a thousand.

    Examples
    --------
    >>> check = np.cumsum(np.random.default_rng(1).uniform(8.0, 12.0, 3000))
    >>> made, last = [], 0.0
    >>> for k, now in enumerate(check):
    ...     if now - last >= 100:
    ...         made.append(k)
    ...         last = now
    >>> found = mechanism(check, np.array(made), check[made] + 0.5, 0.02)
    >>> found.name, round(found.value)
    ('unknown', 100)
    >>> [rule.name for rule in found.could_be]
    ['since start', 'since end']
    """
    if len(made) < FEWEST:
        return Mechanism()
    steps, seen = np.diff(made), _unbroken(made, joined)
    if seen.sum() < FEWEST - 1:
        return Mechanism()
    # each gap beyond the first agrees with a rule by chance once in so many loops
    if len(made) < _USUAL and median(steps[seen]) ** (2 - len(made)) > _BY_CHANCE:
        return Mechanism()
    start, before = check[made], check[made[1:] - 1]
    if median(steps[seen]) < 2:  # made in a stretch of loops, in all of them
        return Mechanism()
    rules = [_by_loops(steps, seen)]
    for name, last in (("since start", start[:-1]), ("since end", end[:-1])):
        rules.append(_by_interval(name, last, before, start[1:], seen, tolerance))
    period = median(np.diff(check))
    whole = _longest(seen)
    allowed = _allowed(int(seen.sum()))
    table = _by_timetable(start[1:][whole], before[whole], period, tolerance, allowed)
    return _chosen([*rules, table] if table else rules, int(seen.sum()))


def _unbroken(made: Int, joined: Bool | None) -> Bool:
    """Which gaps hold no joint."""
    if joined is None:
        return np.ones(len(made) - 1, bool)
    joints = np.append(0, np.cumsum(~joined))
    return np.asarray(joints[made[1:]] == joints[made[:-1]])


def _longest(seen: Bool) -> slice:
    """The longest stretch of gaps that hold no joint."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.view(np.int8), [0]])))
    begin, end = edges[::2], edges[1::2]
    longest = int(np.argmax(end - begin))
    return slice(int(begin[longest]), int(end[longest]))


def _by_loops(steps: Int, seen: Bool) -> Rule:
    """Every N loops; a turn may be left out where most are not."""
    usual = int(np.bincount(steps[seen]).argmax())
    skipped = usual > 2 and np.mean(steps[seen] == usual) >= _TURNS_MADE

    def breaks(some: Int) -> Bool:
        return np.asarray(some % usual != 0 if skipped else some != usual)

    two = steps[1:] + steps[:-1]
    broken = _exceptions(breaks(steps), breaks(two) & (two != 2 * usual), seen)
    return Rule("loops", float(usual), usual, usual, broken)


def _by_interval(
    name: str, last: Float, before: Float, start: Float, seen: Bool, tolerance: float
) -> Rule:
    """So much time after the last one: between the check before and the start, of most gaps."""
    low, high = (np.maximum(at - last, 0.0) for at in (before, start))
    _, first, final = _best_cover(low[seen] - tolerance, high[seen] + tolerance)
    value = (first + final) / 2

    def breaks(low: Float, high: Float, value: float) -> Bool:
        return np.asarray((low - tolerance > value) | (high + tolerance < value))

    at_once, later = before[1:] - last[:-1], start[1:] - last[:-1]
    check = median(start - before)  # the one between comes up to so much late
    two = breaks(at_once, later, value) & breaks(at_once - check, later, 2 * value)
    broken = _exceptions(breaks(low, high, value), two, seen)
    first, final = max(first + tolerance, 0.0), max(final - tolerance, 0.0)
    left, right = min(first, final), max(first, final)
    return Rule(name, (left + right) / 2, left, right, broken)


def _exceptions(broken: Bool, over_two: Bool, seen: Bool) -> int:
    """How often gaps break a rule; two in a row that keep it together do so once.

    Between them lies what is none of these, as a pause in the same call, maybe in the place of one
    that was missed: a timetable has one exception there too.
    """
    count, passed = 0, -1
    for at in np.flatnonzero(broken & seen).tolist():
        if at > passed:
            count += 1
            two = at + 1 < len(broken) and broken[at + 1] and seen[at + 1] and not over_two[at]
            passed = at + two
    return count


def _by_timetable(
    start: Float, before: Float, period: float, tolerance: float, allowed: float
) -> Rule | None:
    """Instants `phase + k P`, one of which lies between the two checks of each occurrence.

    Two free values make few occurrences fit by chance, each with the odds of a loop's length
    within P: None where that is not unlikely, or more than `allowed` occurrences break it.
    """
    start, before = start[:_MOST], before[:_MOST]
    if len(start) < 3:
        return None
    gaps = np.diff(start)
    usual = float(gaps[gaps <= 1.5 * median(gaps)].mean())
    if usual <= 0:  # the clock stood still
        return None
    odds = (period + 2 * tolerance) / usual
    if odds > 0.8 or odds ** (len(start) - 3) * _TRIED**2 > _BY_CHANCE:
        return None
    tried: list[Float] = []
    for round_up in (0.5, 0.25):  # a gap of 1.6 P may hold one instant or two
        beat = np.append(0.0, np.cumsum(np.maximum(np.floor(gaps / usual + round_up), 1)))
        if beat[-1] <= len(start) / _TURNS_MADE and not (tried and (beat == tried[0]).all()):
            tried.append(beat)
    found = [
        _fitted(start, before, beat, period, tolerance)
        for beat in tried
        if not _out_of_reach(start, before, beat, period, tolerance, allowed)
    ]
    return min(found, key=lambda rule: rule.broken, default=None)


def _out_of_reach(
    start: Float, before: Float, beat: Float, period: float, tolerance: float, allowed: float
) -> bool:
    """Whether occurrences, the first of them first, break any timetable that `_fitted` tries.

    Each of a row of intervals stands for all up to the next: the stretches that occurrences allow
    are widened by what that may shift them.
    """
    since = beat - beat.mean()
    middle, reach = float(since @ (start - start[0]) / (since @ since)), 1.1 * 2 * period / beat[-1]
    for tried, k in ((_GLANCED, _FIRST), (_TRIED, _FIRST), (_TRIED, len(beat))):
        shift = np.linspace(middle - reach, middle + reach, tried)[:, None] * beat[:k]
        wide = 1.01 * reach / (tried - 1) * beat[:k] + tolerance
        covered = _best_covers(before[:k] - shift - wide, start[:k] - shift + wide)[0]
        if len(beat[:k]) - covered.max() > allowed:
            return True
    return False


def _middle(start: Float, beat: Float) -> float:
    """The interval that fits the starts best."""
    return float(np.polyfit(beat, start, 1)[0])


def _fitted(start: Float, before: Float, beat: Float, period: float, tolerance: float) -> Rule:
    """The interval that most occurrences allow, given the instant of the timetable of each."""
    middle, reach = _middle(start, beat), 2 * period / beat[-1]
    best = (0, 0.0, middle)
    for _ in range(3):
        every = np.linspace(best[2] - reach, best[2] + reach, _TRIED)
        shift = every[:, None] * beat
        covered, first, last = _best_covers(before - shift - tolerance, start - shift + tolerance)
        wide = np.where(covered == covered.max(), last - first, -np.inf)
        at = np.flatnonzero(wide == wide.max())[-1]  # of those alike, the longest interval
        best = max(best, (int(covered[at]), float(wide[at]), float(every[at])))
        reach *= 4 / _TRIED
    low, high = _left_open(start, before, beat, best[2], tolerance)
    return Rule("timetable", best[2], low, high, len(start) - best[0])


def _left_open(
    start: Float, before: Float, beat: Float, every: float, tolerance: float
) -> tuple[float, float]:
    """The stretch of intervals that the occurrences which allow `every` leave open.

    Between an early and a late one lie so many intervals, and at most the time from the check
    before the one to the start of the other; at least that from start to check.
    """
    shift = every * beat
    begin, end = before - shift - tolerance, start - shift + tolerance
    _, first, last = _best_cover(begin, end)
    middle = (first + last) / 2
    kept = np.flatnonzero((begin <= middle) & (middle <= end))
    if len(kept) < 2:
        return every, every
    some = max(len(kept) // 4, 1)
    early, late = kept[:some], kept[-some:, None]
    passed = beat[late] - beat[early]
    low = ((before[late] - start[early] - 2 * tolerance) / passed).max()
    high = ((start[late] - before[early] + 2 * tolerance) / passed).min()
    return min(float(low), every), max(float(high), every)


def _best_cover(low: Float, high: Float) -> tuple[int, float, float]:
    """How many of the intervals the best point lies in, and the stretch of such points."""
    covered, first, last = _best_covers(low[None], high[None])
    return int(covered[0]), float(first[0]), float(last[0])


def _best_covers(low: Float, high: Float) -> tuple[Int, Float, Float]:
    """The best cover of each row of intervals; shapes (rows, k), each result (rows,).

    Where a row has a point that lies in all of its intervals, rows without one count as none. Else
    a cover is greatest where an interval begins, and there first; beginnings and ends are sorted
    apart, which takes a quarter of the time of sorting edges that know what they are.
    """
    first, last = low.max(axis=1), high.min(axis=1)
    if (first <= last).any():
        return np.where(first <= last, low.shape[1], 0), first, last
    begin, end = np.sort(low, axis=1), np.sort(high, axis=1)
    pairs = zip(end, begin, strict=True)
    ended = np.array([of_row.searchsorted(at) for of_row, at in pairs])
    cover = np.arange(1, low.shape[1] + 1) - ended
    row, best = np.arange(len(low)), np.argmax(cover, axis=1)
    beyond = np.full((len(low), 1), np.inf)
    after = np.minimum(
        np.append(begin, beyond, axis=1)[row, best + 1],
        np.append(end, beyond, axis=1)[row, ended[row, best]],
    )
    first = begin[row, best]
    return cover[row, best], first, np.where(np.isinf(after), first, after)


def _allowed(gaps: int) -> float:
    """How many gaps may break a rule."""
    return max((1 - _EXPLAINED) * gaps, 1 if gaps >= _FEW else 0)


def _chosen(rules: list[Rule], gaps: int) -> Mechanism:
    """The rule that is broken clearly least often, or those that cannot be told apart."""
    kept = [r for r in rules if r.broken <= _allowed(gaps)]
    if not kept:
        return Mechanism()
    least = min(r.broken for r in kept)
    kept = [r for r in kept if r.broken < max(least + _MORE, _TIMES * least)]
    kept.sort(key=lambda r: (r.broken, (r.high - r.low) / max(r.high, 1e-9)))
    name = kept[0].name if len(kept) == 1 else "unknown"
    return Mechanism(name, kept[0].value, 1 - kept[0].broken / gaps, tuple(kept))
