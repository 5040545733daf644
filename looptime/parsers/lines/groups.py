"""Rows of several senders in one log: told, and read each by itself."""

from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError, UsageError
from looptime.parsers.columns.evidence import rises, scatter, wordy
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.columns.unit import instants
from looptime.parsers.text.dialect import Dialect, is_number, is_remark, numbers, split_line
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.source import Source, blocks
from looptime.records import dataclass

__all__ = [
    "Senders", "by_group", "find_senders", "names_sender", "refuse_mixed", "refuse_shared",
]  # fmt: skip

#: A column of more values than this tells no senders apart.
_MOST = 64
#: Where (q90 - q10) / q50 of the steps is above this, rows may be those of several senders.
_SCATTER = 0.5
#: Steps across rows of another kind, and not across, by which a pace is told; and how alike.
_ACROSS, _ALIKE = 5, (0.8, 1.25)
#: Rows from which on several are of one number, and the share of them in which all must hold.
_ROWS, _OFTEN = 12, 0.95
_SENDERS = frozenset(
    ("agent", "agentid", "robot", "robotid", "tag", "tagid", "device", "deviceid", "node", "nodeid",
     "source", "sender", "id", "unit", "unitid", "vehicle", "board", "module", "team", "name",
     "sensor", "sensorid", "channel", "port", "address", "addr", "canid", "topic", "anchor")
)  # fmt: skip


#: Those that one loop may well read in turn.
_OF_ONE_LOOP = frozenset(("name", "device", "module", "sensor", "channel"))


def names_sender(header: str) -> bool:
    """Whether a header names who sends, each with a loop of its own.

    Examples
    --------
    >>> [names_sender(header) for header in ("robot_id", "sensor", "event", "")]
    [True, False, False, False]
    """
    return any(head.word in _SENDERS - _OF_ONE_LOOP for head in heads((header,)))


@dataclass(frozen=True)
class Senders:
    """A column that tells whose row each is, and its values in the order of the log."""

    index: int
    name: str
    values: tuple[str, ...]


def columns_of(dialect: Dialect) -> list[str]:
    """Names of a log's columns, as `--by` and `--where` take them."""
    header = dialect.header or ()
    return [
        header[at].strip() if at < len(header) else f"column_{at + 1}"
        for at in range(dialect.fields)
    ]


def find_senders(dialect: Dialect, time: Head, taken: Collection[int] = ()) -> Senders | None:
    r"""The column by which alone the steps of the time make sense; None where there is none.

    Parameters
    ----------
    dialect : Dialect
        How the log is written, with its first rows.
    time : Head
        Column of the time.
    taken : collection of int
        Columns that are known to be something else.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> log = "t_ms,robot\n" + "".join(f"{20 * k},a\n{20 * k + 3},b\n" for k in range(9))
    >>> find_senders(sniff(log, "a.csv"), heads(("t_ms", "robot"))[0]).values
    ('a', 'b')
    """
    times = instants(dialect, time)
    known = np.isfinite(times)
    if known.sum() < 12:
        return None
    together, rarely = (scatter(np.diff(times[known]), tail) for tail in (0.1, 0.01))
    if rarely <= _SCATTER:
        return None
    best: tuple[float, Senders] | None = None
    for at, name in enumerate(columns_of(dialect)):
        if at == time.index or not name or at in taken or meaning(name) == "signal":
            continue
        cells = [row[at].strip() for row in dialect.sample]
        named = heads((name,))[0].word in _SENDERS
        if not _few(cells) or (not named and _counts(cells)):
            continue
        values = tuple(dict.fromkeys(cells))
        code = np.array([values.index(cell) for cell in cells])[known]
        steps = [np.diff(times[known][code == k]) for k in range(len(values))]
        own = max((scatter(s) for s in steps if len(s) >= 3), default=np.inf)
        flag = set(values) <= {"0", "1"} and not named and (np.diff(times[known]) > 0).all()
        unlike = together
        if flag or not _in_turn(cells) or together <= _SCATTER:
            if not _beside(times[known], code):
                continue  # a flag that goes up and down with the steps, or a mode
            unlike = max(together, rarely)
        if own < 0.5 * unlike and (best is None or own < best[0]):
            best = own, Senders(at, name, values)
    return None if best is None else best[1]


