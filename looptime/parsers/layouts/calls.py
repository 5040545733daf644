"""Layout `calls`: one row is a timed call with a name, a start, and an end or a duration."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.errors import LogError
from looptime.parsers.clock.stepping import whole_lengths
from looptime.parsers.columns.evidence import rises, wordy
from looptime.parsers.columns.headers import Head, is_bare_unit, roles
from looptime.parsers.columns.lexicon import LOOP_NUMBERS, THREADS
from looptime.parsers.columns.unit import (
    Unit,
    clock_unit,
    find_unit,
    is_plausible,
    text_unit,
    tick_of,
)
from looptime.parsers.layouts.beside_calls import (
    is_place_in_loop,
    with_columns,
    with_marks,
    with_row_numbers,
)
from looptime.parsers.layouts.by_values import fit_of
from looptime.parsers.layouts.calls_by_values import CALLS, call_columns, stamped_at_once
from looptime.parsers.layouts.contract import (
    SECOND,
    UNSEEN,
    CallRows,
    Column,
    Content,
    Found,
    Given,
    Layout,
    Parsed,
    Reading,
    own_unit,
    spellings,
)
from looptime.parsers.layouts.from_begin import (
    ANEW,
    BEGIN,
    OFFSET,
    begin_of,
    begins_beside,
    starts_of,
)
from looptime.parsers.layouts.own_threads import OVERLAP, call_spans, named_thread, thread_column
from looptime.parsers.text.cells import lengths
from looptime.parsers.text.dialect import Dialect, is_missing, is_number, numbers
from looptime.parsers.text.table import Key, Table
from looptime.stats.arrays import tally
from looptime.units import UNITS

__all__ = ["ENDED", "LAYOUT", "by_header"]

#: Column map.
COLUMNS: dict[str, Column] = {
    "name": Column(
        ("name", "call", "callname", "function", "func", "section", "stage", "operation", "op",
         "label", "span", "task", "event", "what", "fn", "routine", "method", "scope",
         "part", "step", "request", "job", "action", "activity", "transaction", "access"),
        required=True,
    ),
    "start": Column(
        ("start", "starttime", "begin", "begintime", "tstart", "tbegin", "timestart", "timebegin",
         "startedat", "begunat", "startat", "beginat", "from", "enter", "began", "begun", "started",
         "entered", "tin", "timein", "time", "timestamp", "t",
         "ts", "micros", "millis", "nanos", "t0", "at"),
        "time",
        required=True,
    ),
    "end": Column(
        ("end", "endtime", "stop", "stoptime", "tend", "tstop", "timeend", "timestop", "finish",
         "finished", "endedat", "stoppedat", "finishedat", "endat", "stopat", "to", "exit", "t1",
         "ended", "stopped", "left", "exited", "tout"),
        "time",
        required=True,
    ),
    "duration": Column(
        ("duration", "dur", "elapsed", "took", "length", "cost", "runtime", "dt", "spent",
         "time", "run", "ran", "service", "servicetime", "exec", "exectime", "execution"), "span",
        required=True,
    ),
    # the loop's start, where those of the calls count from it
    "base": Column((), "time", required=True),
    "waited": Column(("wait", "waited", "waiting", "waittime", "queued", "blocked"), "span"),
    "loop": Column((*LOOP_NUMBERS, "pass", "tick"), "count"),
    "thread": Column(THREADS),
    "seq": Column(("seq", "sequence", "seqno", "sequencenumber", "index"), "count"),
    "phase": Column(("phase", "mode", "period", "state")),
    "kind": Column(("kind", "category")),
    "subsystem": Column(("subsystem", "system", "component", "module")),
    "device": Column(("device", "dev", "sensor")),
    "bus": Column(("bus", "port")),
    "cpu": Column(("cpu", "cputime", "cpuduration"), "time"),
    "mark": Column(("mark",)),
    "value": Column(("value",), "number"),
}  # fmt: skip

#: What is said of calls whose rows hold their ends.
ENDED = "rows are stamped at the end of their calls"
#: By how much more of the calls follow closely upon others where stamps are surely their ends.
_CLOSER = 0.3
#: Calls within calls that may all begin within one rounding.
_DEEP = 8
#: Rows from which on values tell how they are rounded, and by how many they are told.
_ENOUGH, _MOST_TOLD_BY = 30, 100_000
#: Where more calls than this share have the instant of the one before, loops cannot be told.
_MOSTLY_TIED = 0.5
_IN_TURN = "the clock begins anew with every loop: loops are laid one after another"
#: A long wait in lengths of a call, so many that tell, and the share of them that are apart.
_LONG_WAIT, _LONG_WAITS, _APART = 1.0, 3, 0.9
#: What values tell where headers do not.
_TOLD = ("name", "start", "end", "duration", "base")
_FROM_BEGIN = {"start": OFFSET, "base": BEGIN}
#: How much of the steps from call to call of a name its lengths fill at most, how much of them
#: they would in a wrong unit, and from how many steps on they tell.
_ALL, _TOO_LONG, _TELL = 1.02, 5.0, 10
#: Headers of instants that do not say whether a call began or ended then.
_ANY_INSTANT = frozenset(("time", "timestamp", "t", "ts", "micros", "millis", "nanos", "at"))
#: All headers of instants; words under one, such as those of a place, are none.
_INSTANTS = frozenset(COLUMNS["start"].spellings) | frozenset(COLUMNS["end"].spellings)


def by_header(found: list[Head]) -> tuple[dict[str, Head], bool]:
    """The parts that headers name, and whether they are all that a `calls` log must have."""
    given = roles(found, spellings(COLUMNS))
    if {"end", "duration"} <= set(given) and "start" not in given:
        given["start"] = given.pop("end")  # stamped at their ends
    if not {"end", "duration"} & set(given) and "start" in given:
        # beside the wait, the one other length is the rest of the call, whatever it is called
        timed = "waited" in given
        bare = [h for h in found if h not in given.values()
                and (is_bare_unit(h.text) or (timed and h.unit is not None))]  # fmt: skip
        given |= {"duration": bare[0]} if len(bare) == 1 else {}
    stands_for = next((group for group in ("subsystem", "device") if group in given), None)
    if "name" not in given and stands_for:  # timed as a whole
        given["name"] = given.pop(stands_for)
    elif "name" not in given and "thread" in given:  # each makes one call
        given["name"] = given["thread"]
    return given, {"name", "start"} <= set(given) and bool({"end", "duration"} & set(given))


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is a `calls` log, None if it is not one."""
    return with_row_numbers(_calls(found, dialect, asked), found, dialect)


