"""Layout `edges`: one row is an instant at which a named call begins or ends."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Float, Int
from looptime.errors import LogError
from looptime.parsers.clock.missing import find_missing, harmed
from looptime.parsers.clock.steps import Way, find_steps
from looptime.parsers.columns.disorder import disordered, go_back
from looptime.parsers.columns.evidence import rises, wordy
from looptime.parsers.columns.headers import LOOP_WORD, Head, is_bare_unit, roles
from looptime.parsers.columns.lexicon import LOOP_NUMBERS, THREADS
from looptime.parsers.columns.refusals import words_change
from looptime.parsers.columns.unit import Unit, clock_unit, instants
from looptime.parsers.layouts.beside_calls import is_place_in_loop, with_row_numbers
from looptime.parsers.layouts.by_values import ENOUGH
from looptime.parsers.layouts.contract import (
    CallRows,
    Column,
    Content,
    Found,
    Given,
    Layout,
    Reading,
    spellings,
)
from looptime.parsers.layouts.edge_words import WORDS, edge_column, side_of, split_edge
from looptime.parsers.layouts.edges_by_values import EDGES, begins_first, edge_columns, paired
from looptime.parsers.layouts.lock_events import (
    FREED,
    HAD,
    MISSED,
    WANTED,
    lock_columns,
    lock_edges,
    lock_side,
    lock_word,
    with_owners,
)
from looptime.parsers.layouts.own_threads import OVERLAP, named_thread, thread_column
from looptime.parsers.layouts.pairing import BEGIN, END, POINT, pair
from looptime.parsers.text.dialect import Dialect, is_missing, numbers
from looptime.parsers.text.table import Table
from looptime.stats.arrays import distinct

__all__ = ["LAYOUT"]

#: Column map.
COLUMNS: dict[str, Column] = {
    "time": Column(
        ("time", "timestamp", "t", "ts", "stamp", "clock", "instant", "at", "when", "elapsed",
         "uptime", "epoch", "micros", "millis", "nanos", "datetime"), "time", required=True,
    ),
    "name": Column(
        ("name", "call", "callname", "function", "func", "fn", "section", "stage", "operation",
         "op", "label", "span", "task", "what", "object", "event", "obj", "lock", "mutex",
         "resource"),
    ),
    "edge": Column(
        ("edge", "beginend", "startend", "startstop", "event", "type", "what", "action", "kind",
         "side", "state", "mark", "transition", "direction", "phase"), required=True,
    ),
    "lock": Column(()),  # in rows of a lock's events, beside those that name a call
    "loop": Column(LOOP_NUMBERS, "count"),
    "thread": Column(THREADS),
    "seq": Column(("seq", "sequence", "seqno", "sequencenumber", "index"), "count"),
    "phase": Column(("phase", "mode", "state")),
    "subsystem": Column(("subsystem", "system", "component", "module")),
    "device": Column(("device", "dev", "sensor")),
    "bus": Column(("bus", "port")),
}  # fmt: skip
_NAMELIKE = ("name", "call", "event", "section", "stage", "function", "func", "label", "span",
             "task", "op", "operation", "what")  # fmt: skip
#: Calls that hold the begin of another task's, from which on tasks are threads.
_MET = 5
#: Words that are met so often beside the commonest say what the edges are.
_OFTEN = 0.5
#: Where more than this share of the edges step back, they stand in no order.
_NO_ORDER = 0.3
#: Rows by which it is told which of two words is begin.
_LOOKED_AT = 20_000
#: Words of other events that are listed.
_LISTED = 3


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is an `edges` log, None if it is not one."""
    return with_row_numbers(_as_edges(found, dialect, asked), found, dialect)


