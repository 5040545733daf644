"""What is said of a log that no layout fits: what it lacks, and names for its columns that do."""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np

from looptime.errors import LogError
from looptime.parsers.columns.dates import date_column, days
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import counts_rows, rises, wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.columns.unit import LONGEST_NS, clock_unit, instants, text_unit, too_slow
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stats.autocorrelation import lag_one
from looptime.units import split_unit

__all__ = ["Works", "no_fit", "one_number", "refuse_counts", "unnamed", "words_change"]

#: Words for how many there are of something; fewest steps of a scale; how counts of neighbouring
#: classes correlate at least.
_COUNTED = frozenset(
    ("count", "counts", "n", "loops", "frequency", "freq", "hits", "anzahl", "nombre",
     "occurrences", "conteggio", "cuenta", "cantidad", "aantal", "antal", "contagem", "liczba")
)  # fmt: skip
_FEWEST_BINS, _SMOOTH = 5, 0.4
_SLOW_UNITS = ("minute", "hour", "day")

#: Tells of names for the columns, as --columns takes them, what a row would be read as; None
#: where they would be refused.
Works = Callable[[str], str | None]


def unnamed(dialect: Dialect, works: Works, path: str) -> LogError:
    """What is said of a log without header whose values leave a doubt."""
    apart = _dates_apart_ns(dialect)
    if apart > 4 * LONGEST_NS:
        return LogError(too_slow(apart), path, dialect.first_row)
    words = [wordy(dialect, index) for index in range(dialect.fields)]
    if (falls := _newest_first(dialect, words)) is not None:
        return LogError(f"has no header, and its times (column {falls[0] + 1}) {falls[1]}", path,
                        dialect.first_row)  # fmt: skip
    first = numbers(dialect, 0)
    what = "its first column counts the rows" if counts_rows(first) else "no column is a clock"
    if words[0]:
        what = "its first column holds words"
    elif rises(first) and any(words):
        what = f"column {words.index(True) + 1} holds words that come and go"
    row = dialect.delimiter.join(dialect.sample[0])[:60]
    advice = _advice(dialect, ["skip"] * dialect.fields, works)
    if not advice and not any(_climbs(dialect, k) for k in range(dialect.fields)):
        what = "no column rises as a time does and none is called a duration"
    return LogError(
        f"has no header and {what}, so no layout fits rows such as {row!r}: "
        f"{advice or _NAME_THEM}", path, dialect.first_row,
    )  # fmt: skip


def _newest_first(dialect: Dialect, words: Sequence[bool]) -> tuple[int, str] | None:
    """The column of the times where rows stand the newest first and none rises, and how it goes."""
    every = [at for at in range(dialect.fields) if not words[at]]
    if any(_climbs(dialect, at) for at in every):
        return None
    why = {at: disordered(numbers(dialect, at)) for at in every}
    falls = [at for at in every if why[at].startswith("fall ")]
    timed = [at for at in falls if not counts_rows(numbers(dialect, at)[::-1])] or falls
    return (timed[0], why[timed[0]]) if timed else None


def no_fit(
    found: list[Head], tried: Sequence[str], dialect: Dialect, works: Works, path: str
) -> LogError:
    """What is said of a log whose header no layout fits."""
    shown = ", ".join(repr(head.text) for head in found[:8])
    more = ", ..." if len(found) > 8 else ""
    line = dialect.header_line or 1
    if len(tried) > 1 and not any(_times(dialect, head) for head in found):
        if len(found) == 1:
            return one_number(dialect, path)
        slow = next((head for head in found if _far_apart(dialect, head)), None)
        if slow is not None:
            return LogError(
                f"has no more than a row a {slow.text.strip().lower().rstrip('s')}, by its column "
                f"{slow.text!r}: that is no control loop. Log the time of every loop, such as "
                "time_ms", path, line,
            )  # fmt: skip
        return LogError(
            f"has no time column and no duration (tried as {', '.join(tried)}; its columns are "
            f"{shown}{more}): log the time of every row under any header, such as time_ms; without "
            "it nothing can be told of the loop's pace", path, line,
        )  # fmt: skip
    names = [head.text if "," not in head.text else "skip" for head in found]
    advice = _advice(dialect, names, works) if len(names) == dialect.fields else ""
    return LogError(
        f"no layout fits: the columns {shown}{more} were tried as {', '.join(tried)}; "
        f"{advice or _NAME_THEM}", path, line,
    )  # fmt: skip


