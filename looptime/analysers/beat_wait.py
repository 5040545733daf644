"""The tick that a loop waits for, and the call in which it does, told from times alone."""

from dataclasses import replace

import numpy as np

from looptime.analysers.kept_grid import CUT, held_by, spread
from looptime.analysers.late_ticks import FEWEST, NEAR, densest, late_ticks
from looptime.analysers.own_beat import keeps_own_beat, turns_made
from looptime.analysers.own_gaps import between_humps
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Bool, Float, Int
from looptime.call_words import of_device, of_locks, waits_only
from looptime.run import Run, SelfPieces
from looptime.schema import CallName
from looptime.stats.arrays import mad, median
from looptime.stats.quantiles import percentiles

__all__ = [
    "CUT", "answers", "at_tick", "beat_call", "filled_tick", "grain_of", "grid_call",
    "loops_enough", "makes_up_for", "of_own_device", "slope", "spread", "varied_by", "whole_tick",
    "with_wait_named",
]  # fmt: skip

#: How far from a whole multiple of the tick a period may be, and in how many loops it must not.
_OFF_TICK, _MOSTLY = 0.03, 0.9
#: Loops from the middle of a longer run in which the call that waits is looked for: 2^16 tell as
#: much as all of them, and take a fraction of the time.
_ENOUGH = 1 << 16
#: Share of all loops that end at the tick which they waited for.
_MANY = 0.15
#: Share of the loops with time left that end at the tick; what is left of it in them.
_FILLED, _LEFT = 0.4, 0.03
#: Share of the loops after one that ended at the tick which may all the same be shorter than it.
_EARLY = 0.2
#: How much more calls vary than the periods at the tick, and as a share of it.
_VARIES, _VARIED = 3.0, 0.01
#: Share of the lengths that are whole ticks where they were cut to them.
_WHOLE = 0.95
#: Calls looked at, the longest first, and the share of the time that a wait takes at least; of one
#: that fills all loops.
_LOOKED_AT, _SEEN, _LARGE = 30, 0.001, 0.05
#: Share of the period that the others vary by where a wait is known by them, and where its end has
#: to tell as well; how much more evenly than its begins its ends follow each other.
_TELLS, _HINTS, _EVENLY = 0.005, 0.002, 0.5
#: Kinds that a call which waits for the next tick may have been given for its name.
_BY_NAME = ("wait", "sensor read", "other")
#: Of these, those in which nothing else can be waited for but the tick.
_NOTHING_ELSE = ("wait", "other")
#: Of the most that any call varies by, what a wait which makes up for them all varies by at least.
_AS_MUCH = 0.9
#: Slope of its changes on those of the others, from which on up a part does not make up for them.
_ANSWERS = -0.5
#: Slope on what the others take, down to which a call makes up for it, and surely so.
_FALLS, _SURELY = -0.7, -0.3
#: Standard errors from which on a slope or a rank correlation is believed.
_SURE_Z = 4.0
#: By how much the number of a call's turns may be off that of the loops.
_EACH_LOOP = 0.02
#: Least share of the period that a wait takes, and how much less periods vary than what it evens.
_LEAST_WAIT, _EVENED = 0.02, 0.3
#: By how much a wait may be shorter than it usually is, where it is set to a length.
_AS_SET = 0.03
#: Robust standard deviations off the middle from which on a loop is late, or makes up for one; the
#: least share of the loops that are neither.
_FAR_OFF, _USUAL = 8.0, 0.6


def slope(y: Float, x: Float) -> float | None:
    """Least-squares slope over the middle of x, where one exists: two values have no middle.

    Examples
    --------
    >>> slope(np.array([3.0, 5.0, 7.0, 99.0]), np.array([0.0, 1.0, 2.0, 1e6]))
    2.0
    >>> slope(np.array([3.0, 5.0]), np.array([0.0, 1.0])) is None
    True
    """
    return _slope(y, x)[0]


def _slope(y: Float, x: Float) -> tuple[float | None, float]:
    """The same with its standard error, from the spread of what it leaves."""
    low, high = percentiles(x, [2, 90])
    keep = (x >= low) & (x <= high)
    if not keep.any():
        return None, 0.0
    xc, yk = x[keep] - x[keep].mean(), y[keep]
    ss = float((xc * xc).sum())
    if ss <= 0:
        return None, 0.0
    falls = float((xc * yk).sum()) / ss
    return falls, spread(yk - falls * xc) / ss**0.5


