"""Lengths that wrapped within a stall: what is missing from the calls is what a counter holds."""

import numpy as np

from looptime.array_types import Int
from looptime.run import Run
from looptime.stats.quantiles import percentiles
from looptime.units import NS_PER_MS, NS_PER_US
from looptime.words import number

__all__ = ["short_lengths"]

#: What counters of lengths hold [ns], with their names.
_HELD = {
    2**24 * NS_PER_US: "2^24 us", 2**20 * NS_PER_US: "2^20 us", 2**8 * NS_PER_MS: "2^8 ms",
    2**16 * NS_PER_US: "2^16 us", 2**15 * NS_PER_US: "2^15 us", 2**14 * NS_PER_US: "2^14 us",
    2**13 * NS_PER_US: "2^13 us", 2**12 * NS_PER_US: "2^12 us",
}  # fmt: skip
_FEWEST = 30
#: Chance at which so many loops would all lie so near to a multiple by accident.
_CHANCE = 0.1


def short_lengths(run: Run, outside: Int) -> tuple[str, ...]:
    """A caution where slow loops hold whole multiples of a counter more outside every call.

    A length kept in 16 bits of a microsecond is short by 65.5 ms where the call took longer; the
    clock shows the loop's true period, and the difference is left outside the calls. Every loop
    that has that much outside must have a whole multiple of it, to within what is usually outside.

    Parameters
    ----------
    run : Run
        With its calls.
    outside : int64 array, shape (n,) [ns]
        Of each loop, the time outside every call.
    """
    calls = run.call_columns
    if len(run) < _FEWEST or not len(calls):
        return ()
    longest = int(calls.duration_ns.max())
    known = tuple(map(int, percentiles(outside, (1, 50, 95))))
    for held, name in _HELD.items():
        if held <= longest:
            return ()
        far = np.flatnonzero(outside - known[2] > held // 4)
        if len(far) and _fits(outside[far], held, known, run):
            many = "1 loop has" if len(far) == 1 else f"{len(far):,} loops have"
            many = f"{many} {number(held / NS_PER_MS, 4)} ms ({name}) or a multiple"
            return (
                f"{many} more outside every call than usual, as where a length begins again at "
                "zero: it may be a call's",
            )
    return ()


def _fits(outside: Int, held: int, known: tuple[int, ...], run: Run) -> bool:
    """Whether all are whole multiples away from what is usual, which chance would not do."""
    low, usual, high = known  # a loop that is late to its tick waits for none
    for least, most, share in ((low, high, 0.6), (0, low, 0.5), (0, usual, 0.5)):
        room = share * (most - least) + run.clock.tick_ns + 0.01 * NS_PER_MS
        rest = (outside - (least + most) // 2 + held // 2) % held - held // 2
        chance = min(1.0, 2 * room / held) ** len(outside)
        if (np.abs(rest) <= room).all() and chance <= _CHANCE:
            return True
    return False
