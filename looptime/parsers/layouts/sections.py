"""Layout `sections`: one row is a duration with a name; there is no clock."""

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import rises, shown, wordy
from looptime.parsers.columns.headers import LOOP_WORD, Head, is_bare_unit, roles
from looptime.parsers.columns.inside import enclosing
from looptime.parsers.columns.laps import adds_up
from looptime.parsers.columns.lexicon import CALL_NAMES, LOOP_NUMBERS, THREADS
from looptime.parsers.columns.unit import Unit, find_unit
from looptime.parsers.columns.wraps import going_on
from looptime.parsers.layouts.alike_removed import without_alike, written_again
from looptime.parsers.layouts.by_turns import TURNS, columns_by_turns
from looptime.parsers.layouts.contract import (
    UNSEEN,
    Column,
    Content,
    Found,
    Given,
    Layout,
    LoopRows,
    Parts,
    Reading,
    spellings,
)
from looptime.parsers.layouts.cycles import Cycles, find_cycles
from looptime.parsers.layouts.merged import odd_turns, out_of_turn
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.table import damaged_lines
from looptime.schema import REASONS, SUMMED
from looptime.stats.arrays import mad
from looptime.words import listed

__all__ = ["LAYOUT"]

#: Column map.
COLUMNS: dict[str, Column] = {
    "name": Column(CALL_NAMES, required=True),
    "duration": Column(
        ("duration", "dur", "elapsed", "took", "length", "cost", "runtime", "time", "delta", "dt",
         "value", "mean", "avg"), "time", required=True,
    ),
    "loop": Column((*LOOP_NUMBERS, "pass"), "count"),
    "phase": Column(("phase", "mode", "state")),
    "thread": Column(THREADS),
    "device": Column(("device", "dev")),
    "bus": Column(("bus",)),
}  # fmt: skip
_MAIN_WORDS = ("main", "loop", "control", "robot")
#: Rows a name from which sorted values tell a clock; chance spreads names this much less evenly.
_FEWEST, _EVENER = 40, 0.65
_CLOCKS = ("start", "starttime", "begin", "timestamp", "ts", "t", "end", "stop")


#: Of more names than this, those in less than a share of the loops are looked at as one.
_MANY, _SELDOM = 200, 0.01
#: Sections of which one may hold all others, in what share of the loops it must, and how much less
#: what is left of it varies than it does.
_SEVERAL, _HELD, _STEADIER = 4, 0.98, 0.5
#: Lengths of so many sections do not each exceed the one before.
_SOME = 20
#: Nor do so many under a header that says nothing but a unit.
_FEW = 8
#: Numbers of loops that fall, and rise, in more rows than this stand in no order.
_FALLS = 0.1