def _as_edges(found: list[Head], dialect: Dialect, asked: bool) -> Given | None:
    """The same but for numbers of rows that are not called so."""
    edge = edge_column(found, dialect, COLUMNS, asked)
    words = spellings({part: column for part, column in COLUMNS.items() if part != "edge"})
    given = roles([head for head in found if head is not edge], words)
    if edge is not None and any(lock_side(row[edge.index]) == HAD for row in dialect.sample):
        given = _with_locks(given, lock_columns(found, dialect, edge), edge, dialect)
    alone = [h for h in found if is_bare_unit(h.text) and rises(numbers(dialect, h.index))]
    if "time" not in given and len(alone) == 1:  # a clock that is called by its unit
        given = {**given, "time": alone[0]}
    named = {"time", "name"} <= set(given)
    if named and edge is not None:
        return _of_tasks({**given, "edge": edge}, found, dialect)
    told = edge_columns(found, dialect, edge, WORDS, COLUMNS["name"].spellings)
    if told is not None:
        kept = {part: head for part, head in given.items()
                if part not in ("time", "name") and head not in told.values()}  # fmt: skip
        return Given(kept | told, told=dict.fromkeys(told, EDGES))
    if not named:
        return None
    name = given["name"]
    cells = [row[name.index] for row in dialect.sample[:400]]
    if not wordy(dialect, name.index):
        return None
    split = [split_edge(cell) for cell in cells]
    if all(side is not None for _, side in split) and {s for _, s in split} >= {BEGIN, END}:
        return _with_thread(given, found, dialect)
    if asked:  # instants alone: calls without length
        _refuse_unknown_edges(found, given, dialect)
        return Given(given, sure=False)
    # a word and one instant a row: either loops with a remark, or instants of several calls
    others = [h for h in found if h.word in ("duration", "dur", "elapsed", "took", "end", "stop")]
    time = numbers(dialect, given["time"].index)
    clock = rises(time) or bool(np.isnan(time).all())
    called = name.word in _NAMELIKE and len(set(cells)) > 1 and words_change(dialect, name.index)
    if clock and not others and called:
        _refuse_unknown_edges(found, given, dialect)
        return Given(given, sure=False)
    return None


def _with_locks(
    given: dict[str, Head], locks: dict[str, Head], edge: Head, dialect: Dialect
) -> dict[str, Head]:
    """The parts of a log of locks; beside calls that another column names, locks have their own."""
    name, lock = given.get("name"), locks.get("name")
    others = (edge, lock, locks.get("thread"), locks.get("time"))
    takers = None if name in others else name
    if lock is not None and takers is not None and _filled(takers, edge, dialect):
        # calls that take the lock
        return {"bus": lock, **given, **locks, "name": takers}
    of_calls = [row for row in dialect.sample if WORDS.get(row[edge.index].lower()) in (BEGIN, END)]
    empty = sum(lock is None or is_missing(row[lock.index]) for row in of_calls)
    if of_calls and name not in (None, edge) and 2 * empty > len(of_calls):
        locks = {**locks, "name": name} | ({} if lock is None else {"lock": lock})
    return {**given, **locks}


def _filled(name: Head, edge: Head, dialect: Dialect) -> bool:
    """Whether a column names something, and of several, in each event of a lock."""
    cells = [row[name.index] for row in dialect.sample if lock_side(row[edge.index]) is not None]
    return len(set(cells)) > 1 and not any(map(is_missing, cells))


def _of_tasks(given: dict[str, Head], found: list[Head], dialect: Dialect) -> Given:
    """The same where tasks make calls of several names, which another column holds.

    Tasks are threads where calls of one begin within those of another; else they are parts.
    """
    task = given["name"]
    words = COLUMNS["name"].spellings
    others = [h for h in found if h not in given.values() and h.word in words]
    if task.word != "task" or "thread" in given or len(others) != 1:
        return _with_thread(given, found, dialect)
    given = {**given, "name": others[0]}
    code = np.unique([row[task.index] for row in dialect.sample], return_inverse=True)[1]
    begin, end, thread, _ = _spans(given, dialect)(code)
    met = 0
    for one in distinct(thread):
        others_begin, mine = np.sort(begin[thread != one]), thread == one
        inside = [np.searchsorted(others_begin, at[mine], "right") for at in (begin, end)]
        met += int((inside[1] > inside[0]).sum())
    part = "thread" if met >= _MET else "subsystem"
    return _with_thread({**given, part: given.get(part, task)}, found, dialect)


def _spans(
    given: dict[str, Head], dialect: Dialect
) -> Callable[[Int], tuple[Float, Float, Int, int]]:
    """Begins and ends of the first rows, their threads and how many lack their other edge."""
    at = instants(dialect, given["time"])
    cells = [row[given["name"].index] for row in dialect.sample]
    if "edge" in given:
        sides = [WORDS.get(row[given["edge"].index].lower(), -1) for row in dialect.sample]
    else:
        parted = [split_edge(cell) for cell in cells]
        cells, sides = [name for name, _ in parted], [-1 if s is None else s for _, s in parted]
    side, name = np.array(sides), np.unique(np.array(cells), return_inverse=True)[1]
    kept = np.flatnonzero(np.isfinite(at) & (side >= 0))

    def spans(thread: Int) -> tuple[Float, Float, Int, int]:
        pairs = paired(side[kept], name[kept], thread[kept])
        begin, end = at[kept][pairs.begin], at[kept][pairs.end]
        return begin, end, thread[kept][pairs.begin], len(pairs.open) + len(pairs.stray)

    return spans


