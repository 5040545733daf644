"""Layout `edges`: one row is an instant at which a named call begins or ends."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.clock.unwrap import unwrap
from looptime.parsers.columns.evidence import rises, wordy
from looptime.parsers.columns.headers import LOOP_WORD, Head, roles
from looptime.parsers.columns.second_clock import use_steadier, want_second
from looptime.parsers.columns.unit import Unit, clock_unit, tick_of, time_want
from looptime.parsers.layouts.contract import CallRows, Options, Outcast, Parsed
from looptime.parsers.layouts.pairing import BEGIN, END, POINT, pair
from looptime.parsers.text.dialect import Dialect, is_missing, numbers
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Table, Want, read_table
from looptime.run import Clock

__all__ = ["CARRIED", "COLUMNS", "NAME", "fit", "parse"]

NAME = "edges"
Int = NDArray[Any]

#: Column map: what plays a part, by its spellings in order of preference.
COLUMNS: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "t", "ts", "stamp", "clock", "instant", "at", "when", "elapsed",
             "uptime", "epoch", "micros", "millis", "nanos", "datetime"),
    "name": ("name", "call", "callname", "function", "func", "section", "stage", "operation", "op",
             "label", "span", "task", "what", "event"),
    "edge": ("edge", "beginend", "startend", "startstop", "event", "type", "what", "action",
             "kind", "side", "state", "mark", "transition", "direction", "phase"),
    "loop": ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle"),
    "thread": ("thread", "threadname", "threadid", "tid"),
    "seq": ("seq", "sequence", "seqno", "sequencenumber", "index"),
    "phase": ("phase", "mode", "state"),
    "subsystem": ("subsystem", "system", "component", "module"),
    "device": ("device", "dev", "sensor"),
    "bus": ("bus", "port"),
}  # fmt: skip
#: Words for the two edges, and for an instant that has no length.
WORDS: dict[str, int] = {
    **dict.fromkeys(("begin", "start", "enter", "b", "s", "open", "on", "+", "1", "true", "up",
                     ">", "begins", "starts", "started", "entry", "in", "rising"), BEGIN),
    **dict.fromkeys(("end", "stop", "exit", "e", "close", "off", "-", "0", "false", "down",
                     "<", "ends", "stops", "stopped", "finish", "finished", "leave", "done",
                     "return", "out", "falling"), END),
    **dict.fromkeys(("instant", "point", "mark", "i", "tick"), POINT),
}  # fmt: skip
#: Role that tells that the names carry the edges.
CARRIED = "name with edge"
_NAMELIKE = ("name", "call", "event", "section", "stage", "function", "func", "label", "span",
             "task", "op", "operation", "what")  # fmt: skip
#: How a name may carry its edge: `gyro.read begin`, `end:gyro.read`.
_JOINTS = (" ", ":", ".", "_", "/", "-")


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> dict[str, Head] | None:
    """The parts that the columns play if this is an `edges` log, None if it is not one."""
    edge = _edge(found, dialect)
    spellings = {role: words for role, words in COLUMNS.items() if role != "edge"}
    given = roles([head for head in found if head is not edge], spellings)
    if not {"time", "name"} <= set(given):
        return None
    name = given["name"]
    if edge is not None:
        return {**given, "edge": edge}
    cells = [row[name.index] for row in dialect.sample[:400]]
    if not wordy(dialect, name.index):
        return None
    split = [split_edge(cell) for cell in cells]
    if all(side is not None for _, side in split) and {s for _, s in split} >= {BEGIN, END}:
        return {**given, CARRIED: name}
    if asked:  # instants alone: calls without length
        _refuse_unknown_edges(found, given, dialect)
        return given
    # a word and one instant a row: either loops with a remark, or instants of several calls
    others = [h for h in found if h.word in ("duration", "dur", "elapsed", "took", "end", "stop")]
    time = numbers(dialect, given["time"].index)
    clock = rises(time) or bool(np.isnan(time).all())
    if clock and not others and name.word in _NAMELIKE and len(set(cells)) > 1:
        _refuse_unknown_edges(found, given, dialect)
        return given
    return None


def _refuse_unknown_edges(found: list[Head], given: dict[str, Head], dialect: Dialect) -> None:
    """Refuse a column of two words that may be begin and end: its calls would have no length."""
    taken = {head.index for head in given.values()}
    for head in found:
        words = sorted({row[head.index].lower() for row in dialect.sample[:400]})
        if head.index not in taken and len(words) == 2 and wordy(dialect, head.index):
            raise LogError(
                f"column {head.index + 1} holds {words[0]!r} and {words[1]!r}: if they are begin "
                "and end, write these words (or start and stop, enter and exit, + and -), else "
                "leave the column out with --columns and skip",
                line=dialect.header_line or None,
            )


def _edge(found: list[Head], dialect: Dialect) -> Head | None:
    """The column that says begin or end: by its values, then by its header."""
    likely = []
    for head in found:
        cells = {row[head.index].lower() for row in dialect.sample[:400]}
        cells = {cell for cell in cells if not is_missing(cell) or cell == "-"}
        sides = {WORDS.get(cell) for cell in cells}
        if None in sides or not sides >= {BEGIN, END}:
            continue
        if all(cell in "01+-<>" for cell in cells) and head.word not in COLUMNS["edge"]:
            continue
        likely.append(head)
    named = [head for head in likely if head.word in COLUMNS["edge"]]
    chosen = named or likely
    return chosen[0] if chosen else None


def split_edge(text: str) -> tuple[str, int | None]:
    """Take the edge off a name that carries it.

    Examples
    --------
    >>> split_edge("gyro.read begin") == ("gyro.read", BEGIN)
    True
    >>> split_edge("end:gyro.read") == ("gyro.read", END)
    True
    >>> split_edge("gyro.read")
    ('gyro.read', None)
    """
    if text[:1] in "+-" and len(text) > 1:
        return text[1:].strip(), BEGIN if text[0] == "+" else END
    for joint in _JOINTS:
        before, found, after = text.rpartition(joint)
        side = WORDS.get(after.strip().lower()) if found and len(after.strip()) > 2 else None
        if side is not None and before.strip():
            return before.strip(), side
        before, found, after = text.partition(joint)
        side = WORDS.get(before.strip().lower()) if found and len(before.strip()) > 2 else None
        if side is not None and after.strip():
            return after.strip(), side
    return text, None


def parse(
    source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> list[Parsed]:
    """Read an `edges` log."""
    unit = _unit(source, dialect, given, options)
    wants = []
    for role, head in given.items():
        if role == CARRIED:
            continue
        if role == "time":
            wants.append(time_want(role, dialect, head, unit))
        elif role in ("loop", "seq"):
            wants.append(Want(role, head.index, "count"))
        else:
            wants.append(Want(role, head.index, "word", required=role in ("name", "edge")))
    second, given = want_second(dialect, given, unit, wants)
    table = read_table(source, dialect, wants)
    often = None if second is None else _commonest(table)
    unit, other = use_steadier(table, "time", given, second, unit, often)
    threads = table.columns.get("thread") if len(table.words.get("thread", [])) > 1 else None
    wraps = unwrap(table, ["time"], unit, threads)
    outcast = Outcast()
    rows, partner = _rows(table, outcast)
    if not len(rows):
        raise LogError("holds no call that has both a begin and an end", source.path)
    clock = Clock(
        unit.name, unit.said, tick_of(table.columns["time"][:200_000], unit.ns), wraps=wraps,
        other=other,
    )  # fmt: skip
    return [Parsed(NAME, table, clock, calls=rows, outcast=outcast, partner=partner)]


def _commonest(table: Table) -> NDArray[np.bool_]:
    """Rows of the name and side that is met most often."""
    key = table.columns["name"].astype(np.int64)
    if "edge" in table.columns:
        key = key * len(table.words["edge"]) + table.columns["edge"]
    return np.asarray(key == np.bincount(key).argmax())


def _unit(source: Source, dialect: Dialect, given: dict[str, Head], options: Options) -> Unit:
    """Steps between the edges of one name and side are loop periods or parts of them."""
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
    asked = (options.unit, options.unit_from)
    return clock_unit(dialect, head, head.unit, asked, source.path, steps)


def _rows(table: Table, outcast: Outcast) -> tuple[CallRows, Int]:
    """Pair the edges of each thread; a call stands where it begins."""
    at = table.columns
    name, names, side = _sides(table)
    time = at["time"]
    neither = side < 0
    outcast.add(np.flatnonzero(neither), "not a row")
    thread = np.asarray(at["thread"]) if len(table.words.get("thread", [])) > 1 else None
    kept = np.flatnonzero(~neither)
    order = kept
    if thread is not None or "seq" in at:
        keys = [kept]
        if "seq" in at:
            keys.append(at["seq"][kept])
        if thread is not None:
            keys.append(thread[kept])
        order = kept[np.lexsort(keys)]
    pairs = pair(side[order], name[order], None if thread is None else thread[order])
    begin, end = order[pairs.begin], order[pairs.end]
    backwards = time[end] < time[begin]
    outcast.add(np.concatenate([begin[backwards], end[backwards]]), "negative duration")
    begin, end = begin[~backwards], end[~backwards]
    # the loop that was under way when the log ended tells where the one before it ends
    loops = [code for code, text in enumerate(names) if LOOP_WORD.search(text.lower())]
    under_way = pairs.running[np.isin(name[order[pairs.running]], loops)]
    outcast.add(order[np.setdiff1d(pairs.open, under_way)], "begin without end")
    begin, end = np.append(begin, order[under_way]), np.append(end, order[under_way])
    outcast.add(order[pairs.stray], "end without begin")
    partner = np.full(len(table), -1, np.int64)
    partner[begin] = np.where(end == begin, -1, end)
    by_row = np.argsort(begin, kind="stable")
    begin, end = begin[by_row], end[by_row]
    return _call_rows(table, begin, end, name, names), partner


def _call_rows(table: Table, begin: Int, end: Int, name: Int, names: list[str]) -> CallRows:
    at = table.columns
    threads = table.words.get("thread", [""])

    def column(role: str) -> Any:
        return np.asarray(at[role])[begin] if role in at else None

    return CallRows(
        start=at["time"][begin],
        duration=at["time"][end] - at["time"][begin],
        name=name[begin],
        names=names,
        thread=column("thread") if len(threads) > 1 else None,
        threads=threads,
        loop=column("loop"),
        seq=column("seq"),
        phase=column("phase") if any(table.words.get("phase", [])) else None,
        phases=table.words.get("phase", []),
        labels={
            key: (column(key), table.words[key])
            for key in ("subsystem", "device", "bus")
            if key in at and any(table.words[key])
        },
        row=begin,
    )


def _sides(table: Table) -> tuple[Int, list[str], NDArray[np.int8]]:
    """Name and edge of every row; -1 for an edge that is neither begin nor end."""
    name = np.asarray(table.columns["name"]).astype(np.int32)
    words = table.words["name"]
    if "edge" in table.columns:
        code = np.array([WORDS.get(w.lower(), -1) for w in table.words["edge"]], np.int8)
        return name, words, code[np.asarray(table.columns["edge"])]
    split = [split_edge(word) for word in words]
    names = list(dict.fromkeys(text for text, _ in split))
    code = np.array([POINT if side is None else side for _, side in split], np.int8)
    place = np.array([names.index(text) for text, _ in split], np.int32)
    return place[name], names, code[name]
