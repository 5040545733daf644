"""Lengths that look sound one by one and not together: another unit half-way, a counter too small.

What was meant is not in the log: a caution says what is seen, and where all lengths change their
unit the log is refused.
"""

from collections import Counter
from collections.abc import Iterator
from itertools import combinations

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.headers import heads
from looptime.parsers.text.dialect import Dialect, is_missing
from looptime.parsers.text.table import Key, Member, Table
from looptime.records import dataclass
from looptime.stats.arrays import distinct, median, tally
from looptime.words import listed

__all__ = [
    "Series",
    "another_unit",
    "cut_lines",
    "doubtful",
    "full_counter",
    "misplaced",
    "named_twice",
    "places_change",
    "wrapped_lengths",
]

#: Rows that are looked at, drawn from all of a long log; fewer of a name say nothing.
_LOOKED_AT, _FEWEST = 100_000, 40
_GOLDEN = (5**0.5 - 1) / 2
#: Names of which a log may have more are looked at no further.
_MOST_NAMES = 200
_MOST_TOLD = 5
#: By how much a length changes where its unit does, and how far from it that may be.
_FACTORS, _NEAR = (1e3, 1e-3, 1e6, 1e-6), 1.5
#: Lengths on the wrong side of a change of unit.
_WRONG = 0.03
#: Lengths of a stretch with a digit more: from so many times the usual; so many times as a whole,
#: and so many rows of each name.
_TENFOLD, _FEWEST_TENFOLD = (4.0, 8.5, 11.8), 4
#: Columns that are held against each other; by how much their ratio must step, in standard errors
#: and at least; how near each must come to where the other was.
_MOST_COLUMNS, _BY_CHANCE, _APART, _SAME = 40, 8.0, 0.2, 0.08
#: Lines were cut where those that begin their last cell at so many places, each in so many rows,
#: mostly end at one width (two places where words are the same); of all lines at least this share.
_CUTS, _CUT_ROWS, _CUT_SHARE, _CUT_FEWEST = 3, 8, 0.8, 0.1
#: Rows that show whether headers stand over the wrong columns.
_SHOWN = 200
#: Headers of names, and of numbers.
_OF_NAMES = frozenset(("key", "name", "signal", "channel", "section", "call", "event"))
_OF_VALUES = frozenset(("value", "val", "reading", "duration", "seq", "loop"))
#: Bits of the counters that are looked for.
_BITS = (8, 10, 11, 12, 13, 14, 15, 16, 20, 24, 31, 32)
_MOST_COUNTED = frozenset(2.0**bits - 1 for bits in _BITS)


@dataclass(frozen=True)
class Series:
    """Lengths of one name in the order of the log: rows of the table and values [units]."""

    name: str
    row: Int
    value: Float


def doubtful(
    table: Table, lengths: dict[Key, Float], unit_ns: dict[Key, int], names: dict[Key, str]
) -> tuple[str, ...]:
    """Cautions about lengths that do not fit together.

    Parameters
    ----------
    table : Table
        Lengths of one row a call or section are told apart by its column ``name``.
    lengths : dict of Key to float64 array, shape (n,) [ns]
        Columns of lengths.
    unit_ns : dict of Key to int [ns]
        The unit of each.
    names : dict of Key to str
        What columns are called.

    Raises
    ------
    LogError
        If all lengths are in another unit from one line on.
    """
    changed: dict[tuple[int, float], list[str]] = {}
    notes: list[str] = []
    tens: list[tuple[str, int, int]] = []
    count = 0
    for one in _series(table, lengths, unit_ns, names):
        count += 1
        found = another_unit(one.value)
        if found is not None:
            at, factor = found
            line = int(table.line_of(one.row[at : at + 1])[0])
            near = next((k for k in changed if k[1] == factor and abs(k[0] - line) < 50), None)
            changed.setdefault(near or (line, factor), []).append(one.name)
        notes += [f"{one.name}: {said}" for said in _counters(one.value)]
        tens += [(one.name, *one.row[[low, high]].tolist()) for low, high in _tenfold(one.value)]
    if len(tens) == count > 1 and max(low for _, low, _ in tens) < min(high for *_, high in tens):
        low, high = min(low for _, low, _ in tens), max(high for *_, high in tens)
        first, last = table.line_of(np.array([low, high])).tolist()
        said = "all lengths are about ten times those elsewhere: a digit more, or another unit?"
        notes.insert(0, f"lines {first} to {last}: {said}")
    cuts = list(_changed_places(table, lengths, names))
    for (line, factor), own in changed.items():
        how = f"{max(factor, 1 / factor):,.0f} times {'longer' if factor > 1 else 'shorter'}"
        if len(own) == count:
            raise LogError(
                f"from this line on all lengths are {how}: they are written in another unit: cut "
                "the log there",
                line=line,
            )
        cuts.append(
            f"line {line}: from here on the lengths of {listed([name[:40] for name in own])} are "
            f"{how}: written in another unit? Cut the log there"
        )
    return (*cuts, *notes[:_MOST_TOLD])