def _with_thread(given: dict[str, Head], found: list[Head], dialect: Dialect) -> Given:
    """The same with the column of the threads, told by what overlaps where no header names it."""
    if "thread" in given:
        return Given(given)
    free = [head for head in found if head not in given.values()]
    if (named := named_thread(free, dialect)) is not None:
        return Given({**given, "thread": named})
    thread = thread_column(free, dialect, [_spans(given, dialect)])
    if thread is None:
        return Given(given)
    return Given({**given, "thread": thread}, told={"thread": OVERLAP})


def _refuse_unknown_edges(found: list[Head], given: dict[str, Head], dialect: Dialect) -> None:
    """Refuse a column of two words that may be begin and end: its calls would have no length."""
    taken = {head.index for head in given.values()}
    for head in found:
        words = sorted({row[head.index].lower() for row in dialect.sample[:400]})
        if len(words) != 2 or is_missing(words[0]):  # as of remarks here and there: no begin
            continue
        if head.index not in taken and wordy(dialect, head.index):
            raise LogError(
                f"column {head.index + 1} holds {words[0]!r} and {words[1]!r}: if they are begin "
                "and end, write these words (or start and stop, enter and exit, + and -), else "
                "leave the column out with --columns and skip",
                line=dialect.header_line or None,
            )


def commonest(table: Table) -> Bool | None:
    """Rows of the name and side that is met most often."""
    key = table.columns["name"].astype(np.int64)
    if "edge" in table.columns:
        key = key * len(table.words["edge"]) + table.columns["edge"]
    return np.asarray(key == np.bincount(key).argmax())


def unit(log: Reading) -> Unit:
    """The unit of the clock; edges of one name and side are a loop or a part of one apart."""
    given, dialect = log.given.one, log.dialect
    head = given["time"]
    values = numbers(dialect, head.index)
    keys = [
        (row[given["name"].index], row[given["edge"].index] if "edge" in given else "")
        for row in dialect.sample
    ]
    words, counts = np.unique(np.array([" ".join(key) for key in keys]), return_counts=True)
    often = words[np.argmax(counts)] if len(words) else ""
    mine = values[[" ".join(key) == often for key in keys]] if keys else values
    steps = np.diff(mine[np.isfinite(mine)])
    return clock_unit(dialect, head, head.unit, log.asked, log.source.path, steps)


def rows(content: Content) -> Found:
    """Pair the edges of each thread; a call stands where it begins."""
    table, outcast = content.table, content.outcast
    at = table.columns
    name, own_names, side = _sides(table)
    time = at["time"]
    neither = side < 0
    outcast.add(np.flatnonzero(neither), "not a row")
    nameless = name == own_names.index("") if "" in own_names else np.zeros(len(name), bool)
    outcast.add(np.flatnonzero(nameless & ~neither), "missing value")
    neither |= nameless
    words = table.words.get("thread", [])
    thread = None
    if len(words) > 1:
        thread = with_owners(np.asarray(at["thread"]), name, side, words)
    if "seq" in at and is_place_in_loop(at["seq"], thread, at.get("loop")):
        del at["seq"]
    kept = np.flatnonzero(~neither)
    order = kept[_in_sequence(at.get("seq"), thread, kept)]
    _check_order(time[order], None if thread is None else thread[order], content)
    wrong = order[_out_of_line(time[order], None if thread is None else thread[order], content)]
    outcast.add(wrong, "corrupt stamp")
    order = order[~np.isin(order, wrong)] if len(wrong) else order
    edges = lock_edges(order, name, side, thread, own_names, time)
    order, names = edges.order, edges.names
    pairs = pair(edges.side, edges.name, None if thread is None else thread[order])
    begin, end, called = order[pairs.begin], order[pairs.end], edges.name[pairs.begin]
    backwards = time[end] < time[begin]
    outcast.add(np.concatenate([begin[backwards], end[backwards]]), "negative duration")
    begin, end, called = begin[~backwards], end[~backwards], called[~backwards]
    # the loop that was under way when the log ended tells where the one before it ends
    loops = [code for code, text in enumerate(names) if LOOP_WORD.search(text.lower())]
    under_way = pairs.running[np.isin(edges.name[pairs.running], loops)]
    outcast.add(order[np.setdiff1d(pairs.open, under_way)], "begin without end")
    begin, end = np.append(begin, order[under_way]), np.append(end, order[under_way])
    called = np.append(called, edges.name[under_way])
    outcast.add(np.concatenate([order[pairs.stray], edges.stray]), "end without begin")
    outcast.add(edges.lost, "begin without end")
    partner = np.full(len(table), -1, np.int64)
    partner[begin] = np.where(end == begin, -1, end)
    by_row = np.argsort(begin, kind="stable")
    begin, end, called = begin[by_row], end[by_row], called[by_row]
    found = CallRows(time[begin], time[end] - time[begin], called, names, row=begin)
    own = [code for code, text in enumerate(own_names) if LOOP_WORD.search(text.lower())]
    note, missing = _missing(table, kept, thread, name * 2 + np.minimum(side, END), own)
    found = replace(found, missing=missing)
    notes = (note,) if note else ()
    return Found(
        found,
        time[:200_000],
        notes=notes + _unknown(table, side) + _others(table, side) + _cut_off(table),
        partner=partner,
    )


