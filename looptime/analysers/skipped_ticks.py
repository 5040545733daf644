"""The tick of which every loop takes a whole number, from lengths alone, however many it misses."""

import numpy as np

from looptime.analysers.beat_wait import CUT
from looptime.analysers.late_ticks import densest
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.stats.quantiles import interdecile

__all__ = ["SkippedTicks", "skipped_ticks"]

#: Parts of the usual loop that are tried as a tick, and steps in which a tick is made exact.
_PARTS, _STEPS = 6, 4
#: How far from a whole number of ticks a loop may end, as a share of one, how many do, and of how
#: many fewer on no step makes them as many: chance alone has 30 % there.
_OFF, _MOSTLY, _BY_FAR = 0.15, 0.9, 0.5
#: Loops of each of two numbers of ticks, and their share.
_EACH, _SHARE = 10, 0.01
#: From which share of the ticks missed on it is none that a loop could be meant to keep.
_MISSED = 0.85
#: Steps of the clock, as a share of the tick, from which on the clock makes loops whole by itself.
#: From which on all starts of a long log must lie within so many steps about the grid.
_COARSE, _HARDLY_FINE, _STAYS = 1 / 5, 1 / 8, 2.5
#: Loops over which time is looked at, the shorter span of all logs, and the longer of long ones.
_SPANS = (32, 256)
#: Of what independent lengths would add up to over a span, what a grid's may at most.
_ON_GRID = 0.15
#: Of a clock of large steps: by how much starts on its grid are apart in digits; digits to a tick,
#: from which on no timer keeps within one, and how far off a whole number of them; of what numbers
#: of ticks would vary by together, from which on no even loop makes them.
_DIGITS, _FINE, _BETWEEN, _AT_RANDOM = 1.03, 200.0, 0.02, 0.5
#: Of a wait that begins anew each time: how closely loops end and how far off whole ticks they do,
#: as a share of one; how alike they are that take unlike numbers; numbers that are no chance.
_CLOSE, _EXACT, _ALIKE, _NUMBERS = 0.01, 0.005, 3.0, 3

_SAID = {
    "grid": "as a timer or a device gives them",
    "anew": "each from the one before, as a timer or a device gives them",
    "clock": "of a timer, or of the clock's own steps: a finer clock would tell",
    "branches": (
        "each from the one before: of a wait that begins anew each time, or of two ways through "
        "work as even as that; time the wait under a name of its own"
    ),
}


@dataclass(frozen=True)
class SkippedTicks:
    """A tick of which all loops take a whole number."""

    ms: float
    missed: float  #: Share of the ticks at which no loop begins
    #: ``grid`` where starts keep to one; ``anew`` where each wait counts from the start before;
    #: ``clock`` where the clock may step by as much; ``branches`` where two ways through the work
    #: would look the same.
    known: str

    @property
    def said(self) -> str:
        """What it is told from, and what else would look the same."""
        whole = f"loops take whole multiples of {self.ms:.4g} ms"
        return f"{whole}, {_SAID[self.known]}"


def skipped_ticks(period: Float, grain: float = 0.0, tick_ms: float = 0.0) -> SkippedTicks | None:
    """The tick to which a loop is paced that takes one, two or more of them as its work needs.

    All lengths are whole multiples of it, and two multiples at least are common. Starts that keep
    to a grid add up to nothing over many loops but for what each is late by, while the lengths of
    loops that wait for nothing add up like a random walk, whatever they are near to.

    Parameters
    ----------
    period : float array, shape (n,) [ms]
        Each loop, in the order of the loops.
    grain : float [ms]
        The clock's step where lengths are whole numbers of it, else 0.
    tick_ms : float [ms]
        The clock's step.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> late = np.abs(rng.normal(0, 0.1, 401))
    >>> ticks = rng.choice([1, 2], 400, p=[0.4, 0.6])
    >>> found = skipped_ticks(20.0 * ticks + np.diff(late))
    >>> round(found.ms, 2), round(found.missed, 2), found.known
    (20.0, 0.38, 'grid')
    >>> skipped_ticks(rng.normal(20 * ticks, 0.3)) is None
    True
    """
    if len(period) < 4 * _SPANS[0]:
        return None
    for tick in _candidates(period):
        count = np.rint(period / tick).astype(np.int64)
        if tick * _COARSE < max(grain, tick_ms) or not _whole(period, count, tick, grain):
            continue
        missed = 1 - len(count) / float(count.sum())
        known = _known(period, count, tick, max(grain, tick_ms)) if missed <= _MISSED else ""
        if known:
            return SkippedTicks(tick, missed, known)
    return None