def _changed_places(
    table: Table, lengths: dict[Key, Float], names: dict[Key, str]
) -> Iterator[str]:
    """Cautions about two columns that take each other's lengths from one line on."""
    columns = [key for key in lengths if isinstance(key, Member)][:_MOST_COLUMNS]
    for one, two in combinations(columns, 2):
        at = places_change(lengths[one], lengths[two])
        if at is not None:
            line = int(table.line_of(np.array([at]))[0])
            yield (
                f"line {line}: from here on {names[one]} and {names[two]} have each other's "
                "lengths: did the columns change places? Cut the log there"
            )


def places_change(one: Float, two: Float) -> int | None:
    """From which row on two series have each other's values; None where they do not.

    Their ratio steps once, by far more than chance, and each then lies where the other was.

    Examples
    --------
    >>> one, two = np.tile([3.0, 3.5], 40), np.tile([4.1, 4.2], 40)
    >>> places_change(np.append(one, two), np.append(two, one))
    80
    >>> places_change(np.append(one, two), np.append(two, two)) is None
    True
    """
    known = np.flatnonzero((one > 0) & (two > 0))
    if len(known) < 2 * _FEWEST:
        return None
    ratio = np.log(one[known]) - np.log(two[known])
    part = np.arange(1, len(ratio)) / len(ratio)
    step = np.abs(np.cumsum(ratio)[:-1] - part * ratio.sum())
    at = int(np.argmax(step)) + 1
    if not _FEWEST <= at <= len(ratio) - _FEWEST:
        return None
    before, after = ratio[:at], ratio[at:]
    chance = np.sqrt(before.var() / len(before) + after.var() / len(after))
    if abs(before.mean() - after.mean()) < max(_BY_CHANCE * chance, _APART):
        return None
    was, now = ([median(side[rows]) for side in (one, two)] for rows in (known[:at], known[at:]))
    swapped = max(abs(now[0] / was[1] - 1), abs(now[1] / was[0] - 1)) < _SAME
    return int(known[at]) if swapped else None


def cut_lines(dialect: Dialect) -> tuple[str, ...]:
    """A caution where lines end at one width, wherever the last cell begins: they were cut there.

    Examples
    --------
    >>> rows = tuple(("7" * k, "7" * (12 - k)) for k in range(6, 9) for _ in range(10))
    >>> cut_lines(Dialect(",", ".", None, 0, 2, 1, sample=rows))[0][:54]
    'lines end at 13 characters, wherever their last cell b'
    """
    before = np.array([sum(map(len, row[:-1])) + len(row) - 1 for row in dialect.sample])
    last = np.array([len(row[-1]) for row in dialect.sample])
    if not len(last) or dialect.delimiter == " ":
        return ()
    width = int((before + last).max())
    full = before + last == width
    if full.mean() < _CUT_FEWEST:
        return ()
    words: dict[tuple[str, ...], list[int]] = {}
    for at, row in enumerate(dialect.sample):
        words.setdefault(tuple(c for c in row[:-1] if c[:1].isalpha()), []).append(at)

    def places(rows: Int) -> list[Int]:
        """Rows of each width before the last cell with which lines end there alike."""
        found = [rows[before[rows] == at] for at in distinct(before[rows[full[rows]]])]
        return [one[full[one]] for one in found
                if full[one].sum() >= _CUT_ROWS and full[one].mean() >= _CUT_SHARE]  # fmt: skip

    ends = {row[-1] for row, cut in zip(dialect.sample, full.tolist(), strict=True) if cut}
    ends = {word for word in ends if word.isalpha()}
    begun = sum(any(other != word and other.startswith(word) for other in ends) for word in ends)
    alike = [places(np.array(rows)) for rows in words.values()]
    groups = [found for found in alike if len(found) > 1]
    if len(every := places(np.arange(len(last)))) >= _CUTS:
        groups.append(every)
    if begun < 2:
        if not groups:
            return ()
        from looptime.parsers.layouts.lost_ends import lost_ends  # few logs have such lines

        if not any(lost_ends(dialect, found) for found in groups):
            return ()
    return (
        f"lines end at {width} characters, wherever their last cell begins: cut off there? Then "
        "what stands last in them is wrong",
    )