def _cut_off(table: Table) -> tuple[str, ...]:
    """A caution where begin and end are written at several lengths, as where lines were cut."""
    words = {word for word in table.words.get("edge", []) if word.isalpha()}
    full = {word: [w for w in words if w != word and w.startswith(word)] for word in words}
    begun = sorted(word for word, others in full.items() if others)
    if len(begun) < 2:
        return ()
    word = begun[0]
    return (
        f"begin and end are written at several lengths ({word!r} and {max(full[word], key=len)!r})"
        ": were lines cut off? Then what else is missing is not known",
    )


def _unknown(table: Table, side: NDArray[np.int8]) -> tuple[str, ...]:
    """What is said of two words that nobody knows to be begin and end."""
    words, edge = table.words.get("edge", []), table.columns.get("edge")
    if edge is None or any(side_of(word) is not None for word in words):
        return ()
    begin, end = (words[int(np.asarray(edge)[np.argmax(side == one)])] for one in (BEGIN, END))
    return (f"{begin!r} is taken for begin and {end!r} for end: {EDGES}",)


def _others(table: Table, side: NDArray[np.int8]) -> tuple[str, ...]:
    """What is said of rows that are events of another kind, many of one word."""
    words, edge = table.words.get("edge", []), table.columns.get("edge")
    if edge is None:
        return ()
    uses = np.bincount(np.asarray(edge)[side < 0], minlength=len(words))
    often = [words[k] for k in np.argsort(-uses, kind="stable") if uses[k] >= ENOUGH and words[k]]
    if not often:
        return ()
    some = ", ".join(repr(word) for word in often[:_LISTED]) + ", ..." * (len(often) > _LISTED)
    return (f"{int(uses.sum()):,} rows ({some}) are set aside: neither begin nor end of a call",)


def _missing(
    table: Table, kept: Int, thread: Int | None, edge: Int, loops: list[int]
) -> tuple[str, tuple[Int, Int] | None]:
    """What is said of edges that are missing, and between which instants loops lack them."""
    number = table.columns.get("seq")
    mine = None if thread is None else thread[kept]
    found = None if number is None else find_missing(number[kept], mine)
    if number is None or found is None or find_missing(number, thread) is None:
        return "", None  # what was set aside is not missing from the log
    time, edge = table.columns["time"][kept], edge[kept]
    # a gap after the end of the whole loop, or before its first begin, harms none
    closed = np.isin(edge[found.before], [2 * code + END for code in loops])
    opened = edge[found.after] == edge[0]
    before, after = time[found.before] + closed, time[found.after] - opened
    count = np.bincount(edge).max()
    return harmed(found, before, after, int(count))


def _in_sequence(seq: Int | None, thread: Int | None, kept: Int) -> Int:
    """Places in the order in which edges happened on each thread, by their numbers where known."""
    keys = [kept]
    if seq is not None:
        keys.append(seq[kept])
    if thread is not None:
        keys.append(thread[kept])
    if len(keys) == 1:
        return np.arange(len(kept))
    order = np.lexsort(keys)
    if seq is not None:
        twice = np.diff(seq[kept][order]) == 0
        if thread is not None:
            twice &= np.diff(thread[kept][order]) == 0
        if twice.any():  # numbers that begin anew order nothing
            return _in_sequence(None, thread, kept)
    return order


