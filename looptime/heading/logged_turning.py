"""What a log tells of the robot's own turning: fresh values, and how old they were when read."""

import numpy as np

from looptime.analysers.own_stamps import sample_age, stamped_age_ns, stamps_ns
from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import median

__all__ = [
    "QUANTITIES", "Turning", "coarse_rate_deg", "coarse_steps_deg", "reading_age_ns", "set_anew",
    "turning_of",
]  # fmt: skip

#: Signals that tell how the robot turns, the better one first, and what they are called.
QUANTITIES = {"heading_deg": "heading", "turn_rate_deg_s": "turn rate"}
#: A value that stays for so many times the usual spacing is a robot at rest.
STANDS = 4
#: A sensor's own pace: new values at least so many rows apart, most of them so evenly, in steps of
#: more than so many times the resolution (a slow turn repeats coarse values, too).
_ROWS, _MOST, _EVEN, _STEPS, _FEWEST = 2.0, 0.8, 0.35, 2.5, 8
#: How far from whole steps of a grid what lies on it may be.
_ON_GRID = 1e-6
#: Even a fine heading steps by what it turns from value to value, which is hardly above the figure.
_WELL_ABOVE = 2.0
#: How near to whole numbers of steps values are that are cut to these; the share of the greatest
#: rate from which on a step from one value to the next spoils it.
_ON_GRID, _OF_PEAK = 1e-3, 1 / 3
#: A heading is set anew by a step of at least so much [deg], so many times the steps beside it and
#: its smallest one, and by an angular acceleration that no robot has [deg/s2].
_ANEW, _BESIDE, _SMALLEST, _NO_ROBOT = 10.0, 10.0, 3.0, 20_000.0


@dataclass(frozen=True)
class Turning:
    """Fresh values of the heading or the turn rate."""

    name: str  #: One of `QUANTITIES`
    #: When each was true, as far as the log says, since the run's start [s], and its value [deg or
    #: deg/s]; those by which a value that stays the same is seen to stay are among them.
    time: Float
    value: Float
    every_s: float | None  #: The sensor's own pace, where it is slower than the rows [s]
    stamped: bool  #: Whether each sample has a stamp of its own


def turning_of(run: Run, name: str) -> Turning | None:
    """Fresh values of a signal; None where the run does not have it.

    Values that only repeat the one before are held, not measured; one that stays for more than
    four times as long as usual is taken for a robot at rest.

    Parameters
    ----------
    run : Run
        With signals.
    name : str
        One of `QUANTITIES`.
    """
    signals = run.signals
    if signals is None or name not in signals.values:
        return None
    age = sample_age(run)
    value, stamp = signals.values[name], _stamp_ns(run, age)
    known = np.isfinite(value)
    time = (stamp[known] - run.loop_columns.start_ns[0]) / 1e9
    value = value[known]
    new, keep = _fresh(time, value)
    return Turning(name, time[keep], value[keep], _every(time, value, new), age is not None)


def _stamp_ns(run: Run, age: str | None) -> Int:
    """When the sample in each row of signals was taken, else when the row was logged [ns]."""
    assert run.signals is not None
    return run.signals.time_ns if age is None else stamps_ns(run.signals, age)[0]


def coarse_steps_deg(run: Run, largest_deg: float) -> float:
    """Steps in which a heading is logged, where they are well above a figure from it; else 0."""
    least = _least(_steps(turning_of(run, "heading_deg")))
    return least if _WELL_ABOVE * largest_deg < least < np.inf else 0.0


def coarse_rate_deg(run: Run, peak_deg_s: float) -> float:
    """Steps in which a heading is logged, where one of them moves its rate by much; else 0 [deg].

    A step more or less from one value to the next is a rate of the step over the time between; what
    a smooth curve leaves of it is a good part of a peak that is not several times as high.
    """
    made = turning_of(run, "heading_deg")
    size = _steps(made)
    if made is None or len(size) < 2:
        return 0.0
    least = _least(size)
    counts = np.rint(size / least)
    grid = np.abs(size / least - counts).max() < _ON_GRID and np.ptp(counts) > 0
    coarse = grid and least / median(np.diff(made.time)) > _OF_PEAK * peak_deg_s
    return least if coarse else 0.0


def _steps(made: Turning | None) -> Float:
    """How far each value is from the one before it."""
    return np.zeros(0) if made is None else np.abs(np.diff(made.value))


def _least(size: Float) -> float:
    """The smallest step that is one; infinite where there is none."""
    return float(size[size > 1e-9].min(initial=np.inf))