def named_twice(dialect: Dialect) -> tuple[str, ...]:
    """A caution about columns that have one name and hold different things.

    Examples
    --------
    >>> rows = (("1", "2", "3"), ("2", "4", "3"))
    >>> named_twice(Dialect(",", ".", ("t", "x", "T"), 1, 3, 2, sample=rows))[0][:41]
    "2 columns are called 't': two logs beside"
    """
    names = [name.strip().lower() for name in dialect.header or ()]
    places: dict[str, list[int]] = {}
    for at, name in enumerate(names[: dialect.fields]):
        places.setdefault(name, []).append(at)
    for name, count in Counter(names).items():
        if (
            name
            and count > 1
            and any(len({row[at] for at in places.get(name, ())}) > 1 for row in dialect.sample)
        ):
            return (
                f"{count} columns are called {name!r}: two logs beside each other? looptime "
                "columns LOG says which is taken for what",
            )
    return ()


def misplaced(dialect: Dialect) -> tuple[str, ...]:
    """A caution where words stand in a column of values, and numbers in one of names.

    Examples
    --------
    >>> rows = (("0", "gyro.read", "7"), ("4", "arm.send", "9"))
    >>> misplaced(Dialect(",", ".", ("key", "value", "t_us"), 1, 3, 2, sample=rows))[0][:38]
    "'value' holds words and 'key' numbers:"
    >>> misplaced(Dialect(",", ".", ("t_us", "key", "value"), 1, 3, 2, sample=rows))
    ()
    """
    names, values = [], []
    for head in heads(dialect.header or ()):
        cells = [row[head.index] for row in dialect.sample[:_SHOWN] if head.index < len(row)]
        wordy = [cell[:1].isalpha() for cell in cells if not is_missing(cell)]
        if wordy and not any(wordy) and head.word in _OF_NAMES:
            names.append(head.text)
        if wordy and all(wordy) and (head.unit or head.word in _OF_VALUES):
            values.append(head.text)
    if not names or not values:
        return ()
    return (
        f"{values[0]!r} holds words and {names[0]!r} numbers: do the headers stand over the wrong "
        "columns?",
    )