def _out_of_line(time: Int, thread: Int | None, content: Content) -> Int:
    """Places of single instants that lie before or after their neighbours."""
    found: list[int] = []
    cuts = [0, len(time)]
    if thread is not None:
        cuts[1:1] = (np.flatnonzero(np.diff(thread)) + 1).tolist()
    way = Way(content.unit.name, content.unit.ns)
    for low, high in pairwise(cuts):
        part = time[low:high]
        ahead = np.diff(part)
        ahead = ahead[ahead > 0]
        if len(ahead) < 2 or len(ahead) == len(part) - 1 or (part[1:] >= part[:-1]).all():
            continue
        steps = find_steps(part, way, typical=float(np.quantile(ahead, 0.95)))
        found += [low + at for at in steps.corrupt]
    return np.array(sorted(set(found)), np.int64)


def _check_order(time: Int, thread: Int | None, content: Content) -> None:
    """Refuse edges that stand in no order: they would be paired with strangers."""
    back = np.diff(time) < 0
    if thread is not None:
        back &= np.diff(thread) == 0
    if len(time) >= 10 and back.mean() > _NO_ORDER:
        printed = time.astype(np.float64)
        why = disordered(printed) or go_back(printed)
        raise LogError(f"its times {why}", content.log.source.path)


def _sides(table: Table) -> tuple[Int, list[str], NDArray[np.int8]]:
    """Name and edge of every row; -1 for an edge that is neither begin nor end."""
    name = np.asarray(table.columns["name"]).astype(np.int32)
    words = table.words["name"]
    if "edge" in table.columns:
        side = _edges(table)
        return *_named(table, name, words, side), side
    split = [split_edge(word) for word in words]
    names = list(dict.fromkeys(text for text, _ in split))
    code = np.array([POINT if side is None else side for _, side in split], np.int8)
    place = np.array([names.index(text) for text, _ in split], np.int32)
    return place[name], names, code[name]


def _named(
    table: Table, name: Int, words: list[str], side: NDArray[np.int8]
) -> tuple[Int, list[str]]:
    """Names of rows, of locks from their own column.

    Where the cell is empty it is the word of the edge that tells: ``loop_begin``.
    """
    of_lock = side >= WANTED
    if "lock" in table.columns:
        name, words = _of_locks(table, name, words, of_lock)
    if "" not in words:
        return name, words
    edges = table.words["edge"]
    own = [split_edge(word)[0] if lock_side(word) is None else lock_word(word) for word in edges]
    made = list(dict.fromkeys([*words, *own]))
    place = np.array([made.index(text) for text in own], np.int32)
    empty = name == words.index("")
    return np.where(empty, place[np.asarray(table.columns["edge"])], name), made


def _of_locks(table: Table, name: Int, words: list[str], of_lock: Bool) -> tuple[Int, list[str]]:
    """Names of rows, where those of a lock's events stand in a column of their own."""
    locks = table.words["lock"]
    made = list(dict.fromkeys([*words, *locks]))
    place = np.array([made.index(text) for text in locks], np.int32)
    return np.where(of_lock, place[np.asarray(table.columns["lock"])], name), made


def _edges(table: Table) -> NDArray[np.int8]:
    """Edge of every row; of two words that nobody knows, what their order tells."""
    edge, words = np.asarray(table.columns["edge"]), table.words["edge"]
    told = [side_of(word) for word in words]
    code = np.array([-1 if side is None else side for side in told], np.int8)
    uses = np.bincount(edge, minlength=len(words))
    common = uses >= _OFTEN * uses.max(initial=0)
    told_by = set(code[common].tolist())
    if not {HAD, FREED} <= told_by:
        code[code == MISSED] = -1
    if len(words) > 1 and not ({BEGIN, END} <= told_by or {HAD, FREED} <= told_by):
        one, other = np.argsort(-uses, kind="stable")[:2].tolist()
        mine = np.flatnonzero((edge == one) | (edge == other))[:_LOOKED_AT]
        thread = table.columns.get("thread") if len(table.words.get("thread", [])) > 1 else None
        first = begins_first(
            (edge[mine] == other).astype(np.int64), np.asarray(table.columns["name"])[mine],
            None if thread is None else np.asarray(thread)[mine],
        )  # fmt: skip
        code[:] = -1
        code[one], code[other] = (BEGIN, END) if first else (END, BEGIN)
    return code[edge]


LAYOUT = Layout(
    "edges", "each row the begin or the end of a call", COLUMNS, fit, unit, rows, clock="time",
    judged=commonest, unwraps=True, beats=("sections", "stamps"),
    empty="holds no call that has both a begin and an end",
)  # fmt: skip