def _dates_apart_ns(dialect: Dialect) -> float:
    """How far apart rows are as a rule by their dates [ns]; 0 where they hold none."""
    names = dialect.header or tuple(f"column {k + 1}" for k in range(dialect.fields))
    column = date_column(replace(dialect, header=names), ())
    if column is not None:
        at = days([row[column.index] for row in dialect.sample])[0].astype(float)
    else:
        every = [Head(k, f"column {k + 1}", "", None) for k in range(dialect.fields)]
        dated = next((head for head in every if text_unit(dialect, head) is not None), None)
        at = np.zeros(1) if dated is None else instants(dialect, dated)
    step = np.abs(np.diff(at))
    return float(np.median(step)) if len(step) else 0.0


def _far_apart(dialect: Dialect, head: Head) -> bool:
    """Whether a column counts minutes, hours or days, one or more a row."""
    if head.text.strip().lower().rstrip("s") not in _SLOW_UNITS or len(dialect.sample) < 3:
        return False
    return bool((np.diff(numbers(dialect, head.index)) >= 1).all())


def refuse_counts(found: list[Head], dialect: Dialect, path: str) -> None:
    """Refuse a histogram: a scale of times in even steps, and beside it how many there are of each.

    A clock that is printed with its nominal steps is even, too: a header must speak of counts, and
    none of the time.

    Raises
    ------
    LogError
        With both columns.
    """
    if len(found) == dialect.fields == 3:
        _refuse_counts_by_name(found, dialect, path)
    if len(found) != 2 or dialect.fields != 2:
        return
    for scale, counts in (found, found[::-1]):
        values, many = numbers(dialect, scale.index), numbers(dialect, counts.index)
        step = np.diff(values)
        if meaning(scale.text) == "clock" or len(step) < _FEWEST_BINS or not (step > 0).all():
            continue
        even = float(np.ptp(step)) <= 1e-6 * float(np.abs(values).max())
        whole = bool((many >= 0).all() and (many % 1 == 0).all()) and not rises(many)
        if even and whole and lag_one(many - many.mean(), 0.0) > _SMOOTH and _tells_counts(counts):
            raise LogError(
                f"is no log of loops but counts them: {scale.text!r} is a scale in even steps and "
                f"{counts.text!r} holds how many there are of each. Log the time of every loop, "
                "such as time_ms", path, dialect.header_line or 1,
            )  # fmt: skip


def _refuse_counts_by_name(found: list[Head], dialect: Dialect, path: str) -> None:
    """Refuse histograms in three columns: a name, the scale, and how many there are of each."""
    for named, scale, counts in permutations(found):
        if not (wordy(dialect, named.index) and _tells_counts(counts)):
            continue
        values, many = numbers(dialect, scale.index), numbers(dialect, counts.index)
        names = [row[named.index] for row in dialect.sample][: len(values)]
        edges = [k for k in range(1, len(names)) if names[k] != names[k - 1]]
        parts = [part for part in np.split(values, edges) if len(part)]
        whole = bool((many >= 0).all() and (many % 1 == 0).all())
        longest = max(parts, key=len, default=values)
        one_scale = all(np.array_equal(part, longest[: len(part)]) for part in parts)
        rising = len(longest) > _FEWEST_BINS and bool((np.diff(longest) > 0).all())
        if whole and one_scale and rising and len(parts) == len(set(names)) > 1:
            raise LogError(
                f"is no log of loops but counts them: {scale.text!r} is the same scale for each "
                f"{named.text!r} and {counts.text!r} holds how many there are of each. Log the "
                "time of every loop, such as time_ms", path, dialect.header_line or 1,
            )  # fmt: skip


