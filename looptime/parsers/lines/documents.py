"""Tables within one JSON document: rows below names, a list for each column, values by number."""

import json
import re
from collections import Counter
from typing import Any

from looptime.parsers.columns.lexicon import meaning
from looptime.units import split_unit, word_unit

__all__ = ["may_be_tabled", "tabled"]

#: How a document begins that may hold a table, and how many of its letters are asked.
_MAY_BE = re.compile(r'\[\s*\[|:\s*\[\s*[-\d."]|"\d+"\s*:')
_ASKED = 1 << 16
#: Rows of the shortest table, and how deep it may lie.
_FEWEST, _DEEP = 3, 4

_Table = tuple[list[str], list[list[Any]], list[str]]


class _Number(str):
    """A number as it is written."""

    __slots__ = ()


def may_be_tabled(lines: list[str]) -> bool:
    """Whether the first lines may be those of a document with a table, and not each a row.

    Examples
    --------
    >>> may_be_tabled(['{"t": [1, 2],', '"imu": [5, 6]}']), may_be_tabled(['{"t": [1, 2]}'] * 2)
    (True, False)
    """
    given = [line for line in lines if line.strip()]
    if not given or given[0].lstrip()[:1] not in ("[", "{"):
        return False
    if not _MAY_BE.search("\n".join(given)[:_ASKED]):
        return False
    try:
        json.loads(given[0].rstrip(" ,"))
    except (ValueError, RecursionError):
        return True
    return len(given) == 1


def tabled(text: str) -> list[str] | None:
    r"""The rows of a document's table, each as an object on a line; None where it holds none.

    A unit that is said beside the table stands on a line above the rows.

    Examples
    --------
    >>> tabled('{"columns": ["t", "imu"], "rows": [[0.0, 2.5], [0.02, 2], [0.04, 3]]}')
    ['{"t": 0.0, "imu": 2.5}', '{"t": 0.02, "imu": 2}', '{"t": 0.04, "imu": 3}']
    >>> tabled('{"unit": "ms", "t": [1, 2, 3], "imu": {"0": 5, "1": 6, "2": 7}}')[:2]
    ['"unit": "ms"', '{"t [ms]": 1, "imu": 5}']
    >>> tabled('[{"t": 1}, {"t": 2}]'), tabled('{"t": 1}\n{"t": 2}')
    (None, None)
    """
    try:
        document = json.loads(text, parse_float=_Number, parse_int=_Number)
    except (ValueError, RecursionError):  # more than one document, or none
        return None
    found = _table(document, _DEEP)
    if found is None or len(set(found[0])) < len(found[0]):
        return None
    names, rows, above = found
    names = _in_stated_unit(names, above)
    keys = [json.dumps(name) for name in names]
    return above + [
        "{" + ", ".join(f"{key}: {_written(cell)}" for key, cell in zip(keys, row, strict=True))
        + "}" for row in rows
    ]  # fmt: skip


def _written(cell: Any) -> str:
    return str(cell) if isinstance(cell, _Number) else json.dumps(cell)


def _table(value: Any, deep: int) -> _Table | None:
    """Names, rows and stated units of the table that a value holds, the longest if several do."""
    if isinstance(value, list):
        return _headed(value)
    if not isinstance(value, dict) or not deep:
        return None
    own = _rows_and_names(value) or _columns(value)
    if own is not None:
        return (*own, _units(value))
    if (lines := _numbered(value)) is not None:
        names = list(dict.fromkeys(key for line in lines for key in line))
        return names, [[line.get(name) for name in names] for line in lines], []
    inner = [found for one in value.values() if (found := _table(one, deep - 1)) is not None]
    if not inner:
        return None
    names, rows, above = max(inner, key=lambda one: len(one[1]))
    return names, rows, _units(value) + above


def _units(value: dict[str, Any]) -> list[str]:
    """What an object says of a unit, a line each."""
    return [f"{json.dumps(key)}: {json.dumps(one)}" for key, one in value.items()
            if "unit" in key.lower() and _is_word(one)]  # fmt: skip


def _in_stated_unit(names: list[str], above: list[str]) -> list[str]:
    """Names of times with the one unit that stands beside the table, where none has its own."""
    told = {unit for line in above if (unit := word_unit(json.loads(f"{{{line}}}").popitem()[1]))}
    if len(told) != 1 or any(split_unit(name)[1] for name in names):
        return names
    times = ("clock", "period", "whole", "busy", "duration")
    unit = told.pop()
    return [f"{name} [{unit}]" if meaning(name) in times else name for name in names]