def _is_instant(length: Head, given: dict[str, Head], dialect: Dialect) -> bool:
    """Whether a time that stands beside starts and ends is no length, but another clock's."""
    both = {"start", "end"} <= set(given)
    return both and length.word in _ANY_INSTANT and rises(numbers(dialect, length.index))


def _calls(found: list[Head], dialect: Dialect, asked: bool) -> Given | None:
    """The same but for numbers of rows that are not called so."""
    found = [head for head in found if head.word not in _INSTANTS or not wordy(dialect, head.index)]
    given, whole = by_header(found)
    length = given.get("duration")
    if length is not None and _is_instant(length, given, dialect):
        return _calls([head for head in found if head is not length], dialect, asked)
    marked = "mark" in given and "" in {row[given["mark"].index] for row in dialect.sample}
    if marked:
        mark = given["mark"].index
        calls_alone = tuple(row for row in dialect.sample if not row[mark])
        return _fit(found, replace(dialect, sample=calls_alone), asked)
    length = (given.get("duration") or given["end"]) if whole else None
    if _lacking(length, found, dialect):
        from looptime.parsers.layouts.other_kinds import kinds_of

        for kinds in kinds_of(found, dialect, length):
            rest = [head for head in found if head is not kinds.by or head is given.get("name")]
            made = _fit(rest, kinds.calls, asked)
            if made is None or (length is None and not kinds.lack_lengths(made)):
                continue
            if kinds.are_others(made.one["name"], found):
                return kinds.marked(made, found)
    return _fit(found, dialect, asked)


def _lacking(length: Head | None, found: list[Head], dialect: Dialect) -> bool:
    """Whether there are rows without a length, or where no header names it, without a number."""
    likely = [length] if length is not None else found
    return any(is_missing(row[head.index]) for head in likely for row in dialect.sample)