_LAPS = (
    "times run on within every loop: read as instants since its start, a section is what it adds"
)
#: Share of the rows that loops with the same sections must hold.
_IN_LAPS = 0.9


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is a `sections` log, None if it is not one."""
    given = roles(found, spellings(COLUMNS))
    if "duration" not in given:  # a column that says nothing but its unit
        timed = [h for h in found if h.unit is not None and not wordy(dialect, h.index)]
        if len(timed) == 1:
            given["duration"] = timed[0]
    turns = columns_by_turns(found, dialect)
    if turns is not None and "thread" in turns:
        return Given({**given, **turns}, told=dict.fromkeys(turns, TURNS))
    if turns is not None and "name" not in given:
        given = {**given, **turns}
    if not {"name", "duration"} <= set(given) or not wordy(dialect, given["name"].index):
        return None
    if not asked:
        length = given["duration"]
        if any(head.word in _CLOCKS for head in found):
            return None
        if any(_is_clock(head, dialect) for head in found if head is not length):
            return None
        if length.unit is None and length.word == "value" and _counter_among(given, dialect):
            return None
        values = going_on(numbers(dialect, length.index))
        if np.isnan(values).mean() > 0.5:  # dates and times of day are no lengths
            return None
        if len(values) >= _SOME and (np.diff(values) > 0).all():  # a clock by its values
            return None
        if is_bare_unit(length.text) and len(values) >= _FEW and (np.diff(values) >= 0).all():
            return None
        if (
            length.word in ("time", "elapsed", "value")
            and len(values) > 2
            and (rises(values) or disordered(values, grows=True))
        ):
            return None
    if "loop" in given and not rises(numbered := numbers(dialect, given["loop"].index)):
        if not asked and _mixed(numbered):
            raise LogError(
                f"{given['loop'].text!r} counts, and its numbers stand in no order: sort the rows"
                " by it",
                line=dialect.header_line or None,
            )
        given.pop("loop")
    told = turns is not None and turns["name"] is given["name"]
    return Given(given, told={"name": TURNS} if told else {})


def _mixed(numbers_: Float) -> bool:
    """Whether what counts by one in some order falls and rises again and again.

    Examples
    --------
    >>> loop = np.repeat(np.arange(50), 3)
    >>> anyhow = np.random.default_rng(1).permutation(loop)
    >>> _mixed(anyhow), _mixed(loop[::-1]), _mixed(np.tile(loop, 3))
    (True, False, False)
    """
    step = np.diff(numbers_)
    apart = np.diff(np.unique(numbers_))
    counts = len(apart) >= _SOME and float((apart == 1).mean()) >= _IN_LAPS
    return counts and float((step < 0).mean()) > _FALLS and float((step <= 0).mean()) < 1 - _FALLS


def _is_clock(head: Head, dialect: Dialect) -> bool:
    """Whether a column that is named by a unit of time alone climbs as a clock does."""
    return is_bare_unit(head.text) and rises(numbers(dialect, head.index))


def _counter_among(given: dict[str, Head], dialect: Dialect) -> bool:
    """Whether the values of one name count up by one, as those of a number of loops do."""
    values = numbers(dialect, given["duration"].index)
    names = np.array([row[given["name"].index] for row in dialect.sample])
    own = (values[(names == name) & np.isfinite(values)] for name in np.unique(names))
    return any(len(one) >= _SOME and bool((np.diff(one) == 1).all()) for one in own)


def unit(log: Reading) -> Unit:
    """The unit; without a header it is told from what the sections of one cycle add up to."""
    given, dialect = log.given.one, log.dialect
    values = numbers(dialect, given["duration"].index)
    known = np.isfinite(values)
    names = np.array([row[given["name"].index] for row in dialect.sample])[known]
    values = values[known]
    if log.options.layout != "sections" and in_turn_by_value(names, values):
        raise LogError(
            f"{shown(given['duration'])!r} is a clock: sorted by it the names come in turn. Sort "
            "the rows by it, or say --layout sections if it is how long each took",
            log.source.path,
        )
    words, counts = np.unique(names, return_counts=True)
    often = words[counts >= max(2, 0.5 * counts.max(initial=0))]
    typical = [np.median(values[names == word]) for word in often]
    cycle = np.array([np.sum(typical)]) if typical else values
    header = given["duration"].unit
    return find_unit(header, *log.asked, cycle, log.source.path, "durations")


def in_turn_by_value(names: NDArray[np.str_], values: Float) -> bool:
    """Whether the names come in turn once rows are sorted by value, as instants in no order do.

    Lengths of a name crowd together or scatter: by chance the rows from one of a name to the next
    are as unlike as a geometric distribution of mean k has them, sqrt(k (k - 1)), for k names.

    Parameters
    ----------
    names : str array, shape (n,)
        Of the rows.
    values : float64 array, shape (n,)
        What may be lengths or instants.

    Examples
    --------
    >>> names, at = np.tile(["imu", "drive", "arm"], 40), np.arange(120.0)
    >>> in_turn_by_value(names, at[::-1]), in_turn_by_value(names, at % 3)
    (True, False)
    """
    words, code, count = np.unique(names, return_inverse=True, return_counts=True)
    k = len(words)
    if k < 2 or count.min() < _FEWEST or len(names) > 1.5 * k * count.min():
        return False
    sorted_codes = code[np.argsort(values, kind="stable")]
    gaps = [np.diff(np.flatnonzero(sorted_codes == one)) for one in range(k)]
    spread = float(np.std(np.concatenate(gaps)))
    even = min(float(gap.mean()) for gap in gaps) > 0.8 * k
    return even and bool(spread < _EVENER * np.sqrt(k * (k - 1)))


def rows(content: Content) -> Found:
    """Loops with the sections of each, laid one after another."""
    laps = _laps(content)
    found = _loops(content)
    notes = ["no clock in the log: loops are laid one after another"]
    if found.said.endswith("the sum of its sections"):
        notes.append("no total in the log: the period is the sum of the sections")
    notes += [_LAPS] * laps
    limits = (UNSEEN,) if found.said.endswith(SUMMED) else ()
    notes += [*_whole_run(content, len(found)), *_other_threads(content)]
    notes += _odd_loops(content, found)
    notes += _side_by_side(np.asarray(content.table.columns["name"]))
    if "loop" not in content.table.columns:
        own = [np.asarray(content.table.columns[key]) for key in ("name", "duration")]
        notes += (*without_alike(*own), *written_again(*own))
    ticks = np.unique(content.table.columns["duration"][:100_000])
    return Found(found, ticks, content.units["duration"].ns, tuple(notes), limits=limits)


def _laps(content: Content) -> bool:
    """Bring times that run on from section to section of a loop to what each adds, in place."""
    at = content.table.columns
    name, time = np.asarray(at["name"]), at["duration"]
    first = np.concatenate([[0], np.flatnonzero(np.diff(time) < 0) + 1])
    length = np.diff(np.append(first, len(time)))
    usual = int(np.bincount(length).argmax())
    whole = first[length == usual]
    if usual < 2 or len(whole) < _FEWEST or usual * len(whole) < _IN_LAPS * len(time):
        return False
    rows = whole[:, None] + np.arange(usual)
    if (name[rows] != name[rows[0]]).any() or not adds_up(time[rows].T.astype(np.float64)):
        return False
    lap = np.diff(time, prepend=0)
    lap[first] = time[first]
    at["duration"] = lap
    return True


def _side_by_side(name: Int) -> tuple[str, ...]:
    """A caution where each section follows itself so many times, as in logs line by line."""
    begins = np.append(0, np.flatnonzero(np.diff(name)) + 1)
    times = np.diff(np.append(begins, len(name)))
    usual = int(np.bincount(times).argmax())
    if usual < 2 or len(times) < _FEWEST or (times == usual).mean() < _IN_LAPS:
        return ()
    return (f"each section stands {usual} times in turn: as many logs may be merged line by line",)


def _odd_loops(content: Content, found: LoopRows) -> tuple[str, ...]:
    """A caution where few loops lack what all others hold once."""
    assert found.parts is not None
    odd = odd_turns(found.parts.name, found.parts.loop)
    if not len(odd):
        return ()
    line = int(content.table.line_of(found.row[odd[:1]])[0])
    return (out_of_turn(len(odd), line),)


def _whole_run(content: Content, loops: int) -> list[str]:
    """What the timer of a whole run says of its loops: how long one took, waits and all."""
    table, cast = content.table, content.outcast
    reason = REASONS.index("whole-run total")
    rows = [at for row, why in zip(cast.row, cast.reason, strict=True) for at in row[why == reason]]
    if len(rows) != 1:
        return []
    length = float(table.columns["duration"][rows[0]])
    name = table.words["name"][int(np.asarray(table.columns["name"])[rows[0]])]
    return [
        f"{name!r} times the whole run: {length / 1e9:.4g} s for {loops:,} loops are "
        f"{length / 1e6 / loops:.4g} ms a loop, what lies between its sections included"
    ]


def _other_threads(content: Content) -> list[str]:
    """What is said of rows that are set aside because they ran beside the loop."""
    reason = REASONS.index("other thread")
    cast = content.outcast
    rows = [row[why == reason] for row, why in zip(cast.row, cast.reason, strict=True)]
    count = sum(map(len, rows))
    if not count:
        return []
    words, thread = content.table.words["thread"], content.table.columns["thread"]
    codes = np.unique(thread[np.concatenate(rows)]).tolist()
    named = listed([words[code][:30] or "(none)" for code in codes])
    return [
        f"{count:,} rows of other threads ({named}) are set aside: without a clock nothing tells "
        "in which loop they ran; --by thread reads each thread by itself"
    ]


def _of_the_loop(content: Content) -> Bool:
    """Rows of the loop's thread.

    It is that of the section named with --loop-call, of one that is the loop, else the one with
    the most sections; of several, the one that is called so, else the first.
    """
    table = content.table
    thread, threads = table.columns.get("thread"), table.words.get("thread", [""])
    if thread is None or len(threads) < 2:
        return np.ones(len(table), bool)
    names, asked = table.words["name"], content.log.options.loop_call
    pair = np.unique(np.stack([thread, table.columns["name"]]).astype(np.int64), axis=1)
    marked = [code for code, word in enumerate(names)
              if word == asked or (asked is None and LOOP_WORD.search(word.lower()))]  # fmt: skip
    own = pair[0][np.isin(pair[1], marked)]
    variety = np.bincount(own if len(own) else pair[0], minlength=len(threads))
    best = np.flatnonzero(variety == variety.max()).tolist()
    called = [code for code in best if threads[code].lower() in _MAIN_WORDS]
    first = {code: int(np.argmax(thread == code)) for code in best}
    mine: Bool = thread == (called or sorted(best, key=first.__getitem__))[0]
    return mine


def _loops(content: Content) -> LoopRows:
    table, at, outcast = content.table, content.table.columns, content.outcast
    options, path = content.log.options, content.log.source.path
    name, duration = np.asarray(at["name"]), at["duration"]
    mine = _of_the_loop(content)
    outcast.add(np.flatnonzero(~mine), "other thread")
    negative = (duration < 0) & mine
    outcast.add(np.flatnonzero(negative), "negative duration")
    kept = np.flatnonzero(mine & ~negative)
    damaged = np.searchsorted(table.line_of(kept), damaged_lines(table))
    damaged = np.concatenate([damaged, np.searchsorted(kept, np.flatnonzero(negative))])
    found = find_cycles(
        name[kept], duration[kept], table.words["name"],
        None if "loop" not in at else at["loop"][kept], damaged, options.loop_call, path,
    )  # fmt: skip
    for reason, rows in found.aside.items():
        outcast.add(kept[rows], reason)
    if not len(found.first):
        raise LogError("holds a single loop: record at least two", path)
    parts, period, said = _parts(found, name[kept], duration[kept], table.words["name"])
    start = np.concatenate([[0], np.cumsum(period)[:-1]]).astype(np.int64)
    row = kept[found.row[found.first]]
    return LoopRows(row, start, period, parts=parts, said=f"{found.said}; {said}")


def _parts(found: Cycles, name: Int, duration: Int, names: list[str]) -> tuple[Parts, Int, str]:
    """Sections of every cycle, those that enclose others recognised, and the periods."""
    loops = len(found.first)
    code, length = name[found.row].astype(np.int64), duration[found.row]
    order = _order(code, found.loop)
    place = np.full(len(names), -1)
    place[order] = np.arange(len(order))
    column = place[code]
    spot = _spots(column, found.loop)
    table = np.zeros((loops, int(spot.max()) + 1), np.int64)
    np.add.at(table, (found.loop, spot[column]), length)
    single = np.bincount(spot) == 1
    name_at = np.zeros(len(single), np.int64)
    name_at[spot] = np.arange(len(spot))
    parent = enclosing(table)
    parent[(parent >= 0) & ~single[parent]] = -1
    top = np.flatnonzero(parent < 0)
    titles = [names[order[name_at[c]]] if single[c] else "" for c in range(len(single))]
    around = _whole(table, parent, top, titles)
    if around >= 0:
        others = table[:, top].sum(axis=1) - table[:, around]
        period = np.where(table[:, around] > 0, table[:, around], others)
        said = f"{titles[around]!r} is the whole loop"
        inside = parent == around
        if not inside.any():  # parts that do not add up to the total
            inside = (parent < 0) & (np.arange(len(parent)) != around)
        parent = np.where(inside, -1, parent)
    else:
        period, said = table[:, top].sum(axis=1), "a period is the sum of its sections"
    keep = spot[column] != around
    parent = np.where(parent < 0, -1, name_at[parent])[spot]
    return _laid(found.loop[keep], column[keep], length[keep], parent,
                 [names[c] for c in order]), period, said  # fmt: skip


def _spots(column: Int, loop: Int) -> Int:
    """For each name its column in a table of loops: many names that few loops have share one."""
    uses = np.bincount(column)
    often = uses >= _SELDOM * (int(loop.max()) + 1)
    if len(uses) <= _MANY or often.all():
        return np.arange(len(uses))
    return np.where(often, np.cumsum(often) - 1, np.count_nonzero(often))


def _order(code: Int, loop: Int) -> Int:
    """Section names in the order in which they usually stand in a cycle."""
    first = np.concatenate([[True], loop[1:] != loop[:-1]])
    begin = np.maximum.accumulate(np.where(first, np.arange(len(loop)), 0))
    rank = np.arange(len(loop)) - begin
    used = np.unique(code)
    total = np.bincount(code, weights=rank)[used]
    return used[np.argsort(total / np.bincount(code)[used], kind="stable")]


def _whole(table: Int, parent: Int, top: Int, names: list[str]) -> int:
    """The column that is the loop itself: named so, or around all others; -1 for none."""
    words = ("total", "loop", "whole loop", "main loop", "cycle", "looptotal", "loop total",
             "total loop", "loop time", "looptime", "cycle time", "full loop")  # fmt: skip
    present = (table > 0).mean(axis=0) > 0.9
    for column in top:
        plain = names[column].lower().replace("_", " ").replace(".", " ").strip()
        if plain in words and present[column] and len(parent) > 1:
            return int(column)
    if len(top) == 1 and (parent == top[0]).any():
        return int(top[0])
    held = (at for at in top if len(top) >= _SEVERAL and _holds(table[:, top], table[:, at]))
    return int(next(held, -1))


def _holds(table: Int, one: Int) -> bool:
    """Whether a section is as long as all others together and a rest that varies less than it."""
    whole: Float = one.astype(np.float64)
    rest: Float = 2 * whole - table.sum(axis=1)
    return bool((rest >= 0).mean() >= _HELD) and mad(rest) < _STEADIER * mad(whole)


def _laid(loop: Int, column: Int, length: Int, parent: Int, names: list[str]) -> Parts:
    """Lay the rows of every loop one after another, those within others at their start."""
    depth = np.zeros(len(parent), np.int16)
    for column_at in range(len(parent)):
        up = int(parent[column_at])
        while up >= 0:
            depth[column_at] += 1
            up = int(parent[up])
    order: list[int] = []
    rank = np.empty(len(parent), np.int64)
    _outer_first(parent, -1, order)
    rank[order] = np.arange(len(order))
    by = np.lexsort((np.arange(len(loop)), rank[column], loop))
    loop, column, length = loop[by], column[by], length[by]
    self_ns = length.copy()
    counted = np.zeros(len(loop), np.int64)
    for c in np.flatnonzero(np.bincount(parent[parent >= 0], minlength=len(parent))):
        inner = parent[column] == c
        outer = np.flatnonzero(column == c)
        sums = np.bincount(loop[inner], weights=length[inner], minlength=int(loop.max()) + 1)
        first = outer[np.concatenate([[True], np.diff(loop[outer]) > 0])] if len(outer) else outer
        counted[first] += sums[loop[first]].astype(np.int64)
    self_ns = np.maximum(self_ns - counted, 0)
    # a part starts where the outermost and inner ones before it leave off
    before = np.cumsum(self_ns) - self_ns
    begin = np.maximum.accumulate(
        np.where(np.concatenate([[True], loop[1:] != loop[:-1]]), np.arange(len(loop)), 0)
    )
    offset = before - before[begin]
    return Parts(loop, column.astype(np.int32), offset, length, self_ns, depth[column], names)


def _outer_first(parent: Int, around: int, order: list[int]) -> None:
    for column in np.flatnonzero(parent == around):
        order.append(int(column))
        _outer_first(parent, int(column), order)


LAYOUT = Layout(
    "sections", "each row a duration with a name", COLUMNS, fit, unit, rows,
    starts_from="column order", beats=("stamps",),
)  # fmt: skip
