"""The timetable that waits keep, where late wakes and overruns hide it in periods and slopes.

Each rule by which a loop may be paced says how long the loop will wait, from when it began, how
long it worked and what was due before. The rule is told by how many waits are as long as it says,
against as many as any sleep of one length would have as long.
"""

from collections.abc import Callable

import numpy as np

from looptime.analysers.kept_grid import on_grid
from looptime.analysers.late_ticks import FEWEST, KeptTick, densest, waits_in
from looptime.array_types import Bool, Float
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.stats.quantiles import percentiles

__all__ = ["as_long_each_time", "kept_timetable", "with_timetable"]

#: Loops from the middle of a longer run that tell as much as all of them: a rule, or a length.
_ENOUGH, _MANY = 2048, 65_536
#: Width of the window that holds waits as long as a rule says, as a share of the tick.
_WINDOW = 0.02
#: Time left from which on a loop has to wait, as a share of the tick, and how many such loops must
#: wait as long as the rule says.
_LEFT, _HELD = 0.03, 0.25
#: Standard errors by which a rule must hold more waits than a sleep does, and how many times as
#: many must speak for it as against it.
_SURE_Z, _FOR = 5.0, 3.0
#: Share of the loops by which one rule must hold more waits than the next to be the one.
_TOLD_APART = 0.02
#: By how much a sleep of one length may end earlier than it does as a rule, as a share of it and
#: in steps of the clock: nothing ends early, and half of the wakes are punctual.
_EARLIER, _STEPS = 0.15, 1.1
#: Ticks are likely whole numbers of so much [ms]; times that one is refined.
_ROUND_MS, _TIMES = 0.5, 3
#: How far a tick may be off the mean of loops that keep to a grid, for late ones.
_OF_MEAN = 0.03
#: What late loops do to the next by each rule.
_LATE = {"anew": "go-on", "skip": "at-once", "catch-up": "catch-up", "start": "go-on"}
_UNLIKE = (
    "waits of {:.3g} to {:.3g} ms are neither a sleep of one length nor end on a timetable: log "
    "what each wait is asked to last, or when it is due to end"
)
#: A wait is one from this share of the usual loop on.
_SOME = 0.01


@dataclass(frozen=True)
class _Fit:
    rule: str
    tick: float
    more: int  #: Waits that it alone holds, less those that only a sleep does
    surely: bool  #: Whether that is beyond chance


def with_timetable(
    mode: str, why: str, period: Float, wait: Float, grain: float, *, known: bool
) -> tuple[str, str, KeptTick | None]:
    """How a loop is paced, why and by which tick, as found before and by the timetable it keeps.

    Parameters
    ----------
    mode, why : str
        As found from slopes and periods.
    period, wait, grain
        As for `kept_timetable`.
    known : bool
        Whether the log shows the wait; else `wait` is what no call covers.

    Examples
    --------
    >>> wait = np.random.default_rng(1).uniform(0.5, 7, 400)
    >>> with_timetable("sleep after work", "", wait + 3, wait, 0.0, known=True)[0]
    "can't tell"
    """
    if mode == "fixed rate":
        return mode, why, kept_timetable(period, wait, grain)
    period, wait = _middle(period, _MANY), _middle(wait, _MANY)
    alike = as_long_each_time(wait[wait > _SOME * median(period)], grain)
    if alike and not known:
        return mode, why, None
    if (found := kept_timetable(period, wait, grain)) is not None:
        what = "waits end" if known else "what no call covers ends"
        why = f"{what} on a timetable of {found.ms:.4g} ms where the work leaves time"
        return "fixed rate", why, found
    if known and not alike:
        low, high = percentiles(wait, [5, 95])
        return "can't tell", _UNLIKE.format(low, high), None
    return mode, why, None


def as_long_each_time(wait: Float, grain: float = 0.0) -> bool:
    """Whether waits are as long each time as those of a sleep of one length: some late, none early.

    Parameters
    ----------
    wait : float array, shape (n,) [ms]
        What each loop waits.
    grain : float [ms]
        The clock's tick where lengths are whole numbers of it.

    Examples
    --------
    >>> late = np.random.default_rng(1).exponential(0.5, 400)
    >>> as_long_each_time(3 + late), as_long_each_time(np.linspace(0.1, 7, 400))
    (True, False)
    """
    if not len(wait):
        return True
    early, usual = percentiles(wait, [5, 60])
    return usual - early <= max(_EARLIER * usual, _STEPS * grain)