def _fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The same for rows that are all calls."""
    given, whole = by_header(found)
    length = given.get("duration")
    if whole and length is not None and is_bare_unit(length.text):
        whole = not stamped_at_once(given["start"], length, dialect)
    told = None
    if whole and given["name"] is given.get("thread"):  # unless another column tells its calls
        told = call_columns(found, dialect, COLUMNS["name"].spellings, given["thread"])
    elif whole and begins_beside(given["start"], found, dialect):
        told = call_columns(found, dialect, COLUMNS["name"].spellings)
    if not whole or told is not None:
        told = told or call_columns(found, dialect, COLUMNS["name"].spellings)
        if told is None:
            return None
        taken = {head.index for head in told.values()}
        kept = {part: head for part, head in given.items()
                if part not in _TOLD and head.index not in taken}  # fmt: skip
        made = _with_thread(kept | told, found, dialect)
        why = dict.fromkeys(told, CALLS) | (_FROM_BEGIN if "base" in told else {})
        return Given(made.one, told={**why, **made.told})
    base = begin_of(given["start"], [h for h in found if h not in given.values()], dialect)
    given |= {} if base is None else {"base": base}
    cells = [row[given["name"].index] for row in dialect.sample[:200]]
    if not asked and cells and all(is_number(cell, dialect.decimal) for cell in cells):
        return None
    return _with_thread(given, found, dialect)


def _with_thread(given: dict[str, Head], found: list[Head], dialect: Dialect) -> Given:
    """The same with the column of the threads, also one that is called a name, such as a task."""
    if "thread" in given:
        return Given(given)
    taken = {head.index for head in given.values()}
    free = [head for head in found if head.index not in taken]
    if (named := named_thread(free, dialect)) is not None:
        return Given({**given, "thread": named})
    names = [head for head in free if head.word in COLUMNS["name"].spellings]
    spans = call_spans(given, dialect)
    thread = thread_column([*free, given["name"]], dialect, spans, given.get("loop"))
    if thread is None:
        return Given(given)
    name = names[0] if names and thread is given["name"] else given["name"]
    return Given({**given, "name": name, "thread": thread}, told={"thread": OVERLAP})


def unit(log: Reading) -> Unit:
    """The unit of the starts, told by the steps between calls of one name."""
    given, dialect = log.given.one, log.dialect
    head = given["start"]
    values = starts_of(given, dialect)
    known = np.isfinite(values)
    values = values[known]
    name = given["name"].index
    # the steps between calls of one name are loop periods or parts of them
    names = np.array([row[name] for row in dialect.sample])[known]
    steps = np.diff(values)
    if len(values):
        words, counts = np.unique(names, return_counts=True)
        steps = np.diff(values[names == words[np.argmax(counts)]])
    header = head.unit or next(
        (given[role].unit for role in ("duration", "end") if role in given and given[role].unit),
        None,
    )
    if header is not None and not head.unit and not is_plausible(steps, UNITS[header]):
        header = None  # `t,dur_us` with t in seconds
    if header is not None and not head.unit and log.asked[0] is None:
        filled = _filled(given, dialect) * UNITS[header]
        fit = [(ns, name) for name, ns in UNITS.items() if filled <= _ALL * ns]
        if fit and filled > _TOO_LONG * UNITS[header]:
            ns, word = min(fit)
            return Unit(word, ns, f"inferred: in less than {word} calls of a name would overlap")
    return clock_unit(dialect, head, header, log.asked, log.source.path, steps)


def _filled(given: dict[str, Head], dialect: Dialect) -> float:
    """Which share of the steps from call to call of one name its lengths fill, as they stand."""
    if "duration" not in given:
        return 0.0
    at, length = starts_of(given, dialect), numbers(dialect, given["duration"].index)
    words = [given[key].index for key in ("name", "thread") if key in given]
    names = np.array(["\0".join(row[k] for k in words) for row in dialect.sample])
    most = 0.0
    for name in np.unique(names):
        mine = names == name
        step, took = np.diff(at[mine]), length[mine][:-1]
        known = (step > 0) & (took >= 0)
        if known.sum() >= _TELL:
            most = max(most, float(np.median(took[known] / step[known])))
    return most


def own(log: Reading, key: Key, head: Head, unit: Unit) -> Unit:
    """The unit of one column; a length beside a date is a number.

    Where the clock's header names no unit, what is inferred or asked for is the clock's alone.
    """
    if head.unit and not log.given.one["start"].unit:
        return Unit(head.unit, UNITS[head.unit], "header")
    if key == "duration" and head.unit is None and unit.stamp is None:
        filled = _filled(log.given.one, log.dialect) / unit.ns
        fit = [(ns, name) for name, ns in UNITS.items() if filled * ns <= _ALL]
        if fit and filled * unit.ns > _TOO_LONG:
            ns, name = max(fit)
            return Unit(name, ns, f"inferred: in more than {name} calls of a name would overlap")
    if key == "base" and (dated := text_unit(log.dialect, head)) is not None:
        return dated
    if key in ("duration", "cpu") and unit.stamp is not None:
        values = numbers(log.dialect, head.index)
        return find_unit(head.unit, *log.asked, values, log.source.path, str(key))
    return own_unit(log, key, head, unit)


def judged(table: Table) -> Bool | None:
    """Calls of the commonest name; a clock that tells when a call was over is no second one."""
    at = table.columns
    if "duration" not in at:
        at["duration"] = at.pop("end") - at["start"]
    apart = (at[SECOND] - at["start"]).astype(np.float64)
    if np.std(apart - at["duration"]) < 0.5 * np.std(apart):
        return None
    return np.asarray(at["name"] == np.bincount(at["name"]).argmax())


def rows(content: Content) -> Found:
    """The timed rows; signals and marks among them are told when the clock is in order."""
    at, table = content.table.columns, content.table
    given = content.log.given
    if given.timed:
        from looptime.parsers.layouts.other_kinds import told_apart

        told_apart(table, given.timed)
    if "seq" in at and is_place_in_loop(at["seq"], at.get("thread"), at.get("loop")):
        del at["seq"]
    if "base" in at:
        base = at.pop("base")
        for edge in ("start", "end"):
            at |= {edge: at[edge] + base} if edge in at else {}
    end = at.pop("end", None)
    duration = at["duration"] if end is None or "duration" in at else lengths(end, at["start"])
    in_turn = "base" not in given.one and _lay_in_turn(at, duration)
    asked = content.log.options.stamped or _said(given.one["start"].word)
    if "waited" in at and end is None:
        over = asked == "end" or (
            not asked and _stamped_at_end(at["start"], duration, at.get("thread"))
        )
        duration = at["duration"] = _with_waits(
            at["start"], duration, at["waited"], at.get("thread"), over
        )
    found = CallRows(
        start=at["start"], duration=duration, name=at["name"], names=table.words["name"],
        by_end="looptime-recorder" in table.meta,
    )  # fmt: skip
    _check_instants(found, at.get("thread"), content.log.source.path)
    limits = () if end is not None else whole_lengths(duration, found.start)
    limits += (UNSEEN,) if in_turn else ()
    ticks = np.concatenate([found.start[:_MOST_TOLD_BY], duration[:_MOST_TOLD_BY]])
    if end is None:
        found = replace(found, rounding=_rounding(found, content.unit.tick_ns))
    note = f"rows are taken for calls, {given.one['name'].text!r} names them: {CALLS}"
    notes = (note,) * ("name" in given.told) + (_IN_TURN,) * in_turn
    if end is not None or asked == "start":
        return Found(found, ticks, notes=notes, limits=limits)
    if not asked and not _stamped_at_end(found.start, duration, at.get("thread")):
        return Found(found, ticks, notes=notes, limits=limits)
    why = "" if asked else ": so none overlap, else many would (--stamped start if that is wrong)"
    ended = replace(found, by_end=True, ended=True)
    return Found(ended, ticks, notes=(*notes, ENDED + why), limits=limits)


def _lay_in_turn(at: dict[Key, NDArray[Any]], duration: Int) -> bool:
    """Put loops that are each counted from their begin one after another, in place."""
    fall = at["start"][1:] < at["start"][:-1]
    if "thread" in at or fall.sum() < _ENOUGH or fall.mean() < ANEW:
        return False
    from looptime.parsers.layouts.anew import laid_in_turn

    found = laid_in_turn(at["start"], at["start"] + duration, at["name"], at.get("loop"))
    if found is None:
        return False
    at["start"] = at["start"] + found[0]
    at["loop"] = at.get("loop", found[1])
    return True


def _with_waits(start: Int, ran: Int, waited: Int, thread: Int | None, over: bool = False) -> Int:
    """How long calls last whose rows tell waiting and running apart, if the two follow each other.

    Where a call waits long, the next one of its thread begins no sooner than after both; where
    rows are stamped when calls are `over`, the one before ended no later than both before that.
    """
    order = np.lexsort((start, np.zeros(len(start)) if thread is None else thread))
    steps = np.diff(start[order])
    if thread is not None:
        steps[np.diff(thread[order]) != 0] = np.iinfo(np.int64).max
    ends = [np.iinfo(np.int64).max]
    room = np.concatenate([ends, steps] if over else [steps, ends]) - ran[order]
    wait = waited[order]
    long = wait > max(_LONG_WAIT * float(np.median(ran)), 1.0)
    apart = long.sum() >= _LONG_WAITS and (room[long] >= 0.95 * wait[long]).mean() >= _APART
    return ran + waited if apart else ran


def _check_instants(rows: CallRows, thread: Int | None, path: str) -> None:
    """Refuse a clock so coarse that a call mostly begins at the instant of the one before.

    Raises
    ------
    LogError
        With the step of the clock.
    """
    mine = np.flatnonzero(rows.name == tally(rows.name, len(rows.names)).argmax())
    if thread is not None:
        mine = mine[thread[mine] == np.bincount(thread[mine]).argmax()]
    step = np.diff(rows.start[mine])
    length = rows.duration[mine]
    tied = (step == 0) & (length[:-1] > 0) & (np.diff(length) != 0)  # others were written twice
    if len(step) < _ENOUGH or tied.mean() < _MOSTLY_TIED or not (step > 0).any():
        return
    tick = int(np.gcd.reduce(step[step > 0]))
    raise LogError(
        f"{100 * tied.mean():.0f} % of the calls of {rows.names[int(rows.name[mine[0]])]!r} begin "
        f"at the instant of the one before: a clock that steps by {tick / 1e6:.4g} ms cannot tell "
        "loops apart; log finer times, or have the lengths alone read with --layout sections",
        path,
    )


def _rounding(rows: CallRows, unit_ns: int) -> int:
    """By how much calls side by side may overlap where starts and lengths are rounded apart [ns].

    Lengths of one name that are all alike say nothing of how they are rounded.
    """
    start, name = rows.start[:_MOST_TOLD_BY], rows.name[:_MOST_TOLD_BY]
    duration = rows.duration[:_MOST_TOLD_BY].astype(np.int64)
    mine = duration[name == np.bincount(name).argmax()]
    if len(start) < _ENOUGH or mine.min() == mine.max():
        return 0
    one, other = tick_of(start, unit_ns), tick_of(np.append(duration, 0), unit_ns)
    return 0 if one == other else one + other


def _said(word: str) -> str:
    """Which end of its call a header says that the instant in its column is; empty for either."""
    if word in COLUMNS["end"].spellings:
        return "end"
    return "start" if word in COLUMNS["start"].spellings and word not in _ANY_INSTANT else ""


def _stamped_at_end(start: Int, duration: Int, thread: Int | None) -> bool:
    """Whether calls cut across each other if rows are stamped at their starts, and only then."""
    many = slice(50_000)
    at, length = start[many].astype(np.float64), duration[many].astype(np.float64)
    if thread is not None:
        mine = thread[many] == np.bincount(thread[many]).argmax()
        at, length = at[mine], length[mine]
    if len(at) < 20:
        return False
    starts, ends = fit_of(at, at + length), fit_of(at - length, at)
    if starts.odd > 0.05 and ends.odd < 0.1 * starts.odd:
        return True
    return ends.odd <= starts.odd and ends.close > starts.close + _CLOSER


def finish(parsed: Parsed) -> Parsed:
    """Tell calls from signals and marks, once the clock is in order."""
    rows, table = parsed.calls, parsed.table
    assert rows is not None
    if rows.ended:
        start = rows.start - rows.duration
        rows = replace(rows, start=_with_parents(start, rows, parsed.rounding_ns))
    if len(rows) and rows.duration.min() < 0:
        hidden = rows.duration < 0
        parsed.outcast.add(rows.table_row(np.flatnonzero(hidden)), "negative duration")
        rows = replace(rows, hidden=hidden)
    rows = with_columns(rows, table)
    if "mark" in table.columns and any(table.words["mark"]):
        rows = with_marks(rows, table)
    return replace(parsed, calls=rows)


def _with_parents(start: Int, rows: CallRows, rounding: int) -> Int:
    """Starts reckoned from ends, none after that of what was written before and lies within.

    End and length are rounded each, so a call may seem to begin before the one around it.
    """
    end, start = start + rows.duration, start.copy()
    for _ in range(_DEEP):
        order = np.argsort(start, kind="stable")
        if rows.thread is not None:
            order = order[np.argsort(rows.thread[order], kind="stable")]
        inner, outer = order[:-1], order[1:]
        late = start[outer] - start[inner]
        wrong = (late > 0) & (late <= rounding) & (inner < outer) & (end[inner] <= end[outer])
        wrong &= end[inner] > start[outer] + rounding
        if rows.thread is not None:
            wrong &= rows.thread[inner] == rows.thread[outer]
        if not wrong.any():
            break
        start[outer[wrong]] = start[inner[wrong]]
    return start


LAYOUT = Layout(
    "calls", "each row a timed call", COLUMNS, fit, unit, rows, clock="start", own=own,
    judged=judged, repeats=False, empty="holds no call that can be used",
    beats=("stages", "costs", "sections", "stamps"), finish=finish,
    signals_beside=True,
)  # fmt: skip
