"""How old readings are when they are used, and how often a value is really new."""

from itertools import chain

import numpy as np

from looptime.analysers.ages import Reading, readings, samples
from looptime.array_types import Float, Int
from looptime.project import Heading
from looptime.records import dataclass
from looptime.run import Run
from looptime.signal_names import AGE
from looptime.stats.arrays import median
from looptime.stats.quantiles import elements

__all__ = ["Age", "Freshness", "freshness", "holds"]


#: Share of the holds of one length from which on a signal is taken to have a rate of its own, and
#: fewest changes that tell.
_EVEN_HOLDS, _CHANGES = 0.8, 20
#: Share of the changes that are one in the last digit, from which on rounding explains them.
_ONE_STEP = 0.8


@dataclass(frozen=True)
class Age:
    """Age at a named instant [ms]: over all of them."""

    p50: float
    p90: float
    p99: float
    max: float


@dataclass(frozen=True)
class Freshness:
    """Freshness of one reading or logged signal."""

    name: str
    #: ``handed over`` (picked up where the log shows it), ``read`` (a sensor read), ``sample`` (its
    #: age is in the log, and no call reads it) or ``signal``.
    source: str
    used_at: str  #: What counts as its first use, in plain words
    thread: str | None  #: Thread that reads
    uses: int  #: Pick-ups of what is handed over, first uses of another reading, rows of a signal
    #: As `looptime.analysers.ages` defines them; None where the log does not show them, as of a
    #: signal.
    age_at_pickup_ms: Age | None
    age_at_first_use_ms: Age | None
    age_at_last_use_ms: Age | None
    #: New readings a second, beside loops a second.
    fresh_hz: float | None
    loop_hz: float | None
    repeat_share: float | None  #: Uses of a reading that was used before
    hold_loops: float | None  #: Median length of a stretch with the same reading, in uses
    #: The longest one.
    longest_hold_loops: int | None
    longest_hold_ms: float | None
    #: Share of the stretches of a signal that are as long as the median one, within a loop and a
    #: quarter: near 1 for a sensor that gives new values at a rate of its own. None where rounding
    #: alone holds a value that hardly moves.
    even_share: float | None = None

    @property
    def own_pace(self) -> bool:
        """Whether a signal's values come at a pace of their own, a few loops or each of them apart.

        It holds its value for as many loops each time: a robot that stands still holds it too, for
        as long as it stands, and a value that hardly moves for as long as that takes.
        """
        return (self.even_share or 0.0) >= _EVEN_HOLDS and self.changes >= _CHANGES

    @property
    def changes(self) -> float:
        """How often there is another reading or value."""
        return self.uses * (1 - (self.repeat_share or 0.0))

    @property
    def has_age(self) -> bool:
        """Whether the log shows how old it is."""
        return self.age_at_first_use_ms is not None or self.age_at_pickup_ms is not None


def freshness(
    run: Run, *, read_instant: str = "start", stated: Heading | None = None
) -> tuple[Freshness, ...]:
    """Ages of each reading at the named instants, and holds of it and of each logged signal.

    Parameters
    ----------
    run : Run
        The recording.
    read_instant : {"start", "end"}
        When during the call the reading is taken.
    stated : Heading, optional
        The calls that read, pick up and use the heading.

    Returns
    -------
    tuple of Freshness
        Handed over first, then reads, samples and signals.
    """
    if not len(run):
        return ()
    told = chain(readings(run, read_instant=read_instant, stated=stated), samples(run))
    made = [_freshness(run, one) for one in told]
    return (*(one for one in made if one is not None), *_signals(run))


def _loop_hz(run: Run) -> float | None:
    return len(run) / run.duration_s if run.duration_s > 0 else None