def _is_cell(value: Any) -> bool:
    return not isinstance(value, list | dict)


def _is_word(value: Any) -> bool:
    return isinstance(value, str) and not isinstance(value, _Number)


def _is_row(value: Any, width: int | None = None) -> bool:
    known = isinstance(value, list) and len(value) > 1 and all(map(_is_cell, value))
    return known and width in (None, len(value))


def _headed(value: list[Any]) -> _Table | None:
    """A list of rows whose first holds the names."""
    if len(value) <= _FEWEST or not _is_row(value[0]) or not all(map(_is_word, value[0])):
        return None
    width = len(value[0])
    if not all(_is_row(row, width) for row in value) or all(map(_is_word, value[1])):
        return None
    return value[0], value[1:], []


def _rows_and_names(value: dict[str, Any]) -> tuple[list[str], list[list[Any]]] | None:
    """Rows in one member of an object, and names for their cells in another."""
    for rows in value.values():
        if not isinstance(rows, list) or len(rows) < _FEWEST or not _is_row(rows[0]):
            continue
        if not all(_is_row(row, len(rows[0])) for row in rows):
            continue
        units = [one for one in value.values() if _is_row(one, len(rows[0]))]
        listed = [value[key] for key in value if "unit" in key.lower() and value[key] in units]
        for beside in value.values():
            names = _names(beside, len(rows[0]), listed) if beside not in listed else None
            if names is not None:
                return names, rows
    return None


def _names(value: Any, width: int, units: list[list[Any]]) -> list[str] | None:
    """Names of columns, as texts or in objects, with the units beside them."""
    if not isinstance(value, list) or len(value) != width:
        return None
    told = [_name(one) for one in value]
    names = [name for name in told if name is not None]
    if len(names) < width:
        return None
    return [_with_unit(name, unit) for name, unit in zip(names, units[0], strict=True)] if (
        units) else names  # fmt: skip


def _name(value: Any) -> str | None:
    """A name, or that in an object with the unit there."""
    if not isinstance(value, dict):
        return value if _is_word(value) else None
    named = next((value[key] for key in ("name", "id", "key", "label", "column", "title")
                  if _is_word(value.get(key))), None)  # fmt: skip
    return None if named is None else _with_unit(named, value.get("unit", value.get("units")))


def _with_unit(name: str, unit: Any) -> str:
    return f"{name} [{unit}]" if _is_word(unit) and unit.strip() else name


def _columns(value: dict[str, Any]) -> tuple[list[str], list[list[Any]]] | None:
    """A list for each column, with its unit beside it or not, or its values by their numbers."""
    lists = {key: found for key, one in value.items() if (found := _column(one)) is not None}
    if len(lists) < 2:
        return None
    often = Counter(len(cells) for cells, _ in lists.values()).most_common(1)[0]
    kept = {_with_unit(key, unit): cells for key, (cells, unit) in lists.items()
            if len(cells) == often[0]}  # fmt: skip
    numeric = any(isinstance(cell, _Number) for cells in kept.values() for cell in cells[:1])
    if often[1] < 2 or often[0] < max(_FEWEST, len(kept)) or not numeric:
        return None
    return list(kept), [list(row) for row in zip(*kept.values(), strict=True)]


def _column(value: Any) -> tuple[list[Any], Any] | None:
    """The cells of one column, and its unit."""
    if isinstance(value, dict):
        if len(value) >= _FEWEST and _are_numbered(value) and all(map(_is_cell, value.values())):
            return [value[key] for key in sorted(value, key=int)], None
        inner = [one for one in value.values() if _is_row(one)]
        return (inner[0], value.get("unit", value.get("units"))) if len(inner) == 1 else None
    return (value, None) if _is_row(value) else None


def _are_numbered(value: dict[str, Any]) -> bool:
    return all(key.isascii() and key.isdecimal() and len(key) < 19 for key in value)


def _numbered(value: dict[str, Any]) -> list[dict[str, Any]] | None:
    """Objects that stand under their numbers, in their order."""
    if len(value) < _FEWEST or not _are_numbered(value):
        return None
    lines = [value[key] for key in sorted(value, key=int)]
    plain = all(isinstance(line, dict) and all(map(_is_cell, line.values())) for line in lines)
    return lines if plain else None
