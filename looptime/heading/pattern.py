"""When a heading reading was taken and when it was put to use: sampling patterns.

A `Sampling` is all that the heading models know of a log. It comes from a `Run` (recorded or
predicted) by `sampling_from_run`, or is made for another loop rate by `even`, `scaled` and
`LogShape`.
"""

from dataclasses import replace
from functools import cached_property

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import NotEnoughError, UsageError
from looptime.heading.kept_work import Work
from looptime.records import dataclass

__all__ = [
    "BLOCKS", "MOST_LOOPS", "LogShape", "Sampling", "even", "lag_factor", "sample_stretches",
    "scaled", "slow_limit_s",
]  # fmt: skip

#: Loops in a block below which no interval is given.
LEAST_A_BLOCK = 5
#: Consecutive loops that stay together where a block is gone through again.
STRETCH = 50
#: Instants of a loop that come before its use.
INSTANTS = ("taken_s", "read_s", "start_s")
#: Those that the loop's code sets: the rest is the sensor's.
LAGS = ("read_s", "start_s")
#: Blocks of consecutive loops that the jackknife leaves out in turn.
BLOCKS = 20
#: Loops of a pattern: more would tell no more, and a slow loop's hours are many fast loops.
MOST_LOOPS = 200_000


@dataclass(frozen=True)
class Sampling:
    """Instants of n + 1 loops, which bound n holds."""

    #: When the value of the reading in use was true (s_k; with the sensor's delay); shape (n + 1,).
    taken_s: Float
    read_s: Float  #: When the code read it: the clock by which steps are measured; shape (n + 1,)
    #: When it was put to use (u_k), ascending. Hold k lasts from u_k to u_{k+1}; shape (n + 1,).
    use_s: Float
    start_s: Float  #: When the loop began, shape (n + 1,)
    block: Int  #: Which of `BLOCKS` blocks of consecutive loops a hold belongs to, shape (n,)
    pattern: str = "as recorded"  #: ``as recorded``, ``even``, ``log shape`` or ``scaled``
    notes: tuple[str, ...] = ()  #: How the instants were found, in plain words
    work: Work = Work()  #: What another pace leaves as it is

    def __len__(self) -> int:
        return len(self.block)

    @cached_property
    def hold_s(self) -> Float:
        """Hold of each command, ``T_k``; shape (n,) [s]."""
        return np.diff(self.use_s)

    @cached_property
    def latency_s(self) -> Float:
        """Age of each reading when it is put to use, ``L_k``; shape (n,) [s]."""
        return (self.use_s - self.taken_s)[:-1]

    @cached_property
    def own_s(self) -> Float:
        """How old each value was when the code read it: the sensor's share; shape (n + 1,) [s]."""
        return self.read_s - self.taken_s

    def lag_s(self, name: str) -> Float:
        """Time from one of the instants `INSTANTS` to the use; shape (n + 1,) [s]."""
        lag: Float = self.use_s - getattr(self, name)
        return lag

    @property
    def rate_hz(self) -> float:
        """Loops over time [Hz]."""
        return len(self) / float(self.use_s[-1] - self.use_s[0])

    @property
    def duration_s(self) -> float:
        """From the first use to the last [s]."""
        return float(self.use_s[-1] - self.use_s[0])


def blocks_of(n: int) -> Int:
    """Block of each of n consecutive holds; shape (n,).

    All are one block where there are too few for an interval (`LEAST_A_BLOCK`).
    """
    if n < BLOCKS * LEAST_A_BLOCK:
        return np.zeros(n, dtype=np.int64)
    return np.arange(n) * BLOCKS // n


def checked_rate(rate_hz: float) -> float:
    """The loop rate, if it is one that can be.

    Raises
    ------
    UsageError
        If it is not a finite number above 0.
    """
    if not 0 < rate_hz < float("inf"):
        raise UsageError(f"a loop rate of {rate_hz:g} Hz cannot be: give one above 0")
    return float(rate_hz)


def even(rate_hz: float, loops: int, latency_s: float = 0.0, phase_s: float = 0.0) -> Sampling:
    """Perfect pacing: every hold lasts ``1 / rate``, every reading is equally old when used.

    Parameters
    ----------
    rate_hz : float [Hz]
        Wanted loop rate.
    loops : int
        Number of holds.
    latency_s : float [s]
        Age of each reading when it is used.
    phase_s : float [s]
        When the first command is put to use.

    Examples
    --------
    >>> even(100, 3, latency_s=0.002).use_s.tolist()
    [0.0, 0.01, 0.02, 0.03]
    """
    if latency_s < 0:
        raise UsageError(f"a latency of {latency_s * 1e3:g} ms cannot be: give 0 or more")
    use = phase_s + np.arange(loops + 1) / checked_rate(rate_hz)
    taken = use - latency_s
    return Sampling(taken, taken, use, taken, blocks_of(loops), "even")