def _freshness(run: Run, at: Reading) -> Freshness | None:
    which, when = at.got
    n = len(when)
    if not n:
        return None
    fresh, hold, longest, longest_ns = n, 1.0, 1, 0  # another one each time
    taken = at.taken_ns[which]
    if (taken[1:] == taken[:-1]).any():  # one sample, however often it is read
        lengths, spans = _stretches(taken, when)
        fresh, hold = len(lengths), median(lengths)
        longest, longest_ns = int(lengths.max()), int(spans.max())
    hz = fresh / run.duration_s if run.duration_s > 0 else None
    return Freshness(
        at.sample or run.names[at.code].name,
        "sample" if at.sample else "handed over" if at.handed else "read", at.uses.first_words,
        run.thread_names[at.thread] if at.thread >= 0 else None, n,
        _age(at.age_at_pickup()), _age(at.age_at_first_use()), _age(at.age_at_last_use()),
        hz, _loop_hz(run), 1 - fresh / n, hold, longest, longest_ns / 1e6,
    )  # fmt: skip


def _age(ages: Int | None) -> Age | None:
    if ages is None:
        return None
    n = len(ages)
    places = [min(int(p * n), n - 1) for p in (0.5, 0.9, 0.99)]
    return Age(*(ns / 1e6 for ns in elements(ages, [*places, n - 1])))


def _stretches(which: Int, times: Int) -> tuple[Int, Int]:
    """Lengths [uses] and durations [ns] of the stretches in which a value stays the same."""
    changed = which[1:] != which[:-1]
    first = np.append(0, np.flatnonzero(changed) + 1)
    lengths = np.diff(np.append(first, len(which)))
    last = np.append(first[1:] - 1, len(which) - 1)
    return lengths, times[last] - times[first]


def holds(values: Float, times_ns: Int) -> tuple[Int, Int]:
    """Stretches in which a logged value stays the same; missing values are left out.

    Returns
    -------
    lengths : int array [rows]
    spans : int array [ns]
        From the first to the last row of each stretch.

    Examples
    --------
    >>> lengths, spans = holds(np.array([1.0, 1.0, 2.0, 2.0, 2.0]), np.arange(5) * 10)
    >>> lengths.tolist(), spans.tolist()
    ([2, 3], [10, 20])
    """
    present = ~np.isnan(values)
    if not present.any():
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    x = values[present]
    changed = np.concatenate([[0], np.cumsum(np.diff(x) != 0)])
    return _stretches(changed, times_ns[present])


def _rounded(values: Float) -> bool:
    """Whether nearly all changes are one in the last digit that a value is written with.

    So it is where a value moves by less than a step in a loop: what it does between the steps is
    not in the log. A number that counts goes up by one each time and is no rounded value.
    """
    step = np.diff(values[~np.isnan(values)])
    step = step[step != 0]
    size = np.abs(step)
    if not len(size) or bool((step == 1).all()):
        return False
    digit = size.min()
    if abs(10.0 ** round(np.log10(digit)) / digit - 1) > 0.01:
        return False
    return bool(np.mean(size < 1.5 * digit) >= _ONE_STEP)


def _signals(run: Run) -> list[Freshness]:
    if run.signals is None:
        return []
    made = []
    for name, values in run.signals.values.items():
        if name.endswith(AGE):  # it tells how old another value is
            continue
        lengths, spans = holds(values, run.signals.time_ns)
        if len(lengths) < 2:  # a value that never changes says nothing about its age
            continue
        rows, usual = int(lengths.sum()), median(lengths)
        hz = len(lengths) / run.duration_s if run.duration_s > 0 else None
        made.append(
            Freshness(
                name,
                "signal",
                "each logged row",
                None,
                rows,
                None,
                None,
                None,
                hz,
                _loop_hz(run),
                1 - len(lengths) / rows,
                usual,
                int(lengths.max()),
                float(spans.max()) / 1e6,
                None
                if _rounded(values)
                else float(np.mean(np.abs(lengths - usual) <= 1 + 0.25 * usual)),
            )
        )
    return made