def another_unit(value: Float) -> tuple[int, float] | None:
    """Where lengths begin to be a thousand or a million times longer or shorter, and by how much.

    Examples
    --------
    >>> value = np.tile([3.0, 4.0, 3.5], 40)
    >>> another_unit(np.concatenate([value, value / 1000]))
    (120, 0.001)
    >>> another_unit(np.concatenate([value, value / 30])) is None
    True
    """
    count = len(value)
    edge = max(5, count // 10)
    if count < _FEWEST:
        return None
    head, tail = median(value[:edge]), median(value[-edge:])
    if head <= 0 or tail <= 0:
        return None
    factor = next((f for f in _FACTORS if 1 / _NEAR < tail / head / f < _NEAR), None)
    if factor is None:
        return None
    late = (value > np.sqrt(head * tail)) == (tail > head)
    before = np.concatenate([[0], np.cumsum(late)])
    wrong = before + (count - np.arange(count + 1)) - (before[-1] - before)
    at = int(np.argmin(wrong))
    return (at, factor) if 0 < at < count and wrong[at] <= _WRONG * count else None


def _tenfold(value: Float) -> list[tuple[int, int]]:
    """First and last place of the one stretch in which lengths are ten times those elsewhere.

    Examples
    --------
    >>> value = np.tile([3.0, 4.0, 3.5], 40)
    >>> value[50:60] *= 10
    >>> _tenfold(value), _tenfold(np.where(value > 9, value / 5, value)), _tenfold(value[:60])
    ([(50, 59)], [], [(50, 59)])
    """
    if len(value) < _FEWEST or value.min() <= 0:
        return []
    part = len(value) // 10
    low = min(median(value), median(value[:part]), median(value[-part:]))
    above = value > _TENFOLD[0] * low
    if not above.any():
        return []
    edges = np.flatnonzero(np.diff(above, prepend=False, append=False))
    runs = edges.reshape(-1, 2)
    first, stop = runs[np.argmax(runs[:, 1] - runs[:, 0])].tolist() if len(runs) else (0, 0)
    many = stop - first
    others = int((runs[:, 1] - runs[:, 0]).sum()) - many
    if many < _FEWEST_TENFOLD or others > _WRONG * len(value):
        return []
    times = median(value[first:stop]) / median(np.delete(value, np.s_[first:stop]))
    return [(first, stop - 1)] if _TENFOLD[1] < times < _TENFOLD[2] else []


def full_counter(value: Float) -> tuple[int, int] | None:
    """The largest number of a counter and how often it is met, where it is met again and again.

    Examples
    --------
    >>> full_counter(np.array([4095.0, 3000, 4095, 2000, 4095]))
    (4095, 3)
    """
    most = float(value.max(initial=0))
    if most not in _MOST_COUNTED:
        return None
    often = int((value == most).sum())
    return (int(most), often) if often >= (1 if most > 2048 else 2 if most > 1024 else 3) else None


def wrapped_lengths(value: Float) -> int | None:
    """The number below which all lengths lie, crowding below it and at zero as they wrap.

    Examples
    --------
    >>> wrapped_lengths(np.arange(3900, 4300, 5.0) % 4096)
    4096
    >>> wrapped_lengths(np.arange(3900, 4090, 5.0)) is None
    True
    """
    most = float(value.max(initial=0))
    top = next((2**bits for bits in _BITS if 0.97 * 2**bits < most < 2**bits), None)
    if top is None or (value < 0).any() or (value % 1 != 0).any():
        return None
    edges = np.array([0, 0.03, 0.15, 0.3, 0.7, 0.85, 0.97, 1])
    held = np.histogram(value, edges * top)[0]
    wings, dense = held[[0, 1, 5, 6]], held / np.diff(edges)
    crowded = wings.min() >= 3 and dense[[0, 1, 5, 6]].min() > 2 * dense[3]
    return top if crowded else None


def _counters(value: Float) -> Iterator[str]:
    full = full_counter(value)
    if full is not None:
        most, often = full
        yield (
            f"{often:,} {'length is' if often == 1 else 'lengths are'} exactly {most:,}, the most "
            f"that a counter of {most.bit_length()} bits holds: longer in truth, or not measured"
        )
        return
    top = wrapped_lengths(value)
    if top is not None:
        yield (
            f"lengths crowd below {top:,} and at 0: a counter of {top.bit_length() - 1} bits that "
            "begins again at 0 makes long ones look short"
        )


def _series(
    table: Table, lengths: dict[Key, Float], unit_ns: dict[Key, int], names: dict[Key, str]
) -> Iterator[Series]:
    count = len(table)
    rows = np.arange(min(count, _LOOKED_AT))
    if count > _LOOKED_AT:
        # spread evenly and out of step with any rhythm of the rows, without loading random numbers
        turns = rows * _GOLDEN
        chosen = np.zeros(count, bool)
        chosen[((turns - np.floor(turns)) * count).astype(np.int64)] = True
        rows = np.flatnonzero(chosen)
    name = table.columns.get("name")
    for key, values in lengths.items():
        row, value = rows, values[rows] / unit_ns[key]
        known = np.isfinite(value)
        if not known.all():
            row, value = row[known], value[known]
        if name is None:
            yield Series(names.get(key, str(key)), row, value)
            continue
        code, words = np.asarray(name)[row], table.words["name"]
        order = np.argsort(code, kind="stable")
        row, value, first = row[order], value[order], 0
        for word, many in zip(words[:_MOST_NAMES], tally(code, len(words)).tolist(), strict=False):
            if many >= _FEWEST:
                yield Series(word, row[first : first + many], value[first : first + many])
            first += many