def kept_timetable(period: Float, wait: Float, grain: float = 0.0) -> KeptTick | None:
    """The timetable that most loops keep whose work leaves time, None where a sleep does as well.

    Parameters
    ----------
    period, wait : float arrays, shape (n,) [ms]
        Each loop's length, and what of it was spent waiting at its end, in the order of the loops.
    grain : float [ms]
        The clock's tick where lengths are whole numbers of it.

    Examples
    --------
    Due every 10 ms, and after a late loop from then on; a fifth of the wakes come late.

    >>> rng = np.random.default_rng(1)
    >>> work = rng.lognormal(2, 0.3, 700)
    >>> late = 0.1 + rng.exponential(2, 700) * (rng.random(700) < 0.2)
    >>> end, due, wait = 0.0, 0.0, np.zeros(700)
    >>> for k in range(700):
    ...     end += work[k]
    ...     due = max(due + 10, end)
    ...     wait[k] = due - end + late[k]
    ...     end += wait[k]
    >>> found = kept_timetable(work + wait, wait)
    >>> abs(found.ms - 10) < 0.05, found.late, kept_timetable(work + 3 + late, 3 + late)
    (True, 'go-on', None)
    """
    period, wait = _middle(period, _ENOUGH), _middle(wait, _ENOUGH)
    waited = waits_in(period, wait)
    if len(period) < FEWEST or waited.sum() < FEWEST:
        return None
    tick = densest(period[waited])
    if tick <= 0 or grain > _WINDOW * tick:
        return None
    ticks = [tick, round(tick / _ROUND_MS) * _ROUND_MS, 1e3 / max(round(1e3 / tick), 1)]
    fits = [fit for rule in _RULES if (fit := _best(rule, period, wait, ticks)).surely]
    mean = float(period.mean())
    if on_grid(period, grain):  # then all loops together tell the rate
        fits = [fit for fit in fits if abs(fit.tick / mean - 1) <= _OF_MEAN]
    if not fits:
        return None
    fits.sort(key=lambda fit: -fit.more)
    best = fits[0]
    alike = {_LATE[fit.rule] for fit in fits if best.more - fit.more <= _TOLD_APART * len(period)}
    return KeptTick(best.tick, _LATE[best.rule] if len(alike) == 1 else "", by_starts=True)


def _middle(x: Float, most: int) -> Float:
    """So many values from the middle."""
    first = max(len(x) - most, 0) // 2
    return x[first : first + most]


def _best(rule: str, period: Float, wait: Float, ticks: list[float]) -> _Fit:
    """A rule with the tick by which it holds most waits, begun with some and refined."""
    fits = [_fit(rule, period, wait, tick) for tick in ticks if tick > 0]
    found = max(fits, key=lambda fit: fit.more)
    for _ in range(_TIMES):
        better = _fit(rule, period, wait, _refined(rule, period, wait, found.tick))
        if better.more < found.more:
            break
        found = better
    return found


def _fit(rule: str, period: Float, wait: Float, tick: float) -> _Fit:
    """How well waits fit a rule, against a sleep of any one length."""
    due, _ = _due(rule, period, wait, tick)
    left = np.maximum(due - (np.cumsum(period) - wait), 0.0)
    window = _WINDOW * tick
    held = _densest(wait - left, window) & (wait - left >= -window)  # nothing ends early
    slept = _densest(wait, window)
    more, less = int((held & ~slept).sum()), int((slept & ~held).sum())
    some = left > _LEFT * tick
    enough = some.sum() >= FEWEST and held[some].mean() >= _HELD
    surely = more - less >= _SURE_Z * (more + less) ** 0.5 and more >= _FOR * less
    return _Fit(rule, tick, more - less, bool(enough and more > 0 and surely))


def _densest(x: Float, width: float) -> Bool:
    """Which values lie in the window of a width that holds most of them."""
    ordered = np.sort(x)
    inside = np.searchsorted(ordered, ordered + width, side="right") - np.arange(len(x))
    first = ordered[int(np.argmax(inside))]
    held: Bool = (x >= first) & (x <= first + width)
    return held


def _due(rule: str, period: Float, wait: Float, tick: float) -> tuple[Float, Float]:
    """When each wait is due to end by a rule, and how many ticks after the last; 0 if begun anew.

    No loop begins before it is due: where one does, the timetable was earlier than thought.
    """
    until = _RULES[rule]
    starts = np.append(0.0, np.cumsum(period)).tolist()
    ends = (np.cumsum(period) - wait).tolist()
    due, ticks, at = [0.0] * len(ends), [0.0] * len(ends), 0.0
    for k, end in enumerate(ends):
        start = starts[k]
        ticks[k], at = until(min(at, start), start, end, tick)
        due[k] = at
    return np.array(due), np.array(ticks)


def _refined(rule: str, period: Float, wait: Float, tick: float) -> float:
    """The tick by the punctual wakes, from each to the next on the same timetable."""
    due, ticks = _due(rule, period, wait, tick)
    wake = np.cumsum(period)
    punctual = np.flatnonzero(_densest(wake - due, _WINDOW * tick) & (ticks > 0))
    if rule == "start":  # each loop has its own
        return tick + float(np.mean((wake - due)[punctual])) if len(punctual) else tick
    if len(punctual) < FEWEST:
        return tick
    counted, begun = np.cumsum(ticks)[punctual], np.cumsum(ticks == 0)[punctual]
    same = (np.diff(begun) == 0) & (np.diff(counted) > 0)
    between, number = np.diff(wake[punctual])[same], np.diff(counted)[same]
    return float(between.sum() / number.sum()) if same.any() else tick


def _anew(at: float, start: float, end: float, tick: float) -> tuple[float, float]:
    """A tick after the last, or the end of the work if that is later."""
    return (1.0, at + tick) if at + tick >= end else (0.0, end)


def _skip(at: float, start: float, end: float, tick: float) -> tuple[float, float]:
    """The next of the ticks there are."""
    ticks = max(1.0, -((at - end) // tick))
    return ticks, at + ticks * tick


def _catch_up(at: float, start: float, end: float, tick: float) -> tuple[float, float]:
    """One of the ticks for each loop."""
    return 1.0, at + tick


def _from_start(at: float, start: float, end: float, tick: float) -> tuple[float, float]:
    """A tick after the loop began."""
    return (1.0, start + tick) if start + tick >= end else (0.0, end)


_RULES: dict[str, Callable[[float, float, float, float], tuple[float, float]]] = {
    "anew": _anew,
    "skip": _skip,
    "catch-up": _catch_up,
    "start": _from_start,
}