def _candidates(period: Float) -> list[float]:
    """Parts of the usual loop, and of what separates it from the others; the longest first."""
    usual = densest(period)
    others = period[np.abs(period - usual) > _OFF * usual]
    lengths = [usual]
    if len(others) >= _EACH:
        lengths.append(abs(densest(others) - usual))
    made = {round(length / k, 6) for length in lengths for k in range(1, _PARTS + 1)}
    return [_refined(period, tick) for tick in sorted(made, reverse=True) if tick > 0]


def _refined(period: Float, tick: float) -> float:
    """The tick as the mean over all loops that are near to whole numbers of it."""
    for _ in range(_STEPS):
        count = np.rint(period / tick)
        near = (np.abs(period - count * tick) <= _OFF * tick) & (count > 0)
        if near.mean() < _BY_FAR:
            return tick
        tick = float(period[near].sum() / count[near].sum())
    return tick


def _whole(period: Float, count: Int, tick: float, grain: float) -> bool:
    """Whether nearly all loops take whole ticks, and two numbers of them at least are common."""
    near = np.abs(period - count * tick) <= max(_OFF * tick, grain)
    if near.mean() < _MOSTLY or count.min() < 1:
        return False
    return len(_common(count[near])) >= 2


def _common(count: Int) -> Int:
    """Numbers of ticks that many loops take."""
    numbers, loops = np.unique(count, return_counts=True)
    found: Int = numbers[loops >= max(_EACH, _SHARE * len(count))]
    return found


def _known(period: Float, count: Int, tick: float, grain: float) -> str:
    """How the tick is known, as `SkippedTicks` has it; empty where it is not."""
    made = period - count * tick
    near = np.abs(made) <= max(_OFF * tick, grain)
    off = np.where(near, made, 0.0)
    numbers = _common(count[near])
    alike, middles, wide = off.copy(), [], []
    for number in numbers.tolist():
        of = near & (count == number)
        middles.append(float(off[of].mean()))
        wide.append(interdecile(off[of]))
        alike[of] -= middles[-1]
    spans = [*(k for k in _SPANS if len(off) >= 4 * k), len(off) // 4]
    if max(_adds_up(x, k, grain) for x in (off, alike) for k in spans) < _ON_GRID:
        apart = _apart(off)
        if grain > _HARDLY_FINE * tick and apart > _STAYS * grain:
            return ""
        at_random = _adds_up(count, spans[0], 0.0) >= _AT_RANDOM
        hidden = not at_random and float(np.var(alike)) <= 2 * (CUT * grain) ** 2
        return "clock" if hidden or _of_clock(apart, tick, grain) else "grid"
    if max(*wide, grain) > _CLOSE * tick or np.ptp(middles) > _EXACT * tick:
        return ""
    if max(wide) > _ALIKE * min(wide):  # a timer is as late after many ticks as after one
        return ""
    return "anew" if len(numbers) >= _NUMBERS else "branches"


def _apart(off: Float) -> float:
    """How far apart starts lie about the grid that fits them best."""
    place = np.cumsum(off)
    x = np.arange(len(place)) - (len(place) - 1) / 2
    return float(np.ptp(place - x * float((place @ x) / (x @ x))))


def _of_clock(apart: float, tick: float, grain: float) -> bool:
    """Whether the clock itself steps by a tick: no timer is late by less than a digit."""
    if apart > _DIGITS * grain or grain == 0:
        return False
    steps = tick / grain
    return bool(steps > _FINE or abs(steps - round(steps)) > _BETWEEN)


def _adds_up(lengths: Float | Int, span: int, grain: float) -> float:
    """Variance of sums over `span` loops over `span` times that of one; 1 of independent ones.

    What cutting stamps to steps of the clock adds to each is taken off, but for a tenth of it.
    """
    start = np.append(0.0, np.cumsum(lengths - lengths.mean()))
    cut = (CUT * grain) ** 2
    one = max(float(np.var(np.diff(start))) - cut, 0.1 * cut)
    many = max(float(np.var(start[span:] - start[:-span])) - cut, 0.0)
    return many / (span * one) if one > 0 else 0.0