def answers(own: Float, others: Float, least: float, usual: Bool | None = None) -> bool:
    """Whether a part may make up for the others, loop by loop.

    Where one stretch of the run has more of the one and the next more of the other, they add up to
    even loops by accident. A wait is shorter in each loop by what the others took more in it.

    Parameters
    ----------
    own, others : float arrays, shape (n,) [ms]
        What the part takes in each loop, and what all else does.
    least : float [ms]
        What the others must vary by from loop to loop for that to tell; True where they do not.
    usual : bool array, shape (n,), optional
        The loops to look at: of two in a row both. All, if it is not given.

    Examples
    --------
    >>> work = np.random.default_rng(1).normal(6, 0.3, 400)
    >>> answers(10 - work, work, 0.05), answers(np.repeat([4.0, 1.0], 200), work, 0.05)
    (True, False)
    >>> answers(np.ones(1), np.ones(1), 0.05)  # a loop by itself tells of no other
    True
    """
    more, less = np.diff(others), np.diff(own)
    if usual is not None:
        more, less = more[usual[1:] & usual[:-1]], less[usual[1:] & usual[:-1]]
    if len(more) < FEWEST or spread(more) <= least:
        return True
    falls = slope(less, more)
    return falls is not None and falls < _ANSWERS


def grain_of(run: Run, lengths_ns: Int) -> float:
    """The clock's tick where lengths are whole numbers of it, 0 where they are finer [ms]."""
    tick = max(run.clock.tick_ns, 1)
    # far quicker than by the rest of a division
    whole = len(lengths_ns) and (lengths_ns // tick * tick == lengths_ns).mean() >= _WHOLE
    return tick / 1e6 if whole else 0.0


def makes_up_for(own: Float, others: Float, least: float, among: Bool | None = None) -> bool:
    """Whether a call takes the less the more the others take, loop by loop, as a wait does.

    Loops without the call do not tell: where two calls alternate each is missing in the loops of
    the other. Nor does it tell that loops of two lengths alternate.

    Parameters
    ----------
    own, others : float arrays, shape (n,) [ms]
        What the call takes in each loop, and what all else does.
    least : float [ms]
        What the others must vary by to tell.
    among : bool array, shape (n,), optional
        The loops to look at; all, if it is not given.

    Examples
    --------
    >>> work = np.random.default_rng(1).normal(6, 0.3, 400)
    >>> left = np.where(np.arange(400) % 2, 0.0, 4.0)
    >>> makes_up_for(10 - work, work, 0.05), makes_up_for(left, work - left, 0.05)
    (True, False)
    """
    made = own > 0
    among = made if among is None else among & made
    if among.sum() < FEWEST:
        return False
    mine, rest = _without_levels(own[among], others[among], least)
    falls, error = _slope(mine, rest)
    return (
        falls is not None
        and falls <= min(_FALLS, _SURELY - _SURE_Z * error)
        and answers(own[made], others[made], least, among[made])
    )


def _without_levels(own: Float, others: Float, least: float) -> tuple[Float, Float]:
    """The same from the middle of each of two lengths of a call, where the others still vary."""
    apart = between_humps(own, float((own + others).mean()))
    if apart is None:
        return own, others
    long = own >= apart
    mine, rest = (np.where(long, x - x[long].mean(), x - x[~long].mean()) for x in (own, others))
    return (mine, rest) if spread(rest) > least else (own, others)


def loops_enough(run: Run, table: SelfTable) -> tuple[Run, SelfTable]:
    """So many loops of a run, from its middle, as tell which call waits, and their self times.

    Parameters
    ----------
    run : Run
        The recording.
    table : SelfTable
        ``SelfTable(run.self_pieces(), len(run), len(run.names))``.
    """
    if len(run) <= _ENOUGH:
        return run, table
    first = (len(run) - _ENOUGH) // 2
    place = np.arange(len(run))
    some = run.select((place >= first) & (place < first + _ENOUGH))
    return some, SelfTable(some.self_pieces(), len(some), len(some.names))


def beat_call(run: Run, table: SelfTable) -> int | None:
    """Code of the call that nobody labelled as pacing and that fills every loop to one length.

    Parameters
    ----------
    run, table
        The recording and its self times, as `loops_enough` gives them.
    """
    period = run.loop_columns.period_ns / 1e6
    covered = table.by_loop() / 1e6
    total = table.sums
    # a period cut to ticks is even, and what is left beside a call then makes up for it
    grains = (run.call_columns.duration_ns, run.loop_columns.period_ns)
    cut = varied_by(max(grain_of(run, lengths) for lengths in grains))
    told, hint = (max(share * float(period.mean()), cut) for share in (_TELLS, _HINTS))
    locks = of_locks([call.name for call in run.names])  # nobody waits for a tick at a lock
    usual = _of_usual_length(period, told)
    fills = []
    for code in np.argsort(-total, kind="stable")[:_LOOKED_AT].tolist():
        if total[code] < _SEEN * 1e6 * period.sum():
            break
        kind = run.names[code].kind
        if kind not in _BY_NAME or locks[code]:
            continue
        own = table.series(code) / 1e6
        if kind in _NOTHING_ELSE and late_ticks(period, own) is not None:
            return int(code)
        if total[code] < _LARGE * 1e6 * period.sum():
            continue
        if of_own_device(run, code):
            fills.append(int(code))
            continue
        among = _to_look_at(period, own, usual, hint)
        if among is None or not makes_up_for(own, period - own, hint, among):
            continue
        if spread((period - own)[own > 0]) <= told and not _ends_evenly(run, code, among):
            continue
        if _absorbs(own[among], (covered - own)[among], (period - covered)[among], kind):
            fills.append(int(code))
    ended = [code for code in fills if _ends_evenly(run, code, usual)]
    filled = ended[0] if len(ended) == 1 else _most_varied(ended or fills, run, table)
    return grid_call(run, table) if filled is None else filled


def grid_call(run: Run, table: SelfTable) -> int | None:
    """Code of the call that holds the starts on their grid, though it ends unevenly itself.

    Data that comes a little early or late moves the end of the wait for it by far more than what
    the others take; over many loops it still makes up for these.
    """
    period = run.loop_columns.period_ns / 1e6
    locks = of_locks([call.name for call in run.names])
    large = _LARGE * 1e6 * period.sum()
    parts = {code: table.series(code) / 1e6 for code in np.flatnonzero(table.sums > 0).tolist()}
    if len(parts) > _LOOKED_AT or not parts:
        return None
    code = held_by(period, parts, grain_of(run, run.loop_columns.period_ns))
    if code is None or locks[code] or run.names[code].kind not in _BY_NAME:
        return None
    made = float((parts[code] > 0).mean())
    return code if table.sums[code] >= large and made > 1 - _EACH_LOOP else None


def _to_look_at(period: Float, own: Float, usual: Bool, hint: float) -> Bool | None:
    """Loops with a call whose others vary by more than they do; None where these do not."""
    made = own > 0
    varies = spread((period - own)[made])
    if varies <= hint:
        return None
    among = usual if spread(period[made]) < 0.5 * varies else _of_one_tick(period, own)
    return None if among is None else among & made


def _of_usual_length(period: Float, told: float) -> Bool:
    """Loops that are neither late nor make up for a late one, all where these are many.

    A wait is missing in those: it has nothing left to wait for, and says nothing there.
    """
    off = np.abs(period - median(period)) > max(_FAR_OFF * spread(period), told)
    usual: Bool = ~off if off.mean() <= 1 - _USUAL else np.ones(len(period), bool)
    return usual


def _of_one_tick(period: Float, own: Float) -> Bool | None:
    """Loops of one tick, where the others take more of them; None where they take what they do."""
    tick = whole_tick(period, own)
    return None if tick is None else np.abs(period - tick) <= NEAR * tick


def _ends_evenly(run: Run, code: int, usual: Bool) -> bool:
    """Whether a call ends at far more even intervals than those at which it begins.

    A wait does, for it begins when the work is done. Of work that it makes up for, which is as long
    as the wait leaves it, the begin is the more even one. Where only lengths were recorded neither
    is known.
    """
    if run.clock.starts_from != "log":
        return False
    at = run.call_columns
    rows = np.flatnonzero((at.name == code) & run.on_loop_thread)
    loop = at.loop[rows]
    rows = rows[usual[loop]]
    begin, took = at.start_ns[rows], at.duration_ns[rows].astype(np.int64)
    after = np.diff(at.loop[rows]) == 1
    if after.sum() < FEWEST:
        return False
    begins, ends = (spread(np.diff(x)[after] / 1e6) for x in (begin, begin + took))
    return ends < _EVENLY * begins


def of_own_device(run: Run, code: int) -> bool:
    """Whether a call of every loop ends when its device says so, wherever it is in the loop.

    No other call does so then. Where several end evenly it is for what they all wait for.
    """
    if _is_rest(run.names[code]) or not _ends_alone(run, code):
        return False
    others = np.unique(run.call_columns.name[run.on_loop_thread]).tolist()
    return not any(_ends_alone(run, other) for other in others if other != code)


def _ends_alone(run: Run, code: int) -> bool:
    took, ends = turns_made(run, code)
    if abs(len(took) / len(run) - 1) > _EACH_LOOP:
        return False
    return keeps_own_beat(took, ends, CUT * 1e6 * grain_of(run, took))


def _most_varied(fills: list[int], run: Run, table: SelfTable) -> int | None:
    """Of the calls that fill the loop, the one that makes up for what the others vary by.

    In even loops without a gap any call is what the others leave, so each shrinks as they grow.
    The wait takes up all that the others vary by from loop to loop, and so varies as much as any.
    """
    if not fills:
        return None
    varies = {code: spread(np.diff(table.series(code))) for code in range(table.names)}
    most = [code for code in fills if varies[code] >= _AS_MUCH * max(varies.values())]
    named = [code for code in most if run.names[code].kind == "wait"]
    return next(iter(named or most), None)  # of two that mirror each other, the longer one


def _absorbs(own: Float, calls: Float, rest: Float, kind: str) -> bool:
    """Whether it is this call that fills up the loop, and not the time outside all calls.

    Where both are long, each shrinks as the other grows; only the wait shrinks as other calls grow.
    """
    whole = float((own + calls + rest).mean())
    if rest.mean() < 0.05 * whole:
        return True
    falls = slope(own, calls) if spread(calls) > 0.005 * whole else None
    if falls is None:  # what is longer hides what the calls vary by
        return kind == "wait" and bool(own.mean() > rest.mean())
    return falls < -0.7 and _goes_against(own, calls)


def _goes_against(own: Float, calls: Float) -> bool:
    """Whether one is shorter where the other is longer, surely and not for a few long ones.

    The standard error of a rank correlation of independent values is one over the root of their
    number, however far a few of them lie.
    """
    one, other = (
        sum(np.searchsorted(np.sort(x), x, side) for side in ("left", "right"))
        for x in (own, calls)
    )
    return float(np.corrcoef(one, other)[0, 1]) * len(own) ** 0.5 < -_SURE_Z


def _named_wait(run: Run, table: SelfTable) -> int | None:
    """The one call that is named as a wait, for nothing else, and is what its name says.

    It makes up for all else in a loop, so that periods are far more even than what loops take
    without it; or it ends each loop and is never shorter than the time that it was set to.
    """
    named = [code for code, name in enumerate(run.names)
             if name.kind_from == "guessed" and waits_only(name.name)]  # fmt: skip
    if len(named) != 1:
        return None
    wait: Float = table.series(named[0]).astype(np.float64)
    period: Float = run.loop_columns.period_ns.astype(np.float64)
    if median(wait) < _LEAST_WAIT * median(period):
        return None
    evens = mad(period) < _EVENED * mad(period - wait)
    return named[0] if evens or (_is_set(wait) and _ends_loops(run, named[0])) else None


def _is_set(wait: Float) -> bool:
    """Whether a wait is as long each time, and else longer: by what the system is late."""
    low, middle = percentiles(wait, [5, 50])
    return bool(low > 0 and middle - low <= _AS_SET * middle)


def _ends_loops(run: Run, code: int) -> bool:
    """Whether a call is the last one of the loops."""
    at = run.call_columns
    mine = np.flatnonzero(run.on_loop_thread)
    last = mine[np.flatnonzero(np.diff(at.loop[mine], append=-1))]
    return bool((at.name[last] == code).mean() >= _MOSTLY)


def with_wait_named(
    run: Run, pieces: SelfPieces | None = None, table: SelfTable | None = None
) -> Run:
    """The run with the call that waits for its tick labelled as pacing, where no call is.

    What the log or the project file says of a call stays. A sensor read stays one too, and so does
    whatever is named for a device: it may wait for the device's beat, and could be read elsewhere.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns
    >>> period = np.full(100, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(100), np.cumsum(period), period))
    >>> with_wait_named(run) is run
    True
    """
    if len(run) < 20 or any(name.kind == "pacing" for name in run.names):
        return run
    enclosed = run.loop_columns.body_ns is not None  # what follows the row of the loop is its wait
    if enclosed and not any(waits_only(name.name) for name in run.names):
        return run
    if table is None:
        pieces = run.self_pieces() if pieces is None else pieces
        table = SelfTable(pieces, len(run), len(run.names))
    code = None if enclosed else beat_call(*loops_enough(run, table))
    if code is None or not _is_rest(run.names[code]):
        code = _named_wait(run, table)
    if code is None:
        return run
    names = list(run.names)
    names[code] = replace(names[code], kind="pacing", kind_from="guessed")
    return run.with_names(tuple(names))


def _is_rest(call: CallName) -> bool:
    """Whether a call that waits can wait for nothing but its tick, by all that is said of it."""
    told = call.kind_from in ("log", "project") or call.bus or of_device(call.name)
    return call.kind in _NOTHING_ELSE and not told


def whole_tick(period: Float, wait: Float) -> float | None:
    """The period that all others are whole multiples of, where late loops wait for a later tick."""
    near = period[period <= 1.5 * percentiles(period, [2])[0]]
    least = median(near) if len(near) else 0.0
    if least <= 0:
        return None
    multiple = period / least
    whole = np.abs(multiple - np.rint(multiple)) <= _OFF_TICK
    on = whole & (np.rint(multiple) == 1)
    if whole.mean() < _MOSTLY or min(on.sum(), (whole & (multiple > 1.5)).sum()) < FEWEST:
        return None
    return least if spread(period[on]) < 0.5 * spread((period - wait)[on]) else None


def at_tick(period: Float, tick: float) -> Float:
    """The periods that end at the tick."""
    return period[np.abs(period - tick) <= NEAR * tick]


def varied_by(grain: float) -> float:
    """What lengths cut to ticks must vary by before more than the cutting shows [ms]."""
    return _VARIES * CUT * grain


def filled_tick(period: Float, rest: Float, grain: float = 0.0) -> float | None:
    """The period up to which what no call covers fills the loops, though most may be late.

    It is where most periods lie close together. Loops whose calls leave time end there, however
    long those took; in loops whose calls take longer, hardly anything is left uncovered. A clock
    whose ticks are `grain` long [ms] brings periods as close together by itself.

    Examples
    --------
    >>> work = np.random.default_rng(1).uniform(6, 16, 400)
    >>> rest = np.maximum(10 - work, 0) + 0.01
    >>> round(filled_tick(work + rest, rest), 2), filled_tick(work + 3, 3 + 0 * work)
    (10.01, None)
    """
    tick = densest(period)
    on = np.abs(period - tick) <= NEAR * tick
    calls = period - rest
    left = calls < (1 - _LEFT) * tick
    if tick <= 0 or on.mean() < _MANY or left.sum() < FEWEST or on[left].mean() < _FILLED:
        return None
    after = np.append(False, on[:-1]) & left  # a loop that begins at a tick ends at no earlier one
    if (period[after] < (1 - _OFF_TICK) * tick).mean() > _EARLY:
        return None
    late = calls > tick
    if late.sum() >= FEWEST and median(rest[late]) > _LEFT * tick:
        return None
    varied = spread(calls[on & left])
    even = spread(period[on & left])
    least = max(_VARIES * even, _VARIED * tick, varied_by(grain))
    return median(period[on & left]) if varied > least else None
