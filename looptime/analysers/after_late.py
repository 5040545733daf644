"""What becomes of the ticks after a late loop: kept, counted anew from it, or made up for."""

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass

__all__ = ["AfterLate", "LateLoops", "after_late", "late_loops"]

#: How far from the old ticks a start may be that keeps them, as a share of one, or so many times
#: what usual loops scatter by; from which share on chance alone would have it there too often.
_OFF, _WIDE, _MOST_OFF = 0.05, 3.0, 0.2
#: Excess of late loops, in nominal periods a loop, from which on sums tell what became of it.
_TELLS = 0.01
#: From how many ticks on a loop is taken to be one of two.
_TWO_TICKS = 1.5
#: Late loops that are enough to say that others would fare alike.
_FEW = 3


@dataclass(frozen=True)
class LateLoops:
    """Which loops are late, and what becomes of the pace then."""

    becomes: str  #: ``skips``, ``catches up``, or empty where too few tell
    late: Bool  #: shape (n,)
    in_time: Bool  #: Neither late nor shorter for one that was, shape (n,)
    made_up: int  #: Times that the next are shorter; of a loop that skips, that no tick was missed
    slot_share: float | None  #: Share of the late ones after which starts keep the old ticks


def late_loops(
    period: Float, nominal: float, usual: float, wide: float, slack: float, clock_ms: float,
    rule: str = "", *, steady: bool = True,
) -> LateLoops:  # fmt: skip
    """Which loops come late, and whether the ticks they miss are lost or made up for.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop.
    nominal, usual : float [ms]
        The period aimed at, and that of loops in time.
    wide, slack : float [ms]
        By how much loops in time scatter, and how much longer a late one is at least.
    clock_ms : float [ms]
        By how much the clock alone may lengthen a loop.
    rule : str
        What a late loop does to the next where that is known, as `KeptTick` has it.
    steady : bool
        Whether loops in time are a tick long, and not longer and shorter by turns.

    Examples
    --------
    >>> period = np.full(100, 20.0)
    >>> period[[30, 60, 80]] = 40.0
    >>> found = late_loops(period, 20.0, 20.0, 0.1, 2.0, 0.0)
    >>> found.becomes, found.made_up, found.slot_share
    ('skips', 0, 1.0)
    >>> period[[31, 61, 81]] = 8.0
    >>> period[[32, 62, 82]] = 12.0
    >>> found = late_loops(period, 20.0, 20.0, 0.1, 2.0, 0.0)
    >>> found.becomes, found.made_up
    ('catches up', 3)
    """
    late = period > (_TWO_TICKS * usual if rule == "skip" else usual + slack)
    after = np.flatnonzero(late[:-1] & ~late[1:])
    caught = period[after + 1] < usual - max(3 * wide, 0.03 * usual)
    told = after_late(period, usual, late, max(wide, clock_ms / _WIDE)) if steady else None
    long = period > nominal + max(0.05 * nominal, clock_ms)
    becomes = "catches up" if rule == "catch-up" else "skips" if rule else ""
    if not rule and told is not None and told.lost > told.caught_up:
        becomes = "skips" if len(after) >= _FEW else ""
    elif _made_up_in_the_end(period, nominal, long):
        becomes, late, caught = becomes or "catches up", long, long[:-1] & (np.diff(period) < 0)
    elif not rule and len(after) >= _FEW:
        becomes = "catches up" if caught.mean() >= 0.5 else "skips"
    elif not rule and len(after) and caught.all() and _made_up(period, after, usual):
        far = float(period[late].max()) > _TWO_TICKS * usual  # else no rule would miss a tick
        becomes = "catches up" if far else ""
    in_time, made_up = ~late, int(caught.sum()) if becomes == "catches up" else 0
    if becomes == "skips":
        in_time &= period > usual - slack
        made_up = 0 if told is None else told.made_up
    share = _in_slots(period[late], nominal) if told is None or not told.count else told.share
    return LateLoops(becomes, late, in_time, made_up, share)


def _made_up_in_the_end(period: Float, nominal: float, long: Bool) -> bool:
    """Whether most of what long loops took more is not in the sum over all."""
    more = period - nominal
    excess = float(more[long].sum())
    tells = excess > _TELLS * nominal * len(period)
    return tells and excess - float(more.sum()) > 0.5 * excess


def _made_up(period: Float, after: Int, usual: float) -> bool:
    """Whether the loops after a late one make up what it lost: 2 loops or more, at least half."""
    for k in after:
        lost = period[k] - usual
        gained = np.cumsum(usual - period[k + 1 : k + 1 + int(np.ceil(4 * lost / usual)) + 2])
        if not len(gained) or gained.max() < 0.5 * lost:
            return False
    return True


def _in_slots(late: Float, nominal: float) -> float | None:
    """Share of the late loops that took whole nominal periods, two at least, within a tenth."""
    if not len(late):
        return None
    multiple = late / nominal
    return float(np.mean((np.abs(multiple - np.round(multiple)) <= 0.1) & (multiple > 1.5)))


@dataclass(frozen=True)
class AfterLate:
    """How starts lie after late loops, up to the next one that is as long as ever."""

    count: int  #: Times that loops came late, those one after another as one
    back: int  #: Times that starts lie on the old ticks again
    made_up: int  #: Of these, times that there were as many loops as ticks
    #: Of those in which a loop was later than a tick: where ticks were missed, and where none was.
    lost: int
    caught_up: int

    @property
    def share(self) -> float | None:
        """Share of the times in which starts lie on the old ticks again."""
        return self.back / self.count if self.count else None


def after_late(period: Float, tick_ms: float, late: Bool, wide_ms: float) -> AfterLate | None:
    """Where starts lie after late loops; None where usual loops scatter too far to tell.

    A loop that waits for its next tick starts on it, however late it was, and so does the one
    after it if itself was woken late. One that counts a tick from its own start keeps what it is
    late by.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop.
    tick_ms : float [ms]
        What loops in time take.
    late : bool array, shape (n,)
        Which are late.
    wide_ms : float [ms]
        By how much loops in time scatter.

    Examples
    --------
    >>> period = np.full(100, 20.0)
    >>> period[[30, 31, 60, 61, 80, 81]] = [55.9, 24.1, 47.3, 12.7, 26.0, 14.0]
    >>> after_late(period, 20.0, period > 22, 0.1)
    AfterLate(count=3, back=3, made_up=1, lost=2, caught_up=0)
    >>> after_late(np.where(period < 20, 20.0, period), 20.0, period > 22, 0.1).back
    1
    """
    off = max(_OFF * tick_ms, _WIDE * wide_ms)
    if off > _MOST_OFF * tick_ms:
        return None
    unusual = np.abs(period - tick_ms) > off
    begin = np.flatnonzero(unusual & ~np.append(False, unusual[:-1]))
    end = np.flatnonzero(unusual & ~np.append(unusual[1:], False)) + 1
    whole = end < len(period)  # the log ends within the last
    begin, end = begin[whole], end[whole]
    edges = np.ravel((begin, end), "F")
    came, longest = (
        f.reduceat(x, edges)[::2] for f, x in ((np.logical_or, late), (np.maximum, period))
    )
    at = np.append(0.0, np.cumsum(period))
    more = (at[end] - at[begin])[came] - tick_ms * (end - begin)[came]
    ticks = np.rint(more / tick_ms)
    back = np.abs(more - ticks * tick_ms) <= off
    far = longest[came] > 2 * tick_ms - off
    counts = (came, back, back & (ticks <= 0), back & far & (ticks > 0), back & far & (ticks <= 0))
    return AfterLate(*(int(x.sum()) for x in counts))