def set_anew(time: Float, value: Float) -> Int:
    """Places of the values before which a heading without wraps was set anew, as to zero.

    Examples
    --------
    >>> time = np.arange(8) * 0.02
    >>> set_anew(time, np.array([0.0, 1, 2, 3, 90, 91, 92, 93]))
    array([4])
    """
    step, gap = np.diff(value), np.diff(time)
    if len(step) < 3:
        return np.zeros(0, np.int64)
    size, rate = np.abs(step), np.abs(step) / np.maximum(gap, 1e-9)
    beside = np.maximum(np.append(rate[1:], 0.0), np.append(0.0, rate[:-1]))
    least = _least(size)
    far = (size >= _ANEW) & (size >= _SMALLEST * least) & (rate >= _BESIDE * beside)
    return np.flatnonzero(far & (rate - beside > _NO_ROBOT * gap)) + 1


def reading_age_ns(run: Run) -> tuple[Int, str | None]:
    """How old the heading's value was at each loop's start, by the values that are logged.

    A sample's own stamp tells it; a sensor slower than the rows is as old as its value.

    Parameters
    ----------
    run : Run
        As recorded.

    Returns
    -------
    int64 array, shape (loops,) [ns]
        0 where the log does not tell it.
    str or None
        What tells it, in words.
    """
    start, age = run.loop_columns.start_ns, sample_age(run)
    made = next((t for name in QUANTITIES if (t := turning_of(run, name)) is not None), None)
    every = None if made is None or not len(made.time) else made.every_s
    if age is None and every is None:
        return np.zeros(len(start), np.int64), None
    old, stamped = stamped_age_ns(run, age)
    said = [] if stamped is None else [stamped]
    if made is not None and every is not None:
        old = start - _held(made, every, start - old, start[0])
        said.append(f"its sensor gives a new value every {1e3 * every:.3g} ms")
    return np.maximum(old, 0), "; ".join(said)


def _held(made: Turning, every: float, newest: Int, origin: int) -> Int:
    """When the value was true that is in hand at some moments [ns]."""
    true = origin + np.rint(made.time * 1e9).astype(np.int64)
    at = np.searchsorted(true, newest, side="right") - 1
    since = np.where(at >= 0, newest - true[np.maximum(at, 0)], 0)
    pace = round(1e9 * every)  # a value that stays for longer was measured again
    return newest - np.where(since > (1 + _EVEN) * pace, since % pace, since)


def _fresh(time: Float, value: Float) -> tuple[Bool, Bool]:
    """Rows whose value is new, and besides them those by which one that stays is seen to stay."""
    later = np.concatenate([[True], np.diff(np.maximum.accumulate(time)) > 0])[: len(time)]
    new = np.concatenate([[True], np.diff(value) != 0])[: len(time)] & later
    if new.sum() < 3:
        return new, new
    spacing = median(np.diff(time[new]))
    # a value kept for much longer than usual is a robot at rest, not a reading that is held
    since = time - time[np.maximum.accumulate(np.where(new, np.arange(len(time)), 0))]
    begins = np.flatnonzero(new)
    run = np.cumsum(new) - 1
    last = np.append(begins[1:], len(time)) - 1
    rests = (time[last] - time[begins] > STANDS * spacing)[run]
    turns = np.concatenate([[False], np.diff(np.floor(since / spacing)) > 0])
    return new, new | (rests & turns & later)


def _every(time: Float, value: Float, new: Bool) -> float | None:
    """The sensor's own pace [s], where its values are held over several rows; else None."""
    if new.sum() < _FEWEST:
        return None
    gap, step = np.diff(time[new]), np.abs(np.diff(value[new]))
    spacing, row = median(gap), median(np.diff(time))
    moving = gap <= STANDS * spacing
    even = (np.abs(gap - spacing) <= _EVEN * spacing)[moving].mean()
    coarse = median(step) < _STEPS * _resolution(value, step)
    return spacing if spacing >= _ROWS * row and even >= _MOST and not coarse else None


def _resolution(value: Float, step: Float) -> float:
    """The last decimal in which values are logged, or the grid on which all of them lie.

    Where every step is the same the grid may be as coarse as it: an even turn comes from one value
    to the next as evenly as a sensor's clock, and only a faster turn tells the two apart.

    Examples
    --------
    >>> turn = 5.0 * np.array([0, 1, 1, 2, 2, 3, 4])
    >>> _resolution(turn, np.abs(np.diff(turn))), _resolution(turn + 0.3, np.array([1.5, 3.5]))
    (5.0, 0.1)
    """
    round_the_turn = np.abs((step + 180) % 360 - 180)
    least = float(round_the_turn[round_the_turn > 1e-9].min(initial=np.inf))
    on_grid = round_the_turn / least if np.isfinite(least) else np.zeros(0)
    if len(on_grid) and np.abs(on_grid - np.round(on_grid)).max() < _ON_GRID:
        return round(least, 9)
    near = value[np.abs(value) < 1e9]  # what is garbled tells no resolution
    for digits in range(4):
        if np.abs(near - np.round(near, digits)).max(initial=0.0) < 1e-9:
            return float(10.0**-digits)
    return 1e-4
