"""Loops in which time passes outside every part as in no other: stalls there, or rows lost."""

import numpy as np

from looptime.array_types import Bool, Int
from looptime.parsers.layouts.contract import Parsed
from looptime.parsers.layouts.merged import LOOKED_AT, odd_turns, out_of_turn
from looptime.run import Run
from looptime.stats.arrays import distinct, median
from looptime.stats.quantiles import percentiles
from looptime.units import NS_PER_MS, NS_PER_S, NS_PER_US
from looptime.words import number

__all__ = ["holes", "lacking", "leaps", "numbered", "short_lengths"]

#: Loops that tell what is usual; the share of them that may be so, and at least so many.
_FEWEST, _MOST, _SOME = 30, 0.15, 3
#: Of a usual period: a row that was lost takes about a whole one away.
_FAR = 0.8
#: What is usually outside the parts is less than this share of a loop.
_USUAL = 0.5
#: A paced loop keeps so near to its ticks, as a share of the period.
_ON_TICK = 0.03
#: A call longer than a second and than so many usual periods is told.
_LEAP = 50
#: What counters of lengths hold [ns], with their names.
_HELD = {
    2**24 * NS_PER_US: "2^24 us", 2**20 * NS_PER_US: "2^20 us", 2**8 * NS_PER_MS: "2^8 ms",
    2**16 * NS_PER_US: "2^16 us", 2**15 * NS_PER_US: "2^15 us", 2**14 * NS_PER_US: "2^14 us",
    2**13 * NS_PER_US: "2^13 us", 2**12 * NS_PER_US: "2^12 us",
}  # fmt: skip
#: The one that is met most, and the chance at which so many loops would all lie so near to a
#: multiple of it by accident; of others, each of which has a try, by so much less.
_USUAL_COUNTER, _CHANCE, _TRIES = 2**16 * NS_PER_US, 0.04, len(_HELD) - 1


def holes(run: Run, outside: Int, numbered: bool) -> tuple[str, ...]:
    """A caution where some loops hold about a whole loop or more outside every part.

    Two rows that were run into one, or rows lost between two, look like a loop that stood still
    outside its parts; numbers of the loops would tell. Where most time is outside the parts, that
    is no wonder, and nothing is said.

    Parameters
    ----------
    run : Run
        With its calls.
    outside : int64 array, shape (n,) [ns]
        Of each loop, the time outside every call.
    numbered : bool
        Whether no row can be lost without being told.
    """
    if len(run) < _FEWEST or not len(run.call_columns) or run.averaged or run.summed:
        return ()
    if "looptime-recorder" in run.meta:  # whose clock nobody sets, and which tells lost rows
        return ()
    period = run.loop_columns.period_ns
    usual, typical = median(outside), median(period)
    if not typical or usual > _USUAL * typical:
        return ()
    least = max(_FAR * typical, 2 * run.clock.tick_ns)  # cut stamps leave up to a tick outside
    far = np.flatnonzero((outside - usual > least) & ~_missed_tick(period, outside))
    if not 0 < len(far) <= max(_SOME, _MOST * len(run)):
        return ()
    low, high = (f"{float(ns) / NS_PER_MS:.3g}" for ns in (outside[far].min(), outside[far].max()))
    line = run.loop_columns.line
    where = "" if line is None else f" at line {int(line[far[0]])}"
    many = f"1 loop{where} holds {low}" if len(far) == 1 else (
        f"{len(far):,} loops, the first{where}, hold {low} to {high}"
    )  # fmt: skip
    return (
        f"{many} ms outside every part, where {usual / NS_PER_MS:.3g} ms is usual: stalls there, "
        + ("or the clock was set" if numbered else "or rows lost; numbers of the loops would tell"),
    )


def _missed_tick(period: Int, outside: Int) -> Bool:
    """Loops whose parts are as long as to miss a tick, and that wait for the next one.

    No more than a period and what is always outside can then be so; a row that was lost leaves a
    loop's own wait beside a whole period.
    """
    typical = median(period)
    low, high = percentiles(period, (25, 75))
    if not typical or high - low > _ON_TICK * typical:
        return np.zeros(len(period), bool)
    ticks = np.rint(period / typical)
    off = np.abs(period - ticks * typical) <= _ON_TICK * typical
    least = float(percentiles(outside, (5,))[0])
    return np.asarray((ticks > 1) & off & (outside <= typical + least))