def _tells_counts(head: Head) -> bool:
    return bool(set(re.split(r"[^a-z]+", head.text.lower())) & _COUNTED)


def one_number(dialect: Dialect, path: str) -> LogError:
    """What is said of one number a line that is no length of a loop."""
    if why := disordered(numbers(dialect, 0)):
        return LogError(
            f"is one number a line, and as instants they {why}. If they are periods, say so with "
            "--columns dt",
            path, dialect.first_row,
        )  # fmt: skip
    return LogError(
        "is one number a line without a clock, and its values are no periods: give the rate at "
        "which the loop ran with --rate-hz (such as --rate-hz 50), or log the time beside it",
        path, dialect.first_row,
    )  # fmt: skip


#: What a column is called that tells kinds of rows apart, and most kinds that are no texts.
_TAG, _FEW_KINDS = "tag", 20
_NAME_THEM = (
    "name the columns with --columns, with the unit of each that holds a time (such as time_us, "
    "name, duration_us, skip)"
)


def _times(dialect: Dialect, head: Head) -> bool:
    """Whether a column may hold times or lengths of time."""
    values = numbers(dialect, head.index)
    named = head.unit is not None or meaning(head.text) in ("clock", "duration", "whole", "period")
    risen = _climbs(dialect, head.index) and not _of_the_robot(head.text)
    risen = risen and (meaning(head.text) != "signal" or bool((np.diff(values) > 0).all()))
    return named or risen or text_unit(dialect, head) is not None


def _of_the_robot(text: str) -> bool:
    """Whether a header names, in a word, what is no time: a voltage that is swept climbs as well.

    A letter alone may stand for anything.
    """
    return meaning(text) == "signal" and len(text.strip()) > 1


def _advice(dialect: Dialect, names: list[str], works: Works) -> str:
    """The first of some namings that would be read, and what it would take a row for."""
    for named in _namings(dialect, names):
        columns = ",".join(named)
        if _TAG in named and works(columns.replace(_TAG, "skip")) is not None:
            return (
                f'if each kind of row comes once a loop, --columns "{columns}" --by {_TAG} reads '
                "each by itself, a row a loop (give the true unit)"
            )
        row = works(columns)
        if row is not None:
            guessed = "" if _as_headed(names, named) else " (give the true unit)"
            if (kinds := _kinds_first(dialect, named)) is not None:
                tagged = ",".join([_TAG, *named[1:]])
                return (
                    f'if only rows of one kind are loops, such as {kinds!r}, --columns "{tagged}" '
                    f"--where {_TAG}={kinds} reads these, with {row}; all rows, --columns "
                    f'"{columns}"{guessed}'
                )
            return f'with --columns "{columns}" it is read with {row}{guessed}'
    return ""


def _kinds_first(dialect: Dialect, named: list[str]) -> str | None:
    """The commonest of the words that rows begin with where these may tell kinds of rows apart."""
    words = Counter(row[0] for row in dialect.sample)
    may = named[0] == "skip" and wordy(dialect, 0) and 2 <= len(words) <= _FEW_KINDS
    kind = words.most_common(1)[0][0] if may else ""
    return kind if kind and " " not in kind else None


def _as_headed(names: list[str], named: list[str]) -> bool:
    """Whether all times have the units that the log's own header names."""
    new = [(one, other) for one, other in zip(names, named, strict=True) if one != other]
    times = [pair for pair in new if pair[1] not in ("name", "edge", "section")]
    return all(split_unit(one)[1] == split_unit(other)[1] is not None for one, other in times)