def scaled(sampling: Sampling, rate_hz: float, latency_s: float | None = None) -> Sampling:
    """Every hold and latency of the log scaled alike, so that the mean rate is the wanted one.

    What a value was old when it was read is the sensor's and stays as it is.

    The work of a loop that waits stays as well.

    Parameters
    ----------
    sampling : Sampling
        Instants of reading and use.
    rate_hz : float [Hz]
        Wanted loop rate.
    latency_s : float, optional [s]
        Latency of every reading; else it goes with the period, as `Work.factor` says.

    Examples
    --------
    >>> scaled(even(100, 4), 50).use_s.tolist()
    [0.0, 0.02, 0.04, 0.06, 0.08]
    """
    c = sampling.rate_hz / checked_rate(rate_hz)
    use = (sampling.use_s - sampling.use_s[0]) * c
    read, start = (
        use - lag_factor(sampling, name, 1 / sampling.rate_hz, 1 / rate_hz) * sampling.lag_s(name)
        for name in LAGS
    )
    taken = np.maximum.accumulate(read - sampling.own_s)
    made = replace(sampling, taken_s=taken, read_s=read, use_s=use, start_s=start, pattern="scaled")
    return made if latency_s is None else _with_latency(made, latency_s)


def lag_factor(sampling: Sampling, name: str, own_s: float, wanted_s: float) -> float:
    """By how much the time from an instant of `LAGS` to the use grows with the period [s]."""
    work = sampling.work
    share = work.read_share if name == "read_s" else work.start_share
    return work.factor(own_s, wanted_s, share)


def _with_latency(sampling: Sampling, latency_s: float) -> Sampling:
    taken = sampling.use_s - latency_s
    return replace(sampling, taken_s=taken, read_s=taken)


def slow_limit_s(sampling: Sampling) -> float:
    """Hold above which a loop counts as slow here [s].

    Median plus the greater of three robust standard deviations (1.4826 x the median absolute
    deviation) and a quarter of the median.
    """
    hold = sampling.hold_s
    middle = float(np.median(hold))
    spread = 1.4826 * float(np.median(np.abs(hold - middle)))
    return middle + max(3 * spread, 0.25 * middle)