def short_lengths(run: Run, outside: Int) -> tuple[str, ...]:
    """A caution where slow loops hold whole multiples of a counter more outside every call.

    A length kept in 16 bits of a microsecond is short by 65.5 ms where the call took longer; the
    clock shows the loop's true period, and the difference is left outside the calls. Every loop
    that has that much outside must have a whole multiple of it, to within what is usually outside.

    Parameters
    ----------
    run, outside : Run, int64 array
        As `holes` takes them.
    """
    calls = run.call_columns
    if len(run) < _FEWEST or not len(calls):
        return ()
    longest = int(calls.duration_ns.max())
    known = tuple(map(int, percentiles(outside, (1, 50, 95))))
    more = np.where(_missed_tick(run.loop_columns.period_ns, outside), 0, outside - known[2])
    for held, name in _HELD.items():
        if held <= longest:
            return ()
        far = np.flatnonzero(more > held // 4)
        than = _fits(far, outside[far], held, known, run) if len(far) else ""
        if than:
            many = "1 loop has" if len(far) == 1 else f"{len(far):,} loops have"
            many = f"{many} {number(held / NS_PER_MS, 4)} ms ({name}) or a multiple"
            return (
                f"{many} more outside every call than {than}, as where a length begins again at "
                "zero: it may be a call's",
            )
    return ()


def _fits(far: Int, outside: Int, held: int, known: tuple[int, ...], run: Run) -> str:
    """Than what all are whole multiples more, which chance would not do; "" where it would.

    Chance has a try for each of the stretches of loops that they come in. A loop that is late to
    its tick waits for none, so what it has outside without a multiple may be anything up to the
    usual: there loops as long as each other are one try, since what stalls them may be one thing.
    """
    low, usual, high = known
    apart = int((np.diff(far, prepend=-2) > 1).sum())  # loops in a row share what made them long
    lengths = min(apart, _lengths(run.loop_columns.period_ns, far, high - low))
    late = "where a loop waits for no tick"
    for least, most, share, tries, than in (
        (low, high, 0.6, apart, "usual"),
        (0, low, 0.5, lengths, late),
        (0, usual, 0.5, lengths, late),
    ):
        room = share * (most - least) + run.clock.tick_ns + 0.01 * NS_PER_MS
        rest = (outside - (least + most) // 2 + held // 2) % held - held // 2
        chance = min(1.0, 2 * room / held) ** tries
        most_chance = _CHANCE if held == _USUAL_COUNTER else _CHANCE / _TRIES
        if (np.abs(rest) <= room).all() and chance <= most_chance:
            return than
    return ""


def _lengths(period: Int, far: Int, outside: int) -> int:
    """How many lengths some loops have that lie further apart than those of usual loops do.

    Where usual loops wait for a tick, what they are `outside` of their calls varies instead.
    """
    low, high = percentiles(period, (1, 95))
    some = period[far] - period[far].min()
    return len(distinct(some // max(int(high - low), outside, 1)))


def lacking(run: Run) -> tuple[str, ...]:
    """A caution where few loops lack a call that all others make once, or make it twice.

    Parameters
    ----------
    run : Run
        With its calls; of sections their layout tells.
    """
    calls, line = run.call_columns, run.loop_columns.line
    if (
        run.layout not in ("calls", "edges", "values")
        or line is None
        or "looptime-recorder" in run.meta
    ):
        return ()
    rows = LOOKED_AT
    while len(mine := np.flatnonzero(calls.thread[:rows] == run.loop_thread)) <= LOOKED_AT:
        if rows >= len(calls):
            break
        rows *= 2
    mine = mine[np.argsort(calls.loop[mine], kind="stable")]
    odd = odd_turns(calls.name[mine], calls.loop[mine])
    odd = odd[(odd > 0) & (odd < len(run) - 1)]  # a program starts and stops within a loop
    return (out_of_turn(len(odd), int(line[odd[0]])),) if len(odd) else ()


def leaps(run: Run) -> tuple[str, ...]:
    """A caution where a call between two events lasts for seconds: its clock may have been set.

    Parameters
    ----------
    run : Run
        With its calls; lengths that were measured are held against each other elsewhere.
    """
    calls, line = run.call_columns, run.loop_columns.line
    if run.layout != "values" or line is None or "looptime-recorder" in run.meta:
        return ()
    length = np.asarray(calls.duration_ns)
    far = np.flatnonzero(length > max(NS_PER_S, _LEAP * median(run.loop_columns.period_ns)))
    if not 0 < len(far) <= _SOME:
        return ()
    return tuple(
        f"line {int(line[calls.loop[at]])}: {run.names[int(calls.name[at])].name!r} lasts "
        f"{float(length[at]) / NS_PER_S:.4g} s: a stall, or the clock was set in it"
        for at in far.tolist()
    )


def numbered(parsed: Parsed) -> bool:
    """Whether the rows or loops of a log are numbered, so that lost ones are told."""
    loops, calls = parsed.loops, parsed.calls
    if loops is not None:
        return loops.number is not None or loops.count is not None
    return calls is not None and (calls.loop is not None or calls.seq is not None)