def _namings(dialect: Dialect, names: list[str]) -> Iterator[list[str]]:
    """Likely names of the columns, by the values alone; units that a header names stay."""
    every = range(dialect.fields)
    words = [k for k in every if wordy(dialect, k)]
    rising = [k for k in every if k not in words and _climbs(dialect, k)]
    rising = [k for k in rising if not _of_the_robot(names[k])]
    lengths = [k for k in every if k not in words and k not in rising and _positive(dialect, k)]
    pair = next((one for one in pairwise(rising) if _brackets(dialect, *one)), None)
    kinds = {k: len({row[k].lower() for row in dialect.sample}) for k in words}
    edge = min(words, key=lambda k: (kinds[k], -k), default=-1)
    if len(words) < 2 or kinds[edge] != 2:
        edge = -1
    few = max(_FEW_KINDS, len(dialect.sample) // 2)  # a stamp in each row names no call
    named = [k for k in words if kinds[k] <= few and k != edge]
    call = next((k for k in named if words_change(dialect, k)), -1)
    usual = _unit(dialect, rising[0]) if rising else "us"

    def timed(word: str, k: int, unit: str = usual) -> dict[int, str]:
        own = split_unit(names[k])[1] or unit
        return {k: f"{word}_{own}" if own else word}

    if rising and call >= 0 and edge >= 0:
        yield _put(names, timed("time", rising[0]) | {call: "name", edge: "edge"})
    if pair is not None:
        put = timed("start", pair[0]) | timed("end", pair[1])
        yield _put(names, put | ({call: "name"} if call >= 0 else {}))
    spare = lengths or rising[1:]
    if rising and call >= 0 and spare:
        put = timed("start", rising[0]) | timed("duration", spare[0])
        yield _put(names, put | {call: "name"})
    if call >= 0 and len(lengths) == 1:
        yield _put(names, timed("duration", lengths[0], "") | {call: "section"})
    if rising and call >= 0 and kinds[call] <= _FEW_KINDS:
        yield _put(names, timed("time", rising[0]) | {call: _TAG})
    if rising:
        yield _put(names, timed("time", rising[0]))
    if len(lengths) == 1 and not words:
        yield _put(names, timed("dt", lengths[0], ""))


def _constant(dialect: Dialect, index: int) -> bool:
    return len(np.unique(numbers(dialect, index))) < 2


def words_change(dialect: Dialect, index: int) -> bool:
    """Whether words change from row to row, as names of calls do and phases do not."""
    cells = [row[index] for row in dialect.sample]
    return sum(a != b for a, b in pairwise(cells)) > 0.2 * (len(cells) - 1)


def _put(names: list[str], put: dict[int, str]) -> list[str]:
    return [put.get(at, name) for at, name in enumerate(names)]


def _climbs(dialect: Dialect, index: int) -> bool:
    values = numbers(dialect, index)
    mostly = len(values) > 1 and bool((np.diff(values) > 0).mean() > 0.6)
    return mostly and rises(values) and not counts_rows(values)


def _positive(dialect: Dialect, index: int) -> bool:
    values = numbers(dialect, index)
    known = values[np.isfinite(values)]
    return bool(len(known)) and bool((known >= 0).all()) and not counts_rows(values)


def _brackets(dialect: Dialect, first: int, last: int) -> bool:
    """Whether two columns are begin and end of what does not overlap from row to row."""
    begin, end = numbers(dialect, first), numbers(dialect, last)
    within = (begin <= end).all() and (end[:-1] <= begin[1:]).mean() > 0.9
    return bool(within) and bool((begin < end).any())


def _unit(dialect: Dialect, index: int) -> str:
    """The unit that makes steps plausible; microseconds where none does, to be corrected."""
    try:
        unit = clock_unit(dialect, Head(index, "time", "time", None), None, (None, "option"), "")
    except LogError:
        return "us"
    return unit.name if unit.stamp is None else "us"