def _few(cells: list[str]) -> bool:
    """Whether cells are few words or small whole numbers, each of several rows."""
    uses = Counter(cells)
    if not 2 <= len(uses) <= _MOST or min(uses.values()) < 3 or "" in uses:
        return False
    return not any(is_number(cell) and float(cell) % 1 for cell in uses)


def _in_turn(cells: list[str]) -> bool:
    """Whether cells change often from row to row."""
    return sum(a != b for a, b in pairwise(cells)) >= 0.3 * (len(cells) - 1)


def _beside(times: Float, code: Int) -> bool:
    """Whether some rows keep their pace whether or not one of another kind stands between them.

    A row that is a loop of its own, under whatever mark, stands in the pace of the others.
    """
    kept = []
    for mine in (np.flatnonzero(code == k) for k in np.unique(code)):
        step, across = np.diff(times[mine]), np.diff(mine) > 1
        if min(across.sum(), (~across).sum()) >= _ACROSS:
            kept.append(np.median(step[across]) / max(np.median(step[~across]), 1e-12))
    return bool(kept) and all(_ALIKE[0] <= ratio <= _ALIKE[1] for ratio in kept)


def _counts(cells: list[str]) -> bool:
    """Whether cells are a counter that begins anew every few rows."""
    if not all(is_number(cell) for cell in cells):
        return False
    steps = np.diff([float(cell) for cell in cells])
    return bool((steps == 1).mean() >= 0.5 or (steps == -1).mean() >= 0.5) and len(set(cells)) > 2


def refuse_mixed(
    dialect: Dialect, time: Head | None, path: str, taken: Collection[int] = ()
) -> None:
    """Refuse rows whose steps make sense by sender alone; columns `taken` tell of none.

    Raises
    ------
    LogError
        With the column that tells them apart.
    """
    found = None if time is None else find_senders(dialect, time, taken)
    if found is not None:
        shown = ", ".join(sorted(found.values)[:4]) + (", ..." if len(found.values) > 4 else "")
        raise LogError(
            f"holds the rows of {len(found.values)} senders in turn, by its column "
            f"{found.name!r} ({shown}): the steps from row to row are no loop of any of them; read "
            f"each by itself with --by {found.name}{_as_calls(dialect, time, found, taken)}",
            path,
            dialect.first_row,
        )


def refuse_shared(dialect: Dialect, path: str) -> None:
    """Refuse several rows of one number each, each under another word: none is a loop of its own.

    Raises
    ------
    LogError
        With both columns, and how such rows are read.
    """
    every = [head for head in heads(dialect.header or ()) if head.index < dialect.fields]
    words = [head for head in every if _in_turn([row[head.index] for row in dialect.sample])
             and wordy(dialect, head.index)]  # fmt: skip
    for number in every if words else []:
        for word in words:
            if not _share_numbers(number, word, dialect):
                continue
            of = f"holds several rows of each number in {number.text!r}, one for each of "
            shown = ", ".join(dict.fromkeys(row[word.index] for row in dialect.sample[:4]))
            by = f"--by {word.text}" if word.word in _SENDERS - {"name"} else ""
            how = by or _as_named(every, number, word, dialect)
            what = "such rows are calls of one loop and no loops"
            if by:
                what = f"each sends its own, read each by itself with {how}"
            elif how:
                what += f": name the columns, such as --columns {how}"
            else:
                what += (
                    ", and nothing says how long each takes: log when it begins and ends, or that"
                )
            raise LogError(f"{of}{word.text!r} ({shown}, ...): {what}", path,
                           dialect.first_row)  # fmt: skip


def _share_numbers(number: Head, word: Head, dialect: Dialect) -> bool:
    """Whether a number that counts by one stays through rows of several words, each there once."""
    values = numbers(dialect, number.index)
    step = np.diff(values)
    counts = number.unit is None and bool(np.isin(values % 1, (0.0, np.nan)).all())
    if not counts or len(step) < _ROWS or np.isin(step, (0, 1)).mean() < _OFTEN:
        return False
    cells = [row[word.index] for row in dialect.sample]
    pairs, loops = Counter(zip(values, cells, strict=True)), len(set(values.tolist()))
    again = max(Counter(cells).values())
    once = sum(times == 1 for times in pairs.values()) >= _OFTEN * len(pairs)
    return once and loops >= 3 and again >= _OFTEN * (loops - 2) and 1.5 * loops <= len(cells)


