"""Where calls of one thread end within calls of another, and how long those waited for them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import field
from itertools import combinations

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass

__all__ = ["Meeting", "Pair", "Side", "Track", "meetings", "partners_of", "waits"]

Pair = tuple[int, int]


@dataclass(frozen=True)
class Track:
    """The calls of one name on one thread, none inside another, in order of time."""

    thread: int
    #: From one origin for all tracks, small enough for whole nanoseconds, shape (m,) [ns].
    start: Float
    end: Float


@dataclass
class Meeting:
    """What the times say of two tracks of different threads.

    Parameters
    ----------
    first, second : int
        Indices of the tracks.
    verdict : str
        ``shares`` (shown), ``likely`` (few waits, all of that kind), ``apart`` (often served at
        once), ``result`` (one ends when the other does: its result, or the processor), ``unknown``.
    met : int
        Calls of either inside which one of the other ended.
    together : float
        Share of them that were served at once.
    shown : int
        Calls whose wait no other pair explains.
    """

    first: int
    second: int
    verdict: str = "unknown"
    met: int = 0
    together: float = 0.0
    shown: int = 0
    sides: tuple[Side, ...] = field(default=(), repr=False)

    @property
    def pair(self) -> Pair:
        """Indices of both tracks, the lower one first."""
        return self.first, self.second


@dataclass
class Side:
    """The calls of one track inside which a call of the other ended."""

    me: int
    other: int
    last: Float
    hit: Bool
    residual: Float
    wait: Float
    open_all: Bool
    still: float = np.nan
    still_se: float = np.inf
    together: float = 0.0
    shown: int = 0


def partners_of(pairs: Iterable[Pair]) -> dict[int, list[int]]:
    """Partners of each track that has any.

    Examples
    --------
    >>> partners_of([(0, 2), (1, 2)])
    {0: [2], 2: [0, 1], 1: [2]}
    """
    made: dict[int, list[int]] = {}
    for a, b in pairs:
        made.setdefault(a, []).append(b)
        made.setdefault(b, []).append(a)
    return made


def waits(tracks: Sequence[Track], me: int, partners: Sequence[int]) -> tuple[Float, Int]:
    """How long each call of a track waited, and for which partner it waited last.

    Parameters
    ----------
    tracks : sequence of Track
        Of all threads.
    me : int
        Index of the track.
    partners : sequence of int
        Indices of the tracks that exclude it.

    Returns
    -------
    wait : float64 array, shape (m,) [ns]
        From asking to the last end of a partner within the call; 0 where none ended in it.
    who : int array, shape (m,)
        Index of that partner's track; -1 where it did not wait.

    Examples
    --------
    >>> a = Track(0, np.array([0.0, 10.0]), np.array([5.0, 12.0]))
    >>> b = Track(1, np.array([-1.0]), np.array([3.0]))
    >>> wait, who = waits([a, b], 0, [1])
    >>> wait.tolist(), who.tolist()
    ([3.0, 0.0], [1, -1])
    """
    mine = tracks[me]
    last = np.full(len(mine.start), -np.inf)
    who = np.full(len(mine.start), -1)
    for other in partners:
        ended = _last_inside(tracks[other].end, mine)
        later = ended > last
        last, who = np.where(later, ended, last), np.where(later, other, who)
    return np.maximum(last - mine.start, 0.0), who


def _last_inside(ends: Float, mine: Track) -> Float:
    """The last of the ends within each call; -inf where none is."""
    if not len(ends):
        return np.full(len(mine.start), -np.inf)
    at = np.searchsorted(ends, mine.end, "left") - 1
    found = np.where(at >= 0, ends[np.maximum(at, 0)], -np.inf)
    return np.where(found > mine.start, found, -np.inf)


def _side(tracks: Sequence[Track], me: int, other: int) -> Side:
    mine = tracks[me]
    last = _last_inside(tracks[other].end, mine)
    hit = np.isfinite(last)
    residual, wait = (mine.end - last)[hit], (last - mine.start)[hit]
    return Side(me, other, last, hit, residual, wait, _open(tracks[other], mine))


def _open(other: Track, mine: Track) -> Bool:
    """Which calls began while one of the other was under way: only then was a lock taken."""
    at = np.searchsorted(other.end, mine.start, "right")
    begins = np.append(other.start, np.inf)[at]
    return np.asarray(begins < mine.start)


def meetings(tracks: Sequence[Track]) -> list[Meeting]:
    """Every two tracks of different threads, and where calls of one ended in those of the other."""
    made = []
    for a, b in combinations(range(len(tracks)), 2):
        if tracks[a].thread != tracks[b].thread:
            sides = _side(tracks, a, b), _side(tracks, b, a)
            met = len(sides[0].residual) + len(sides[1].residual)
            made.append(Meeting(a, b, met=met, sides=sides))
    return made