class LogShape:
    """A log taken apart into loops and stalls, to be put together again at any rate.

    Parameters
    ----------
    sampling : Sampling
        As recorded.
    slow_s : float, optional [s]
        Slow-loop limit; else `slow_limit_s`.
    """

    def __init__(self, sampling: Sampling, slow_s: float | None = None) -> None:
        self.sampling = sampling
        hold = sampling.hold_s
        limit = slow_limit_s(sampling) if slow_s is None else slow_s
        self.base = np.minimum(hold, limit)
        self.excess = hold - self.base
        self.own_rate_hz = len(hold) / float(self.base.sum())
        self.stalls = np.flatnonzero(self.excess)
        self.moments = (np.cumsum(self.base) - self.base / 2)[self.stalls]
        before = np.concatenate([[0.0], self.excess])
        self.size = np.bincount(sampling.block, minlength=BLOCKS)
        self.orders = [np.arange(size) for size in self.size]
        self.lags = {}
        for name in LAGS:
            lag = sampling.lag_s(name)
            usual = float(np.median(lag)) + limit - float(np.median(hold))
            # a stall in hold k delays the use that ends it, and with it the reading on its way
            stalled = np.clip(lag - usual, 0.0, before)
            self.lags[name] = (lag - stalled, stalled)

    def at(self, rate_hz: float, latency_s: float | None = None) -> Sampling:
        """The shape of this log at another rate: its loops scaled, its stalls left as they are.

        Each hold up to the slow-loop limit is scaled so that these parts have the mean
        ``1 / rate_hz``; what exceeds the limit stays in milliseconds and comes as often in time as
        in the log. The sequence lasts as long as the log: at higher rates the loops of each of the
        `BLOCKS` blocks are gone through again, at lower rates the beginning of each block serves,
        and where that were more than `MOST_LOOPS`, the beginning of each block's time.
        At the log's own rate, `own_rate_hz`, it is the log itself.

        Parameters
        ----------
        rate_hz : float [Hz]
            Rate of the loops without their stalls.
        latency_s : float, optional [s]
            Latency of every reading; else it goes with the period, as `Work.factor` says, and what
            a stall added to it stays in milliseconds, as what a value was old when it was read.

        Returns
        -------
        Sampling
            Its blocks are those of the loops, or stalls, that each hold was made from.
        """
        c = self.own_rate_hz / checked_rate(rate_hz)
        part = min(1.0, MOST_LOOPS * c / len(self.base))
        source = self._source(c / part)
        count = len(source) - 1
        hold = c * self.base[source[:-1]]
        moments, stalls = self._stalls_in(part)
        hit = np.searchsorted(np.cumsum(hold), moments, side="right")
        stalls, hit = stalls[hit < count], hit[hit < count]
        hold += np.bincount(hit, self.excess[stalls], minlength=count)
        block = self.sampling.block[source[:-1]]
        block[hit] = self.sampling.block[stalls]
        use = np.concatenate([[0.0], np.cumsum(hold)])
        at = {}
        for name, (usual, stalled) in self.lags.items():
            factor = lag_factor(self.sampling, name, 1 / self.own_rate_hz, 1 / rate_hz)
            lag = (factor * usual)[source]
            np.add.at(lag, hit + 1, stalled[stalls + 1])
            at[name] = use - lag
        taken = np.maximum.accumulate(at["read_s"] - self.sampling.own_s[source])
        made = replace(
            self.sampling, taken_s=taken, read_s=at["read_s"], use_s=use, start_s=at["start_s"],
            block=block, pattern="log shape",
        )  # fmt: skip
        return made if latency_s is None else _with_latency(made, latency_s)

    def _stalls_in(self, part: float) -> tuple[Float, Int]:
        """When stalls come where a part of each block is left, and which ones these are."""
        if part == 1.0:
            return self.moments, self.stalls
        ends = np.concatenate([[0.0], np.cumsum(self.base)])[np.cumsum(self.size)]
        length = np.diff(ends, prepend=0.0)
        block = self.sampling.block[self.stalls]
        begin = (ends - length)[block]
        stays = self.moments - begin < part * length[block]
        return (self.moments - (1 - part) * begin)[stays], self.stalls[stays]

    def _source(self, c: float) -> Int:
        """Which of the log's loops each new one is made from; one more than there are holds.

        Every block keeps its place in time and is filled with its own loops, so that leaving out
        a block leaves out its loops and its stalls together.
        """
        n = len(self.base)
        count = max(round(n / c), BLOCKS)
        ends = np.round(np.cumsum(self.size) * (count / n)).astype(np.int64)
        each = np.diff(ends, prepend=0)
        first = np.cumsum(self.size) - self.size
        filled = [
            start + self._fill(b, wanted)
            for b, (start, wanted) in enumerate(zip(first, each, strict=True))
        ]
        source = np.concatenate(filled)
        return np.append(source, source[-1] + 1)

    def _fill(self, block: int, wanted: int) -> Int:
        """Loops of a block, as often as they are wanted.

        First as they come, then in stretches drawn in another order each time: gone through in
        the same order they would meet a motion's beginning and end alike at some loop rates.
        """
        order, size = self.orders[block], int(self.size[block])
        if len(order) < wanted:
            rng = np.random.default_rng(block)
            stretches = np.array_split(np.arange(size), max(size // STRETCH, min(size, 8)))
            rounds = [np.arange(size)]
            for _ in range(-(-wanted // size)):
                rounds += [stretches[i] for i in rng.permutation(len(stretches))]
            order = self.orders[block] = np.concatenate(rounds)
        return order[:wanted]


def sample_stretches(sampling: Sampling, loops: int) -> Sampling:
    """A representative part of a long log: the beginning of each block, joined.

    Parameters
    ----------
    sampling : Sampling
        As recorded.
    loops : int
        About how many loops to keep, at least `BLOCKS` x 10.

    Raises
    ------
    NotEnoughError
        If fewer than 10 loops a block would be left.
    """
    n = len(sampling)
    if n <= loops:
        return sampling
    each = loops // BLOCKS
    if each < 10:
        raise NotEnoughError(f"a sample of {loops} loops is too small: take {BLOCKS * 10} or more")
    first = np.searchsorted(sampling.block, np.arange(BLOCKS))
    keep = (first[:, None] + np.arange(each)).ravel()
    hold = sampling.hold_s[keep]
    use = np.concatenate([[0.0], np.cumsum(hold)])
    at = np.append(keep, keep[-1] + 1)
    shift = use - sampling.use_s[at]
    moved = {name: getattr(sampling, name)[at] + shift for name in INSTANTS}
    note = f"{len(keep):,} of {n:,} loops: the beginning of each of {BLOCKS} blocks"
    return replace(
        sampling, **moved, use_s=use, block=sampling.block[keep], notes=(*sampling.notes, note)
    )