def _as_named(every: list[Head], number: Head, word: Head, dialect: Dialect) -> str:
    """Names for the columns of calls that say no more than how long each took; empty for others."""
    names = ["skip"] * dialect.fields
    names[number.index], names[word.index] = "loop", "name"
    lengths = [head for head in every if meaning(head.text) == "duration"
               and not rises(numbers(dialect, head.index))]  # fmt: skip
    if len(lengths) != 1:
        return "loop,name,start_ms,duration_ms" if lengths else ""
    length = lengths[0]
    names[length.index] = f"duration_{length.unit}" if length.unit else "duration"
    return f'"{",".join(names)}"'


def _as_calls(dialect: Dialect, time: Head | None, found: Senders, taken: Collection[int]) -> str:
    """How to read the rows where they are calls of one loop and no senders'; empty if they can't.

    Calls of a loop are three and more, and each row says how long one took.
    """
    every = {head.index: head for head in heads(dialect.header or ())}
    lengths = [every[at] for at in taken if time is not None and at in every and at != time.index]
    known = heads((found.name,))[0].word in _SENDERS
    if time is None or len(lengths) != 1 or known or len(found.values) < 3:
        return ""
    names = ["skip"] * dialect.fields
    for word, head in (("start", time), ("duration", lengths[0])):
        names[head.index] = f"{word}_{head.unit}" if head.unit else word
    names[found.index] = "name"
    return f', or, if they are calls of one loop, with --columns "{",".join(names)}"'


def by_group(
    source: Source, dialect: Dialect, column: str
) -> Iterator[tuple[str, Source, Dialect]]:
    """The log once for each value of a column, with the rows of that value alone.

    Lines that are no rows go with the first.

    Parameters
    ----------
    source, dialect : Source, Dialect
        The log, and how it is written.
    column : str
        Name of the column, as in the header, or ``column_N``.

    Raises
    ------
    UsageError
        If there is no such column.
    LogError
        If it has more than 64 values.
    """
    names = columns_of(dialect)
    index = next((k for k, name in enumerate(names) if name.lower() == column.lower()), None)
    if index is None:
        there = ", ".join(name for name in names if name)
        raise UsageError(f"{source.path} has no column {column!r} for --by: it has {there}")
    lines = b"".join(bytes(block.data) for block in blocks(source)).split(b"\n")
    owner, values, samples = _owners(lines, dialect, index)
    if len(values) > _MOST:
        raise LogError(
            f"column {column!r} has {len(values)} values: --by takes one of at most {_MOST}",
            source.path,
        )
    whole = source.rewritten
    folded = whole.line[whole.line < len(owner)] if whole else np.empty(0, np.int64)
    head = whole.head[: len(folded)] if whole else folded
    owner[folded] = owner[head]
    for code, value in enumerate(values):
        mine = owner == code
        data = b"\n".join(
            line if ok else b"" for line, ok in zip(lines, mine.tolist(), strict=True)
        )
        own = mine[folded]
        aside = [one for one in (whole.aside if whole else []) if code == 0]
        made = Rewritten(data, folded[own], head[own], aside, np.flatnonzero(~mine),
                         whole.loops_from if whole else "")  # fmt: skip
        like = replace(dialect, sample=samples[code])
        yield value, replace(source, rewritten=made), like


def _owners(
    lines: list[bytes], dialect: Dialect, index: int
) -> tuple[Int, list[str], list[tuple[tuple[str, ...], ...]]]:
    """Group of each line (0 for what is no row), the groups, and the first rows of each."""
    groups: dict[str, int] = {}
    samples: list[list[tuple[str, ...]]] = []
    owner = np.zeros(len(lines), np.int64)
    for at, line in enumerate(lines):
        text = line.decode("utf-8", "replace")
        if is_remark(text) or at + 1 < dialect.first_row:
            continue
        cells = tuple(cell.strip() for cell in split_line(text, dialect.delimiter))
        if len(cells) != dialect.fields or cells == dialect.header or not cells[index]:
            continue
        code = groups.setdefault(cells[index], len(groups))
        if code == len(samples):
            samples.append([])
        if len(samples[code]) < 2000:
            samples[code].append(cells)
        owner[at] = code
    return owner, list(groups), [tuple(sample) for sample in samples]
