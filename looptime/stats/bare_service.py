"""How long timed calls take once they are served, given which of them exclude each other."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Float
from looptime.stats.arrays import mad, median
from looptime.stats.meetings import Meeting, Pair, Side, Track
from looptime.stats.quantiles import percentiles

__all__ = ["Services"]

#: A call that ends within this share of its bare service after another's end was served with it,
ZONE = 0.75
#: but where the services vary, only what ends sooner than this share of those that met nobody [%],
SHORT = 5.0
#: and down to this share of the bare service: of waits by chance, too many are shorter still.
LEAST = 0.4


class Services:
    """The service of each track's calls.

    Parameters
    ----------
    tracks : sequence of Track
        Each has begins and ends of its calls [ns].
    found : dict of pair to Meeting
        How the calls of two tracks met.
    kept : set of pair
        Those that exclude each other; `renew` takes account of one that was dropped.

    Examples
    --------
    Who asks 1 ms before the other ends, and itself ends 2 ms after that, was served for 2 ms.

    >>> from looptime.stats.meetings import meetings
    >>> end = 5e6 + 5e6 * np.arange(40)
    >>> tracks = [Track(0, end - 1e6, end + 2e6), Track(1, end - 3e6, end)]
    >>> found = {m.pair: m for m in meetings(tracks)}
    >>> Services(tracks, found, {(0, 1)}).middle.tolist()
    [2000000.0, 3000000.0]
    """

    def __init__(
        self, tracks: Sequence[Track], found: dict[Pair, Meeting], kept: set[Pair]
    ) -> None:
        self._tracks, self._found, self._kept = tracks, found, kept
        self.middle, self.least = np.zeros(len(tracks)), np.zeros(len(tracks))
        self.wide = np.zeros(len(tracks), bool)
        for me in range(len(tracks)):
            self.renew(me)

    def renew(self, me: int) -> None:
        """Take the middle and the least service again, after one of its pairs was dropped."""
        took = self.of(me)
        middle = median(took) if len(took) else 0.0
        free = self.unhindered(me)
        short = percentiles(free, [SHORT])[0] if len(free) >= 20 else ZONE * middle
        self.wide[me] = short < LEAST * middle
        self.middle[me] = middle
        self.least[me] = min(max(short, LEAST * middle), ZONE * middle)

    def of(self, me: int, without: int = -1) -> Float:
        """End minus the last end of a partner within the call, else its begin [ns]."""
        mine = self._tracks[me]
        begin = mine.start
        for other in range(len(self._tracks)):
            pair = (min(me, other), max(me, other))
            if other != without and pair in self._kept:
                side = self._found[pair].sides[pair.index(me)]
                begin = np.maximum(begin, side.last)
        return mine.end - begin

    def unhindered(self, me: int) -> Float:
        """Durations of the calls in which no partner ended [ns]."""
        mine = self._tracks[me]
        took = mine.end - mine.start
        return took[self.of(me) == took]

    def was_taken(self, side: Side) -> float:
        """Share of the calls that waited in which the lock was held when they asked."""
        waited = side.wait > 0.3 * self.middle[side.me]
        if not waited.any():
            waited[:] = True
        held = side.open_all[side.hit]
        for pair in self._kept:
            if side.me in pair:
                held |= self._found[pair].sides[pair.index(side.me)].open_all[side.hit]
        return float(held[waited].mean())

    def scatter(self, me: int) -> float:
        """Median absolute deviation of the services [ns]."""
        took = self.of(me)
        return mad(took) if len(took) else 0.0
