"""Calls of one name on several devices: each device's are a call of its own."""

from collections.abc import Mapping

import numpy as np

from looptime.array_types import Int
from looptime.call_words import guess_name
from looptime.parsers.columns.headers import LOOP_WORD, Head
from looptime.parsers.text.dialect import is_number
from looptime.parsers.text.table import Table
from looptime.schema import KINDS, CallName

__all__ = ["tell_apart"]

#: Columns that tell calls of one name apart, in turn, and how the longer name is written.
_BY = {"device": "{by}.{name}", "subsystem": "{by}.{name}", "kind": "{name}.{by}",
       "bus": "{name} on {by}"}  # fmt: skip
#: The most values of one name, the least share of its rows that one of them has, and that all of
#: these have; and the share of its rows in which the value is another than in the row before: one
#: that changes once in a run is a device that was moved.
_MOST, _LEAST, _OFTEN, _CHANGES = 24, 0.01, 0.9, 0.05
#: Names that are told apart at most.
_NAMES = 200
_TOLD = 3
#: Headers under which whole numbers stand for something, as an address does; under others they
#: may be readings.
_NUMBERED = ("device", "dev", "bus")


def tell_apart(
    table: Table, given: Mapping[str, Head], asked: str | None = None
) -> tuple[str, ...]:
    """Lengthen, in place, names of calls that several devices share; what is said of it.

    Parameters
    ----------
    table : Table
        With the words of its column ``name`` and of those that say where a call belongs.
    given : mapping of str to Head
        The headers of the columns.
    asked : str or None
        A name that stays as it is: calls of it begin a loop.
    """
    told = []
    for key, form in _BY.items():
        if "name" not in table.words or len(table.words.get(key, ())) < 2:
            continue
        words, values = table.words["name"], table.words[key]
        kept = [at for at, word in enumerate(words)
                if word == asked or LOOP_WORD.search(word.lower())]  # fmt: skip
        shared = [at for at in _shared(table, key, given[key].word) if at not in kept]
        if not shared:
            continue
        mere = []
        if key == "device":  # beside fl.write, a mere read says little
            mere = [at for at, of in _of_one(table, key).items()
                    if at not in kept and words[at].isalpha()
                    and values[of].lower() not in words[at].lower()]  # fmt: skip
        longer = _lengthen(table, key, form, shared + mere)
        named = ", ".join(repr(words[at]) for at in shared[:_TOLD])
        more = f" and {len(shared) - _TOLD} more" if len(shared) > _TOLD else ""
        told.append(
            f"{named}{more}: rows of several in {given[key].text!r}, so each is a call of its own, "
            f"such as {longer!r}"
        )
    return tuple(told)


def _lengthen(table: Table, key: str, form: str, chosen: list[int]) -> str:
    """Write what a column says into the chosen names, in place; what one of them is then."""
    words, values = table.words["name"], table.words[key]
    name, by = table.columns["name"], table.columns[key]
    mine = np.flatnonzero(np.isin(name, chosen) & (by != _empty(values)))
    pairs, place = np.unique(_pairs(table, key)[mine], return_inverse=True)
    code = {word: at for at, word in enumerate(words)}
    longer = [form.format(name=words[of // len(values)], by=values[of % len(values)])
              for of in pairs.tolist()]  # fmt: skip
    made = name.copy()
    made[mine] = np.array([code.setdefault(word, len(code)) for word in longer])[place]
    table.columns["name"], table.words["name"] = made, list(code)
    return next(word for word, of in zip(longer, pairs // len(values), strict=True)
                if of == chosen[0])  # fmt: skip


def _pairs(table: Table, key: str) -> Int:
    """One number for each pair of a name and a value, shape (n,)."""
    name = np.asarray(table.columns["name"], np.int64)
    return name * len(table.words[key]) + table.columns[key]


def _empty(values: list[str]) -> int:
    return values.index("") if "" in values else -1


def _shared(table: Table, key: str, header: str) -> list[int]:
    """The names whose rows have several values that come and go."""
    values = table.words[key]
    pairs, count = np.unique(_pairs(table, key), return_counts=True)
    name, value = np.divmod(pairs, len(values))
    told = (value != _empty(values)) & np.array([_tells(header, word) for word in values])[value]
    name, count = name[told], count[told]
    if not len(name):
        return []
    rows = np.bincount(name, count)
    often = count >= np.maximum(2, _LEAST * rows[name])
    kinds = np.bincount(name[often], minlength=len(rows))
    enough = np.bincount(name[often], count[often], minlength=len(rows)) >= _OFTEN * rows
    likely = np.flatnonzero((kinds >= 2) & (kinds <= _MOST) & enough)[:_NAMES]
    own, by = table.columns["name"], table.columns[key]
    return [int(at) for at in likely if _comes_and_goes(by[own == at])]


def _tells(header: str, value: str) -> bool:
    """Whether a value may tell calls apart: a kind that is one, as ``ok`` is not, and no reading.

    Examples
    --------
    >>> _tells("kind", "read"), _tells("kind", "retry"), _tells("sensor", "1"), _tells("dev", "1")
    (True, False, False, True)
    """
    if header in ("kind", "category"):
        return value in KINDS or guess_name(CallName(value)).kind != "other"
    return not is_number(value) or (header in _NUMBERED and value.isdigit())


def _of_one(table: Table, key: str) -> dict[int, int]:
    """The names all of whose rows have one and the same value, and that value."""
    values = table.words[key]
    name, value = np.divmod(np.unique(_pairs(table, key)), len(values))
    of, many = np.unique(name, return_counts=True)
    alone = np.isin(name, of[many == 1]) & (value != _empty(values))
    return dict(zip(name[alone].tolist(), value[alone].tolist(), strict=True))


def _comes_and_goes(by: Int) -> bool:
    """Whether values change again and again.

    Examples
    --------
    >>> _comes_and_goes(np.array([0, 1] * 30)), _comes_and_goes(np.repeat([0, 1], 30))  # moved
    (True, False)
    """
    return int(np.count_nonzero(by[1:] != by[:-1])) >= _CHANGES * len(by)
